//! Credit pulse trains: profiles, encoding, measuring, judging.
//!
//! Old acceptors report money as a train of pulses on one wire. This crate does no I/O and reads
//! no clock: edges and times in ([`Edge`]), values out.

mod edge;

pub use edge::{Edge, Level};
