//! A unit now and at its last visit: what got worse, what got better, and how its times drift.

use payrig_exam::{Examination, Grade, Outcome};
use payrig_report::{Figures, figures};
use payrig_units::Micros;
use std::collections::BTreeMap;

/// A check that came out otherwise than before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Turn {
    /// The check.
    pub id: String,
    /// How it came out before; `None` for a check there was not.
    pub before: Option<Outcome>,
    /// How it came out now; `None` for a check that is no longer done.
    pub now: Option<Outcome>,
    /// What was seen now (before, where it is no longer done).
    pub seen: String,
}

/// A series of times then and now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Drift {
    /// What was measured.
    pub what: String,
    /// The limit now.
    pub limit_us: Option<Micros>,
    /// Then.
    pub before: Figures,
    /// Now.
    pub now: Figures,
    /// True when the median moved by more than both measurements may be off together.
    pub certain: bool,
}

impl Drift {
    /// By how much the median moved, in microseconds: above zero for slower.
    #[must_use]
    pub fn median_moved_us(&self) -> i128 {
        i128::from(self.now.median.as_us()) - i128::from(self.before.median.as_us())
    }
}

/// Two examinations of one unit held against each other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Comparison {
    /// The grade then and now.
    pub grade: (Grade, Grade),
    /// Checks that came out worse.
    pub worse: Vec<Turn>,
    /// Checks that came out better.
    pub better: Vec<Turn>,
    /// Checks that cannot be held against each other: new, gone, skipped once.
    pub other: Vec<Turn>,
    /// How many came out alike.
    pub alike: usize,
    /// Times measured both then and now, in the order of now.
    pub drifts: Vec<Drift>,
}

/// How bad an outcome is; `None` where it says nothing about the unit.
const fn badness(outcome: Outcome) -> Option<u8> {
    match outcome {
        Outcome::Pass => Some(0),
        Outcome::CannotTell => Some(1),
        Outcome::Fail => Some(2),
        Outcome::Skipped => None,
    }
}

/// How bad a grade is; `None` for one that does not speak of the whole unit.
const fn rank(grade: Grade) -> Option<u8> {
    match grade {
        Grade::Fit => Some(0),
        Grade::FitWithRemarks => Some(1),
        Grade::NotFit => Some(2),
        Grade::Partial | Grade::OneCheck => None,
    }
}

impl Comparison {
    /// True when a check or the grade is worse than before.
    #[must_use]
    pub fn is_worse(&self) -> bool {
        let grades = rank(self.grade.0).zip(rank(self.grade.1));
        !self.worse.is_empty() || grades.is_some_and(|(before, now)| now > before)
    }
}

/// Holds an examination against the one before.
#[must_use]
pub fn compare(before: &Examination, now: &Examination) -> Comparison {
    let mut old: BTreeMap<&str, _> = before.checks.iter().map(|c| (c.id.as_str(), c)).collect();
    let mut comparison = Comparison {
        grade: (before.grade, now.grade),
        worse: Vec::new(),
        better: Vec::new(),
        other: Vec::new(),
        alike: 0,
        drifts: Vec::new(),
    };
    for check in &now.checks {
        let then = old.remove(check.id.as_str()).map(|c| c.outcome);
        let turn = Turn {
            id: check.id.clone(),
            before: then,
            now: Some(check.outcome),
            seen: check.seen.clone(),
        };
        if then == Some(check.outcome) {
            comparison.alike += 1;
            continue;
        }
        match then.and_then(badness).zip(badness(check.outcome)) {
            Some((then, now)) if now > then => comparison.worse.push(turn),
            Some(_) => comparison.better.push(turn),
            None => comparison.other.push(turn),
        }
    }
    for check in before
        .checks
        .iter()
        .filter(|c| old.contains_key(c.id.as_str()))
    {
        comparison.other.push(Turn {
            id: check.id.clone(),
            before: Some(check.outcome),
            now: None,
            seen: check.seen.clone(),
        });
    }
    let may_be_off = before.uncertainty_us + now.uncertainty_us;
    let then = before.series();
    for series in now.series() {
        let old = then.iter().find(|s| s.what == series.what);
        let both = old
            .and_then(|old| figures(&old.values_us))
            .zip(figures(&series.values_us));
        if let Some((before, now)) = both {
            comparison.drifts.push(Drift {
                what: series.what,
                limit_us: series.limit_us,
                before,
                now,
                certain: before.median.abs_diff(now.median) > may_be_off,
            });
        }
    }
    comparison
}
