//! What is left of a bench once its check is over.

use crate::person::SeenBy;
use crate::result::Interval;
use crate::seen::Seen;
use payrig_units::Micros;
use payrig_wire::Finding;
use payrig_wire::analysis::Books;
use payrig_wire::recording::{Entry, TrainRecord};

/// What is left of a bench once its check is over.
#[derive(Debug)]
pub struct Evidence {
    /// When it began: zero in simulated time.
    pub began: Micros,
    /// When it ended.
    pub now: Micros,
    /// Its times are those of a port, which goes on.
    pub live: bool,
    /// How far its times may be off.
    pub uncertainty: Micros,
    /// How late the tool itself spoke, at the worst.
    pub late_by: Micros,
    /// For how long altogether it did not look at the port.
    pub slept: Micros,
    /// Found on the wire.
    pub findings: Vec<Finding>,
    /// Measured.
    pub intervals: Vec<Interval>,
    /// Seen on the credit line.
    pub trains: Vec<TrainRecord>,
    /// Where money went.
    pub books: Books,
    /// All that happened, for the recording.
    pub entries: Vec<Entry>,
    /// Who saw what the check judged by.
    pub seen_by: SeenBy,
    /// What was asked of a person, or would have been.
    pub questions: usize,
    /// How the check really ended, where somebody or something was missing.
    pub over: Option<Seen>,
}

/// How long stretches last together.
pub(crate) fn slept_for(stretches: &[(Micros, Micros)]) -> Micros {
    let lengths = stretches.iter().map(|(from, to)| to.since(*from));
    lengths.fold(Micros::ZERO, |sum, length| sum + length)
}

impl Evidence {
    /// The same check was done before, on the same port, and left this.
    pub(crate) fn follow(&mut self, before: Self) {
        self.began = before.began;
        self.findings.splice(..0, before.findings);
        self.intervals.splice(..0, before.intervals);
        self.trains.splice(..0, before.trains);
        self.entries.splice(..0, before.entries);
        self.seen_by = self.seen_by.max(before.seen_by);
        for entry in before.books.ledger().entries() {
            // Amounts too large for the ledger do not occur on these benches.
            let _ = self
                .books
                .book(entry.at, entry.word_at, entry.movement.clone());
        }
    }
}
