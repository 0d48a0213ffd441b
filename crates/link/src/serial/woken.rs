//! How a wait for an adapter ended.

/// Why a wait ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Woken {
    /// There is something to read, or an error to be had by reading.
    pub(crate) readable: bool,
    /// The other end is closed, or the adapter unplugged.
    pub(crate) hung_up: bool,
    /// The waker was rung.
    pub(crate) rung: bool,
}
