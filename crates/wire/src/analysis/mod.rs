//! What is made of what was on the wires: blocks with their meaning and findings ([`Analyst`]),
//! pulse trains against their profile ([`PulseLines`]), and where every cent went ([`Books`]). The
//! same code looks at a running bench, at its recording and at a capture, so that all three come to
//! the same verdict.

mod analyst;
mod books;
mod outages;
mod pulse_lines;
mod pulse_words;
mod tally;

pub use analyst::Analyst;
pub use books::{Books, Discrepancy};
pub use pulse_lines::{Counted, PulseLines};
pub use tally::Tally;

use crate::{Finding, Severity};
use payrig_pulse::{PulseFinding, Severity as PulseSeverity};
use payrig_units::Micros;
use std::borrow::Cow;

/// A breach that is not the bus's: of money, of the script.
#[must_use]
pub fn breach(rule: &'static str, section: &'static str, at: Micros, text: String) -> Finding {
    let mut finding = Finding::advice(rule, at, text);
    finding.severity = Severity::Limit;
    finding.section = Cow::Borrowed(section);
    finding
}

/// A pulse finding as a finding of the log.
#[must_use]
pub fn pulse_finding(found: &PulseFinding) -> Finding {
    let rule = found.rule.name();
    let section = "common practice, no source";
    let mut finding = match found.severity {
        PulseSeverity::Limit => breach(rule, section, found.at, found.text.clone()),
        _ => Finding::advice(rule, found.at, found.text.clone()),
    };
    finding.section = Cow::Borrowed(section);
    finding.measured = found.measured;
    finding.who = Some(found.line.clone());
    finding
}
