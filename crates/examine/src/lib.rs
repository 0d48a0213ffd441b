//! Examinations: named checks of a board or a device, and what came of them.

pub mod report;
mod result;
pub mod tickets;

pub use result::{CheckResult, Examination, Grade, Interval, Outcome, Subject};
