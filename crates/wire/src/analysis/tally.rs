//! The last line of a log: what was counted, and the verdict.

use super::{Analyst, breach};
use crate::recording::Entry;
use crate::{Finding, Origin, RuleName};
use payrig_units::{Micros, words};

/// What a log holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Breaches of limits.
    pub limits: u64,
    /// Pieces of advice.
    pub advice: u64,
    /// Blocks.
    pub blocks: u64,
    /// Pulse trains.
    pub trains: u64,
}

impl Tally {
    /// What an analyst has counted so far, and so many trains.
    #[must_use]
    pub fn of(analyst: &Analyst, trains: u64) -> Self {
        let (limits, advice, blocks) = (analyst.limits(), analyst.advice(), analyst.blocks());
        Self {
            limits,
            advice,
            blocks,
            trains,
        }
    }

    /// The finding of a log in which nothing happened ([`Entry::is_activity`]), which does not pass: nothing
    /// can be said of what was to be looked at. Where a limit was broken it has fallen short already. A run
    /// and a reading decide it alike.
    #[must_use]
    pub fn silence(self, activity: bool, at: Micros) -> Option<Finding> {
        let any = activity || self.blocks > 0 || self.trains > 0 || self.limits > 0;
        (!any).then(|| {
            let text = "not one block or pulse was read, so nothing can be said of what was to be looked at; \
                        see the advice";
            breach(RuleName::NothingRead, Origin::CommonPractice, at, text.to_owned())
        })
    }

    /// The verdict: passed when no limit was broken.
    #[must_use]
    pub fn verdict(self, at_us: Micros) -> Entry {
        let Self {
            limits,
            advice,
            blocks,
            trains,
        } = self;
        let passed = limits == 0;
        let mut parts = vec![
            words::count(blocks, "block"),
            words::count(limits, "finding"),
            words::count(advice, "piece of advice"),
        ];
        if trains > 0 {
            parts.insert(1, words::count(trains, "pulse train"));
        }
        let word = if passed { "passed" } else { "fell short" };
        let text = format!("{word}: {}", parts.join(", "));
        Entry::Verdict {
            at_us,
            passed,
            limits,
            advice,
            blocks,
            trains,
            text,
        }
    }
}
