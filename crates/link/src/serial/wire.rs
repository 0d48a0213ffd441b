//! What the serial engine needs of an adapter; tests bring a simulated one.

use super::woken::Woken;
use crate::{InLine, Unread, Waker};
use payrig_units::Micros;
use std::io;
use std::sync::Weak;

/// An adapter set to 9600 baud, eight data bits, a ninth that is always set or always clear, one
/// stop bit, received errors and breaks marked as in [`crate::coding`].
pub(crate) trait Wire: Send {
    /// What messages call it.
    fn name(&self) -> &str;

    /// Bench time.
    fn now(&self) -> Micros;

    /// Waits until `until`, until something is received (if `listen`) or `waker` is rung.
    fn wait(&mut self, until: Micros, listen: bool, waker: Option<&Waker>) -> io::Result<Woken>;

    /// What says whether something was received and not read yet, where the system can.
    fn unread(&self) -> Option<Weak<dyn Unread>> {
        None
    }

    /// Appends what was received; 0 when there was nothing.
    fn read(&mut self, into: &mut Vec<u8>) -> io::Result<usize>;

    /// Hands over bytes to be sent.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Waits until everything is sent, as far as the driver knows.
    fn drain(&mut self) -> io::Result<()>;

    /// Sets or clears the ninth bit of what is sent from now on. False when the driver did not
    /// take the setting.
    fn set_ninth(&mut self, set: bool) -> io::Result<bool>;

    /// Changes the speed of what is sent and received from now on.
    fn set_speed(&mut self, baud: u32) -> io::Result<()>;

    /// True while a modem line is asserted.
    fn line(&mut self, line: InLine) -> io::Result<bool>;

    /// Holds the line active, or no longer.
    fn set_break(&mut self, on: bool) -> io::Result<()>;
}
