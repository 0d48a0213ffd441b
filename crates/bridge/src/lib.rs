//! Bridges between pulse lines and the bus, as retrofits use them. No clock, no I/O.
//!
//! - [`PulseToMdb`]: an old acceptor on a pulse line appears on the bus as a bill validator, or as
//!   a changer that only accepts. [`PulseBridge`] is it with its place on the bus and its power.
//! - [`MdbToPulse`]: an MDB bill validator, to which it is the VMC, drives the credit line of a
//!   board that knows pulses only.
//!
//! Both keep their promise by a memory that outlasts the power: what was taken in and not passed
//! on yet is passed on later, and once. What a bridge cannot carry over is lost by its nature, and
//! described at [`PulseToMdb`] and [`MdbToPulse`].

mod listener;
mod power;
mod split;
mod to_mdb;
mod to_pulse;

pub use power::PulseBridge;
pub use split::split;
pub use to_mdb::{Appearance, BridgeError, PulseToMdb, PulseToMdbConfig, Release};
pub use to_pulse::{MdbToPulse, MdbToPulseConfig};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
