//! Examinations: named checks of a board or a device, and what came of them.

pub mod board;
mod check;
pub mod device;
mod gather;
pub mod operator;
mod outside;
mod remains;
mod result;
mod stop;
pub mod wire;

pub use check::{COMMON_PRACTICE, Check, Quirk, Run, Seen, Weight};
pub use remains::Remains;
pub use result::{CheckResult, Examination, Grade, Interval, Outcome, Subject};
pub use stop::Stop;

#[cfg(test)]
mod appendix_3;
