//! Waiting for edges of a real port's modem lines.

use super::edges::wait_for_edge;
use crate::InLine;
use crate::modem::EdgeWait;
use rustix::fd::{AsFd, OwnedFd};
use rustix::fs::{Mode, OFlags};
use std::io;
use std::sync::Arc;

/// A descriptor of its own for the waits of a port.
///
/// A wait ends with the next edge or when the hardware goes away, not when somebody wants it to. So
/// the thread that waits owns the descriptor: it stays open for as long as the wait needs it, if
/// need be until the program ends. [`Drop`] gives up the port's exclusive use, so that a thread that still
/// waits does not keep others from opening the port.
pub(crate) struct LineWait(Arc<OwnedFd>);

impl LineWait {
    /// Opens a port for waits, before anybody has it for themselves.
    pub(crate) fn open(port: &str) -> io::Result<Self> {
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        Ok(Self(Arc::new(rustix::fs::open(
            port,
            flags,
            Mode::empty(),
        )?)))
    }

    /// For the thread that waits.
    pub(crate) fn waiter(&self) -> Box<dyn EdgeWait> {
        Box::new(Waiting(Arc::clone(&self.0)))
    }
}

impl Drop for LineWait {
    fn drop(&mut self) {
        let _ = rustix::termios::ioctl_tiocnxcl(&self.0);
    }
}

struct Waiting(Arc<OwnedFd>);

impl EdgeWait for Waiting {
    fn wait(&mut self, lines: &[InLine]) -> io::Result<()> {
        loop {
            match wait_for_edge(self.0.as_fd(), lines) {
                Err(rustix::io::Errno::INTR) => {}
                other => return Ok(other?),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::{LinkError, ModemLines, SerialLines};
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

    /// A thread that still waits owns a descriptor, and keeps nobody from opening the port.
    #[test]
    fn a_port_can_be_opened_again_while_somebody_still_waits() {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let path = ptsname(&master, Vec::new()).unwrap();
        let path = path.to_str().unwrap();
        let mut lines = SerialLines::open(path).unwrap();
        let waiter = lines.waiter().unwrap();
        let busy = SerialLines::open(path).unwrap_err();
        assert!(matches!(busy, LinkError::Busy { .. }), "{busy}");
        drop(lines);
        let mut again = SerialLines::open(path).unwrap();
        drop(waiter);
        // A pseudo-terminal has no modem lines, and says so at once.
        let wait = again.waiter().unwrap().wait(&[crate::InLine::Cts]);
        assert!(wait.is_err());
    }
}
