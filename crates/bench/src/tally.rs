//! The last line of a log: what was counted, and the verdict.

use crate::analyst::Analyst;
use payrig_units::Micros;
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
        let mut parts = vec![counted(blocks, "block"), counted(limits, "finding")];
        if trains > 0 {
            parts.insert(1, counted(trains, "pulse train"));
        }
        if advice == 1 {
            parts.push("1 piece of advice".to_owned());
        } else {
            parts.push(format!("{advice} pieces of advice"));
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

fn counted(n: u64, thing: &str) -> String {
    let plural = if n == 1 { "" } else { "s" };
    format!("{n} {thing}{plural}")
}
