//! Waiting in the kernel for an edge of a modem line: the one place of payrig with `unsafe` code.
//!
//! Linux has a call for it, `TIOCMIWAIT` (ioctl_tty(2)), and no library we know wraps it safely.
//! The number and the bits are linux-raw-sys's, the call is rustix's.
#![allow(unsafe_code)]

use crate::InLine;
use linux_raw_sys::general::{TIOCM_CAR, TIOCM_CTS, TIOCM_DSR, TIOCM_RNG};
use linux_raw_sys::ioctl::TIOCMIWAIT;
use rustix::fd::BorrowedFd;
use rustix::ioctl::{IntegerSetter, Opcode, ioctl};

const WAIT: Opcode = TIOCMIWAIT as Opcode;

fn bit(line: InLine) -> usize {
    let bit = match line {
        InLine::Cts => TIOCM_CTS,
        InLine::Dsr => TIOCM_DSR,
        InLine::Dcd => TIOCM_CAR,
        InLine::Ri => TIOCM_RNG,
    };
    bit as usize
}

/// Blocks until one of the lines has changed, or the port is gone.
///
/// There is no time limit, and no way to end the wait from another thread: a thread that blocks in
/// here must own the descriptor it blocks on.
pub(super) fn wait_for_edge(port: BorrowedFd<'_>, lines: &[InLine]) -> rustix::io::Result<()> {
    let mask = lines.iter().fold(0, |mask, line| mask | bit(*line));
    // SAFETY: `TIOCMIWAIT` takes an integer by value, a set of TIOCM_ bits, and neither reads nor
    // writes memory of this process (ioctl_tty(2)): that is what `IntegerSetter` promises. A port
    // that does not know the call refuses it (ENOTTY, EINVAL). The descriptor is open for as long
    // as it is borrowed.
    unsafe { ioctl(port, IntegerSetter::<WAIT>::new_usize(mask)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::fd::AsFd;
    use rustix::io::Errno;
    use rustix::pty::{OpenptFlags, openpt};

    #[test]
    fn a_port_without_modem_lines_refuses_at_once() {
        let terminal = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        let error = wait_for_edge(terminal.as_fd(), &[InLine::Cts]).unwrap_err();
        assert!([Errno::NOTTY, Errno::INVAL].contains(&error), "{error}");
        let file = tempfile::tempfile().unwrap();
        assert!(wait_for_edge(file.as_fd(), &[InLine::Dsr, InLine::Ri]).is_err());
    }

    /// The bits of ioctl_tty(2).
    #[test]
    fn every_line_has_its_own_bit() {
        let all = [InLine::Cts, InLine::Dsr, InLine::Dcd, InLine::Ri].map(bit);
        assert_eq!(all, [0x020, 0x100, 0x040, 0x080]);
    }
}
