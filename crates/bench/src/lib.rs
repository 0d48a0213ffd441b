//! Rigs at work: links, peripherals, board and script; the ledger, the log and the verdict.
//!
//! [`Rig`] is what a file describes, [`Stage`] the bench it sets up, [`run_simulated`](run::run_simulated)
//! moves it along in simulated time. `payrig_link::drive` moves the same stage with the wall clock.

mod bus;
mod fault;
mod machine;
mod on_link;
mod peers;
mod player;
mod pulse_peer;
pub mod rig;
pub mod run;
mod segment;
mod stage;
mod wires;

pub use bus::{Heard, VirtualBus};
pub use fault::{Fault, FaultInjector, FaultKind, FrameKind};
pub use rig::{Rig, RigError};
pub use stage::{BusAt, LineLevel, Outbound, Stage};

/// The rig that is built in: a changer, a bill validator with escrow and a cashless device on a
/// virtual bus, and a board that sells a snack.
pub const FIRST_VEND: &str = include_str!("../../../bench-rigs/first-vend.toml");
