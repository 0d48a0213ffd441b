//! Gathering what the benches of single checks leave behind into one examination. Every check has a
//! bench whose clock begins at zero; in the examination they come one after another.

use crate::check::{Check, Seen, Weight, grade};
use crate::device::Remains;
use crate::result::{CheckResult, Examination, Grade, Interval, Subject};
use payrig_units::{Decimals, LedgerEntry, Micros, Money};
use payrig_wire::Finding;
use payrig_wire::recording::TrainRecord;
use std::collections::BTreeMap;

/// Between one check and the next in the examination's time.
const BETWEEN: Micros = Micros::secs(1);

/// Runs checks one after another, each on a bench of its own, and gathers them into one
/// examination; `only` picks one by its name, `each` is told every result as it comes.
pub(crate) fn examine<'a, B: 'a, S: 'a>(
    checks: impl Iterator<Item = &'a Check<B, S>>,
    only: Option<&str>,
    run: impl Fn(&Check<B, S>) -> (Seen, Option<Remains>),
    mut each: impl FnMut(&CheckResult),
    subject: Subject,
    decimals: Decimals,
) -> Examination {
    let mut gathered = Gathered::default();
    let mut weights: Vec<Weight> = Vec::new();
    for check in checks.filter(|c| only.is_none_or(|id| id == c.id)) {
        let from = gathered.now;
        let (seen, remains) = run(check);
        let took = remains.as_ref().map_or(Micros::ZERO, |r| r.now);
        let result = check.result(seen, from, from + took);
        each(&result);
        weights.push(check.weight);
        gathered.add(result, remains);
    }
    let mut examination = gathered.examination(subject, decimals);
    let weighed = examination.checks.iter().zip(weights);
    (examination.grade, examination.reasons) = grade(weighed);
    examination
}

/// What was gathered so far.
#[derive(Debug, Default)]
struct Gathered {
    now: Micros,
    checks: Vec<CheckResult>,
    findings: Vec<Finding>,
    intervals: Vec<Interval>,
    trains: Vec<TrainRecord>,
    movements: Vec<LedgerEntry>,
    balances: BTreeMap<String, Money>,
}

impl Gathered {
    /// A check is over.
    fn add(&mut self, result: CheckResult, remains: Option<Remains>) {
        self.checks.push(result);
        let Some(remains) = remains else { return };
        let from = self.now;
        self.now = from + remains.now + BETWEEN;
        self.findings
            .extend(remains.findings.into_iter().map(|mut f| {
                f.at += from;
                f
            }));
        self.trains.extend(remains.trains.into_iter().map(|mut t| {
            t.start_us += from;
            t
        }));
        let entries = remains.books.ledger().entries().iter();
        self.movements.extend(entries.cloned().map(|mut entry| {
            entry.at += from;
            entry.word_at = entry.word_at.map(|at| at + from);
            entry
        }));
        for (place, amount) in remains.books.ledger().balances() {
            let sum = self.balances.entry(place.to_string()).or_default();
            *sum = sum.saturating_add(amount);
        }
        for interval in remains.intervals {
            if interval.values_us.is_empty() {
                continue;
            }
            match self.intervals.iter_mut().find(|i| i.what == interval.what) {
                Some(known) => known.values_us.extend(interval.values_us),
                None => self.intervals.push(interval),
            }
        }
    }

    /// The whole; grade and reasons are still to be given.
    fn examination(self, subject: Subject, decimals: Decimals) -> Examination {
        Examination {
            subject,
            date: String::new(),
            tool: concat!("payrig ", env!("CARGO_PKG_VERSION")).to_owned(),
            link: "virtual bus".to_owned(),
            uncertainty_us: Micros::ZERO,
            checks: self.checks,
            grade: Grade::Fit,
            reasons: Vec::new(),
            findings: self.findings,
            intervals: self.intervals,
            trains: self.trains,
            movements: self.movements,
            balances: self.balances.into_iter().collect(),
            decimals,
            recording_sha256: String::new(),
        }
    }
}
