//! What is made of what was on the wires: blocks with their meaning and findings ([`Analyst`]),
//! pulse trains against their profile ([`PulseLines`]), and where every cent went ([`Books`]). The
//! same code looks at a running bench, at its recording and at a capture, so that all three come to
//! the same verdict.
//!
//! ```
//! use payrig_units::{Decimals, Micros, Money, Movement, Place};
//! use payrig_wire::analysis::Books;
//!
//! // The changer took 0.25, the board credited 1.00.
//! let mut books = Books::new();
//! let changer = || "changer".to_owned();
//! for (from, to, amount) in [
//!     (Place::Customer, Place::Tube(changer(), 2), 25),
//!     (Place::BoardReceived(changer()), Place::BoardCredit, 100),
//! ] {
//!     let movement = Movement { from, to, amount: Money(amount), why: String::new() };
//!     books.book(Micros::ms(300), None, movement)?;
//! }
//! let wrong = books.discrepancies();
//! assert_eq!(wrong.len(), 1);
//! assert!(wrong[0].text(Decimals(2)).contains("1.00"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod analyst;
mod approvals;
mod books;
mod outages;
mod pulse_lines;
mod pulse_words;
mod tally;

pub use analyst::Analyst;
pub use books::{Books, Discrepancy};
pub use pulse_lines::{Counted, PulseLines};
pub use tally::Tally;

use crate::recording::Entry;
use crate::{Finding, Origin, Party, RuleName, Severity};
use payrig_pulse::{PulseFinding, Severity as PulseSeverity};
use payrig_units::Micros;

/// A breach that is not the bus's: of money, of the script.
#[must_use]
pub fn breach(rule: RuleName, origin: Origin, at: Micros, text: String) -> Finding {
    Finding::limit(rule, at, text).from_origin(origin)
}

/// What a log says of a stretch that this tool slept through: it did not look from `from` until, at
/// `to`, what had piled up was read. For every analyst and all pulse lines the stretch is left out of
/// the verdict as well ([`Analyst::slept`], [`PulseLines::slept`]).
#[must_use]
pub fn slept(from: Micros, to: Micros) -> [Entry; 2] {
    let text = format!(
        "this tool did not look for {}: it was stopped, or the machine was busy with something else. What \
         was on the wires then is left out of the verdict, and accuses nobody",
        to.since(from)
    );
    let (from_us, to_us) = (from, to);
    [
        Entry::Slept { from_us, to_us },
        Entry::Finding(Finding::advice(RuleName::Slept, from, text)),
    ]
}

/// A pulse finding as a finding of the log.
#[must_use]
pub fn pulse_finding(found: &PulseFinding) -> Finding {
    Finding {
        severity: match found.severity {
            PulseSeverity::Limit => Severity::Limit,
            PulseSeverity::Advice => Severity::Advice,
        },
        measured: found.measured,
        who: Some(Party::Line(found.line.as_str().into())),
        ..breach(
            RuleName::Pulse(found.rule),
            Origin::CommonPractice,
            found.at,
            found.text.clone(),
        )
    }
}
