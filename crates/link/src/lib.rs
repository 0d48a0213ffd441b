//! How words and edges travel: over a virtual bus, and at what pace.
//!
//! A link knows no device. [`VirtualBus`] carries the words of one master and any number of
//! peripherals in bench time; [`FaultInjector`] is a wrapper around what is sent, so that neither
//! bus nor devices have branches for faults; [`Pace`] decides whether bench time passes at once or
//! with the wall clock.

mod bus;
pub mod coding;
mod fault;
mod pace;

pub use bus::{Heard, VirtualBus};
pub use coding::{Decoder, Encoder, Said, Symbol, UnknownCoding, WordCoding};
pub use fault::{Fault, FaultInjector, FaultKind, FrameKind};
pub use pace::Pace;
