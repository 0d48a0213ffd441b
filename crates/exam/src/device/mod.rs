//! The examination of a device off the shelf: the tool plays the board.
//!
//! `checks` has the checks, a folder per kind and a file per group; `table` which of them a kind has,
//! and their order; `runner` runs them, on an emulated device or on one at the other end of a port. A
//! check speaks to a `bench` in `typed` messages. The subject is an emulated one (`subject`, on pulse
//! lines `pulse_unit`), which `habit` makes misbehave on the bus and `altered` in its answers, or a real
//! one, whose `reports` are all the bench knows of its money.
//!
//! ```
//! use payrig_exam::device::{Kind, checks, quirk, quirks};
//!
//! // Every check has a misbehaviour that it must catch.
//! let all = checks(Kind::BillValidator).count();
//! assert!(all > 10);
//! assert!(quirks(Kind::BillValidator).all(|q| quirk(Kind::BillValidator, q.name).is_some()));
//! ```

mod action;
mod altered;
mod bench;
mod check;
mod checks;
mod examiner;
pub mod habit;
pub(crate) mod layered;
mod messages;
mod outside_lines;
mod polling;
mod presumptions;
mod pulse_unit;
mod relations;
mod reports;
mod runner;
mod setup;
mod short;
mod subject;
mod table;
mod typed;

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod outside_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod presumptions_tests;
#[cfg(test)]
mod proof;
#[cfg(test)]
mod tests;

pub use action::{Answer, Close};
pub use bench::{Bench, Outside};
pub use check::DeviceCheck;
pub use outside_lines::{LinePort, OutsideLines};
pub use presumptions::{Leeway, PRESUMPTIONS};
pub use pulse_unit::pulse_lines;
pub use relations::RELATIONS;
pub use runner::{examine, examine_outside, examine_until, plan, run_check};
pub use setup::{Kind, PulseSetup, Setup};
pub use short::short;
pub use table::{checks, quirk, quirks};

use bench::POLL_EVERY;
