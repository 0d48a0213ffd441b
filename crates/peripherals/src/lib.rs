//! Emulated coin changer, bill validator, cashless device and pulse acceptors.
//!
//! Every device is a state machine without clock or I/O: commands and times in, replies, money
//! movements and deadlines out.

pub mod bill;
pub mod cashless;
pub mod changer;
mod device;
mod port;
pub mod pulse;
mod quirks;

pub use device::{Device, Reply};
pub use port::{ACK_TOLERATED, BREAK_MIN, BusPeripheral, GAP_TOLERATED, Port, PortTiming};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
