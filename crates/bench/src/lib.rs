//! The bench: links, peripherals, board and script; the ledger, the log and the verdict.
//!
//! A [`Plan`] says what is on it, [`Bench`] is the bench set up from it,
//! [`run_simulated`](run::run_simulated) moves it along in simulated time. `payrig_link::drive` moves
//! the same bench with the wall clock. What can be done to a bench and looked for on it are
//! [`action`]s. No file format is known here: rig files become plans in `payrig-rig`.

pub mod action;
mod bench;
mod bus;
mod fault;
pub mod harness;
pub mod machine;
mod node;
pub mod nodes;
mod observation;
pub mod plan;
pub mod run;
mod setup;
mod virtual_bus;
mod wiring;

pub use bench::{Bench, BusAt, Event, LineLevel, OWN_LATENESS, Outbound};
pub use bus::BusId;
pub use fault::{Fault, FaultInjector, FaultKind, FrameKind, Incoming, Injected};
pub use node::{Input, LineEdge, Node, NodeId, Output, Refusal, Shown};
pub use observation::{Missed, Observation, Observed};
pub use plan::Plan;
pub use virtual_bus::{Heard, VirtualBus};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
