//! The last line of a log: what was counted, and the verdict.

use crate::analyst::Analyst;
use payrig_units::{Micros, words};
use payrig_wire::recording::Entry;

/// What a log holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tally {
    pub(crate) limits: u64,
    pub(crate) advice: u64,
    pub(crate) blocks: u64,
    pub(crate) trains: u64,
}

impl Tally {
    pub(crate) fn of(analyst: &Analyst, trains: u64) -> Self {
        let (limits, advice, blocks) = (analyst.limits(), analyst.advice(), analyst.blocks());
        Self {
            limits,
            advice,
            blocks,
            trains,
        }
    }

    /// The verdict: passed when no limit was broken.
    pub(crate) fn verdict(self, at_us: Micros) -> Entry {
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
