//! Examinations: named checks of a board or a device, and what came of them.

pub mod board;
mod check;
pub mod device;
mod evidence;
mod gather;
mod grade;
pub mod link;
mod outcome;
mod outside;
pub mod person;
mod recorder;
mod result;
mod seen;
mod skip;
mod stop;

pub use check::{COMMON_PRACTICE, Check, Quirk, Weight};
pub use evidence::Evidence;
pub use recorder::Recorder;
pub use result::{CheckResult, EMULATED, Examination, Grade, Interval, Outcome, Subject};
pub use seen::{Run, Seen};
pub use skip::Skip;
pub use stop::Stop;

#[cfg(test)]
mod appendix_3;
