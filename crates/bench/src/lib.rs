//! Rigs at work: links, peripherals, board and script; the ledger, the log and the verdict.
//!
//! [`Rig`] is what a file describes, [`Bench`] the bench it sets up, [`run_simulated`](run::run_simulated)
//! moves it along in simulated time. `payrig_link::drive` moves the same bench with the wall clock.

mod bench;
mod bus;
mod event;
mod fault;
mod node;
pub mod nodes;
mod observation;
mod ports;
pub mod rig;
pub mod run;
mod script;
mod setup;
mod virtual_bus;
mod wiring;

pub use bench::Bench;
pub use bus::BusId;
pub use event::Event;
pub use fault::{Fault, FaultInjector, FaultKind, FrameKind, Incoming, Injected};
pub use node::{Input, LineEdge, Node, NodeId, Output, Refusal, Shown};
pub use observation::{Missed, Observation, Observed};
pub use ports::{BusAt, LineLevel, Outbound};
pub use rig::{Rig, RigError};
pub use virtual_bus::{Heard, VirtualBus};

/// The rig that is built in: a changer, a bill validator with escrow and a cashless device on a
/// virtual bus, and a board that sells a snack.
pub const FIRST_VEND: &str = include_str!("../../../bench-rigs/first-vend.toml");
