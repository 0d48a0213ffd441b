//! The examination of a board before it is installed: the tool plays all peripherals.
//!
//! `checks` has the checks, a file per group; `table` their order; `runner` runs them, on an emulated
//! board or on one outside, working from its `habits`. A check speaks to a `bench`, which is arranged by a `setup`, and judges by
//! blocks that were `heard`. `bad_habit` and `hearing` make boards that misbehave.
//!
//! ```
//! use payrig_exam::{Outcome, board};
//!
//! let setup = board::BoardSetup::good()?;
//! let check = board::checks().next().unwrap();
//! let examination = board::examine(&setup, Some(check.id), |_, _| {});
//! assert_eq!(examination.checks[0].id, check.id);
//! assert_eq!(examination.checks[0].outcome, Outcome::Pass);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod bad_habit;
mod bench;
mod check;
mod checks;
mod habits;
mod heard;
mod hearing;
mod kit;
mod options;
mod relations;
mod runner;
mod setup;
mod short;
mod table;

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod habits_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod machine_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod outside_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod peer_tests;
#[cfg(test)]
mod tests;

pub use crate::link::{AcceptorLines, LineEvent};
pub use bench::{BoardBench, BoardOutside};
pub use habits::{Habit, Habits, LONGEST_DELIVERY, PRESUMPTIONS, presumed_by};
pub use heard::{HeardBlock, What};
pub use hearing::{Ghosts, LetsIn, Mishears};
pub use kit::{BillFor, CoinFor, Kit, Pick, Sum};
pub use options::{BoardOptions, preparation};
pub use relations::RELATIONS;
pub use runner::{examine, examine_outside, examine_until, plan, run_check};
pub use setup::{BoardSetup, Fitted};
pub use short::SHORT;
pub use table::{BoardCheck, checks, quirk, quirks};
