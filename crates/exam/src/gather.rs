//! Gathering what the benches of single checks leave behind into one examination. Every check has a
//! bench whose clock begins at zero; in the examination they come one after another.

use crate::Stop;
use crate::causes::{Relation, Told, causes};
use crate::check::Check;
use crate::evidence::Evidence;
use crate::grade::grade;
use crate::person::SeenBy;
use crate::result::{
    Balance, CheckResult, EMULATED, Examination, Grade, Interval, Outcome, Subject,
};
use crate::seen::Seen;
use crate::selection::Selection;
use crate::skip::Skip;
use payrig_units::{Decimals, LedgerEntry, Micros, Money};
use payrig_wire::Finding;
use payrig_wire::recording::{Entry, TrainRecord};
use std::collections::BTreeMap;

/// Between one check and the next in the examination's time.
const BETWEEN: Micros = Micros::secs(1);

/// Runs checks one after another, each on a bench of its own, and gathers them into one
/// examination; `only` picks some by names and patterns ([`Selection`]), `each` gets every result as it comes. Once `stop` is
/// asked for, the checks that are left are skipped.
pub(crate) fn examine<'a, B: 'a, S: 'a>(
    checks: impl Iterator<Item = &'a Check<B, S>>,
    relations: &[Relation],
    only: Option<&str>,
    stop: &Stop,
    mut run: impl FnMut(&Check<B, S>) -> (Seen, Option<Evidence>),
    mut each: impl FnMut(&CheckResult, &[Entry]),
    (subject, decimals): (Subject, Decimals),
) -> Examination {
    let mut gathered = Gathered::default();
    let mut told: Vec<(Option<&'static str>, bool)> = Vec::new();
    let selection = Selection::of(only);
    let (wanted, left_out): (Vec<_>, Vec<_>) = checks.partition(|c| selection.wants(c.id));
    for (number, check) in (1..).zip(wanted) {
        let _check = tracing::info_span!(target: "payrig::check", "check", id = check.id).entered();
        let (seen, evidence) = match stop.is_asked() {
            true => (Seen::skipped(Skip::Stopped), None),
            false => run(check),
        };
        told.push((seen.matter_of, seen.reached));
        let (result, entries) = gathered.add(check, seen, evidence, number);
        tracing::debug!(target: "payrig::check", outcome = ?result.outcome, seen = result.seen);
        each(&result, &entries);
        gathered.checks.push(result);
    }
    let mut examination = gathered.examination(subject, decimals);
    let told = examination.checks.iter().zip(told);
    let told: Vec<Told<'_>> = told
        .map(|(result, (matter_of, reached))| Told {
            result,
            matter_of,
            reached,
        })
        .collect();
    examination.causes = causes(&told, relations);
    examination.left_out = left_out.iter().map(|check| check.id.to_owned()).collect();
    (examination.grade, examination.reasons) = grade(
        &examination.checks,
        &examination.causes,
        &examination.left_out,
    );
    examination
}

/// What was gathered so far.
#[derive(Debug, Default)]
struct Gathered {
    now: Micros,
    uncertainty: Micros,
    checks: Vec<CheckResult>,
    findings: Vec<Finding>,
    intervals: Vec<Interval>,
    trains: Vec<TrainRecord>,
    movements: Vec<LedgerEntry>,
    balances: BTreeMap<String, Money>,
}

impl Gathered {
    /// A check is over. What came of it, and what is to be recorded of it.
    fn add<B, S>(
        &mut self,
        check: &Check<B, S>,
        seen: Seen,
        evidence: Option<Evidence>,
        number: u32,
    ) -> (CheckResult, Vec<Entry>) {
        // On a port the clock is one for all checks; in simulated time each begins at zero.
        let (by, from, to) = match &evidence {
            Some(evidence) if evidence.live => (Micros::ZERO, evidence.began, evidence.now),
            Some(evidence) => (self.now, self.now, self.now + evidence.now),
            None => (self.now, self.now, self.now),
        };
        let mut seen = seen;
        let mut entries = Vec::new();
        if let Some(evidence) = evidence {
            seen.by = seen.by.max(evidence.seen_by);
            if let Some(over) = &evidence.over {
                seen.outcome = over.outcome;
                seen.text.clone_from(&over.text);
                seen.skip.clone_from(&over.skip);
            }
            if (seen.by, seen.outcome) == (SeenBy::Nobody, Outcome::Fail) {
                // Nothing is held against a subject that nobody saw.
                seen.outcome = Outcome::CannotTell;
            }
            entries = self.keep(evidence, by);
            self.now = to + if by == from { BETWEEN } else { Micros::ZERO };
        }
        let result = check.result(seen, from, to);
        entries.push(Entry::Step {
            at_us: to,
            number,
            text: format!("check {}: {}", check.id, result.title),
            passed: match result.outcome {
                Outcome::Pass => Some(true),
                Outcome::Fail => Some(false),
                Outcome::CannotTell | Outcome::Skipped => None,
            },
            why: (result.outcome != Outcome::Pass).then(|| result.seen.clone()),
        });
        (result, entries)
    }

    /// Keeps what a bench left behind, `from` later, and gives its recording back.
    fn keep(&mut self, evidence: Evidence, from: Micros) -> Vec<Entry> {
        self.uncertainty = self.uncertainty.max(evidence.uncertainty);
        self.findings
            .extend(evidence.findings.into_iter().map(|mut f| {
                f.at += from;
                f
            }));
        self.trains.extend(evidence.trains.into_iter().map(|mut t| {
            t.start_us += from;
            t
        }));
        let entries = evidence.books.ledger().entries().iter();
        self.movements.extend(entries.cloned().map(|mut entry| {
            entry.at += from;
            entry.word_at = entry.word_at.map(|at| at + from);
            entry
        }));
        for (place, amount) in evidence.books.ledger().balances() {
            let sum = self.balances.entry(place.to_string()).or_default();
            *sum = sum.saturating_add(amount);
        }
        for interval in evidence.intervals {
            if interval.values_us.is_empty() {
                continue;
            }
            match self.intervals.iter_mut().find(|i| i.what == interval.what) {
                Some(known) => known.values_us.extend(interval.values_us),
                None => self.intervals.push(interval),
            }
        }
        let entries = evidence.entries.into_iter();
        entries.map(|entry| entry.shifted(from)).collect()
    }

    /// The whole; grade and reasons are still to be given.
    fn examination(self, subject: Subject, decimals: Decimals) -> Examination {
        Examination {
            subject,
            date: String::new(),
            tool: concat!("payrig ", env!("CARGO_PKG_VERSION")).to_owned(),
            link: EMULATED.to_owned(),
            uncertainty_us: self.uncertainty,
            checks: self.checks,
            grade: Grade::Fit,
            reasons: Vec::new(),
            causes: Vec::new(),
            left_out: Vec::new(),
            findings: self.findings,
            intervals: self.intervals,
            trains: self.trains,
            movements: self.movements,
            balances: self
                .balances
                .into_iter()
                .map(|(place, amount)| Balance { place, amount })
                .collect(),
            decimals,
            recording_sha256: String::new(),
        }
    }
}
