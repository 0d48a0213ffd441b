//! Examinations: named checks of a board or a device, and what came of them.

mod advice;
pub mod board;
mod causes;
mod check;
pub mod device;
mod evidence;
mod gather;
mod grade;
pub mod link;
mod outcome;
mod outside;
pub mod peer;
pub mod person;
mod recorder;
mod result;
mod seen;
mod selection;
mod skip;
mod stop;

pub use causes::{Relation, Tie};
pub use check::{COMMON_PRACTICE, Check, Quirk, Weight};
pub use evidence::Evidence;
pub use grade::because_of_this;
pub use recorder::Recorder;
pub use result::{
    Balance, Cause, CheckResult, EMULATED, Examination, Grade, Interval, Outcome, Subject,
};
pub use seen::{Broken, Run, Seen};
pub use selection::Selection;
pub use skip::Skip;
pub use stop::Stop;

#[cfg(test)]
mod appendix_3;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod causes_tests;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
