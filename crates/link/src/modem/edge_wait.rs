//! Waiting for an edge, by whoever can.

use payrig_wire::port::InLine;
use std::io;

/// Blocks until a modem line changes.
pub trait EdgeWait: Send {
    /// Returns when one of `lines` has changed. It need not end before that.
    ///
    /// # Errors
    /// When the port is gone, or has no such wait.
    fn wait(&mut self, lines: &[InLine]) -> io::Result<()>;
}
