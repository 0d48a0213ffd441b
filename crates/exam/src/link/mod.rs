//! A subject at the other end of a port, and the bench it is examined on.
//!
//! A [`Cable`] is the port, [`Linked`] the state of what is at its other end; `Driven` moves a
//! [`payrig_bench::Bench`] along: in simulated time, or in that of the port.

mod driven;
mod lines;
mod linked;
#[cfg(test)]
pub(crate) mod stops;

pub(crate) use driven::Driven;
pub use lines::{AcceptorLines, LineEvent};
pub(crate) use lines::{LINE_IN, LINE_OUT};
pub use linked::Linked;

use payrig_link::{Awake, BlockingPort, LinkError, PortEvent};
use payrig_units::Micros;
use payrig_wire::{Edge, Transmission};
use std::fmt;

/// A port as an examination needs it.
pub trait Cable: fmt::Debug {
    /// What messages call it.
    fn name(&self) -> String;

    /// Time.
    fn now(&self) -> Micros;

    /// Hands over something to be sent at its time.
    fn send(&mut self, transmission: Transmission);

    /// The next event; `None` when `until` has come. What has come already is given whatever `until` is.
    ///
    /// # Errors
    /// When the port is gone.
    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError>;

    /// The next edge of the line that comes in, where there is one, and how far its time may be off;
    /// asked for after [`wait`](Self::wait).
    fn take_edge(&mut self) -> Option<(Edge, Micros)> {
        None
    }

    /// The level of the line that comes in, true for high.
    fn level(&self) -> Option<bool> {
        None
    }

    /// True when there is a line that goes out.
    fn has_output(&self) -> bool {
        false
    }

    /// Drives the line that goes out.
    fn drive(&mut self, edge: Edge) {
        let _ = edge;
    }
}

/// A real port, served by the thread of the bench.
pub struct PortCable {
    port: Box<dyn BlockingPort>,
    /// Since when the bench has had the thread.
    awake: Awake,
}

impl PortCable {
    /// Takes a port over.
    #[must_use]
    pub fn new(port: Box<dyn BlockingPort>) -> Self {
        let awake = Awake::now(port.clock());
        Self { port, awake }
    }
}

impl fmt::Debug for PortCable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("PortCable").field(&self.port.name()).finish()
    }
}

impl Cable for PortCable {
    fn name(&self) -> String {
        self.port.name().to_owned()
    }

    fn now(&self) -> Micros {
        self.port.clock().now()
    }

    fn send(&mut self, transmission: Transmission) {
        let spent = self.awake.spent(self.port.clock());
        self.port.send(transmission, spent);
    }

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let event = self.port.wait(until, None);
        self.awake = Awake::now(self.port.clock());
        event
    }
}
