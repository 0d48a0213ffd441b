//! Examinations: named checks of a board or a device, and what came of them.

mod result;

pub use result::{CheckResult, Examination, Grade, Interval, Outcome, Subject};
