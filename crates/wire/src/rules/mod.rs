//! The timing rules and what breaks them: limits of the standard and, kept apart, advice.
//!
//! ```
//! use payrig_units::Micros;
//! use payrig_wire::rules::{Certainty, RESPONSE, rule};
//!
//! let response = rule("response").unwrap();
//! assert!(response.section.contains("3.2"));
//! // 5.2 ms against 5.0 ms: broken, unless the time may be off by as much.
//! let measured = Micros::us(5_200);
//! assert_eq!(Certainty::at_most(measured, RESPONSE, Micros::ZERO), Certainty::Fail);
//! assert_eq!(Certainty::at_most(measured, RESPONSE, Micros::us(200)), Certainty::CannotTell);
//! ```

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
