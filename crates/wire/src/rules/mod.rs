//! The timing rules and what breaks them: limits of the standard and, kept apart, advice.

mod advice;
mod finding;
mod judge;
mod monitor;
mod naming;
mod severity;
mod table;

pub use finding::{Certainty, Finding};
pub use judge::Judge;
pub use monitor::{Monitor, Observed};
pub use naming::{Origin, Party, RuleName};
pub use severity::Severity;
pub use table::{
    BREAK, BusRule, INTER_BYTE, INTER_BYTE_MARGIN, INTER_BYTE_TOLERATED, POLL_LONGEST,
    POLL_RECOMMENDED, POLL_SHORTEST, RESPONSE, RESPONSE_MARGIN, RESPONSE_TOLERATED, RULES, Rule,
    SETUP, rule,
};
