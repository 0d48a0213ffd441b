//! Everything that needs Linux: pseudo-terminals, terminal settings, precise waiting.

mod adapter;
mod edges;
mod line_wait;
mod pty;
mod pty_async;
mod sleep;
mod timer;

pub(crate) use adapter::{low_latency, open_wire};
pub(crate) use line_wait::LineWait;
pub use pty::{PtyOptions, PtyPort};
pub use pty_async::AsyncPtyPort;
pub use sleep::Waker;
pub(crate) use sleep::{pause, waited_for_processor, want_exact_wakeups};
pub use timer::ExactTimer;

use rustix::io::Errno;

/// The error of a terminal whose other end or hardware is gone.
pub(crate) fn means_vanished(code: i32) -> bool {
    [Errno::IO, Errno::NXIO, Errno::NODEV]
        .iter()
        .any(|e| e.raw_os_error() == code)
}

/// The error of hardware that is gone.
pub(crate) fn vanished() -> std::io::Error {
    Errno::NODEV.into()
}

/// The error of something that is no terminal.
pub(crate) fn means_no_terminal(code: i32) -> bool {
    [Errno::NOTTY, Errno::ISDIR, Errno::INVAL]
        .iter()
        .any(|e| e.raw_os_error() == code)
}
