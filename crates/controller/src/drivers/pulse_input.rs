//! The board's credit input for one pulse acceptor, and the line that holds the acceptor off.

use crate::drivers::report::Report;
use payrig_pulse::{CreditCounter, Profile};
use payrig_units::{Micros, Money, words};
use payrig_wire::Edge;
use std::collections::BTreeMap;

/// An acceptor on pulse lines, as the board knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PulseLink {
    /// What the two agree on.
    pub profile: Profile,
    /// What the acceptor may bring in at once; empty when that is not known.
    pub values: Vec<Money>,
}

/// Counts the pulses of one acceptor into credit, and holds the acceptor off.
#[derive(Clone, Debug)]
pub(crate) struct PulseInput {
    name: String,
    link: PulseLink,
    counter: CreditCounter,
    /// The levels of the lines, which are there whether the board has power or not.
    levels: BTreeMap<String, bool>,
    held_off: Option<bool>,
    edges: Vec<Edge>,
    reports: Vec<Report>,
}

impl PulseInput {
    pub(crate) fn new(name: String, link: PulseLink) -> Self {
        Self {
            name,
            counter: CreditCounter::new(link.profile.clone(), Micros::ZERO),
            link,
            levels: BTreeMap::new(),
            held_off: None,
            edges: Vec::new(),
            reports: Vec::new(),
        }
    }

    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// What the acceptor may bring in at once.
    pub(crate) fn values(&self) -> &[Money] {
        &self.link.values
    }

    /// A line's level when the bench begins.
    pub(crate) fn level(&mut self, now: Micros, line: &str, high: bool) {
        self.levels.insert(line.to_owned(), high);
        self.counter.start_level(line, now, high);
    }

    /// The board's power comes or goes. Its program starts afresh, and so does its count; an
    /// output without power is released, and its line goes to the level the profile says.
    pub(crate) fn power(&mut self, now: Micros, on: bool) {
        if on {
            self.counter = CreditCounter::new(self.link.profile.clone(), Micros::ZERO);
            for (line, high) in &self.levels {
                self.counter.start_level(line, now, *high);
            }
        } else {
            self.put(now, self.link.profile.inhibit.unpowered_level());
        }
        self.held_off = None;
    }

    /// Holds the acceptor off, or releases it to take money.
    pub(crate) fn hold_off(&mut self, now: Micros, on: bool) {
        if self.held_off != Some(on) {
            self.held_off = Some(on);
            self.put(now, self.link.profile.inhibit.inhibits.is_high() == on);
            self.counter.inhibit(now, on);
        }
    }

    fn put(&mut self, at: Micros, high: bool) {
        self.edges.push(Edge { at, high });
    }

    /// Edges of the inhibit line since the last call: line and edge.
    pub(crate) fn take_edges(&mut self) -> Vec<(String, Edge)> {
        let line = &self.link.profile.inhibit.line;
        let edges = std::mem::take(&mut self.edges);
        edges.into_iter().map(|e| (line.clone(), e)).collect()
    }

    /// An edge of a line, whose time may be off by `uncertainty` either way.
    pub(crate) fn edge(&mut self, powered: bool, line: &str, edge: Edge, uncertainty: Micros) {
        self.levels.insert(line.to_owned(), edge.high);
        if powered {
            self.counter
                .edge_within(line, edge.at, edge.high, uncertainty);
            self.collect();
        }
    }

    pub(crate) fn wake(&mut self, now: Micros) {
        if now >= self.counter.next_deadline() {
            self.counter.idle(now);
            self.collect();
        }
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        self.counter.next_deadline()
    }

    pub(crate) fn is_quiet(&self) -> bool {
        self.reports.is_empty() && self.counter.next_deadline() == Micros::NEVER
    }

    pub(crate) fn take_reports(&mut self) -> Vec<Report> {
        std::mem::take(&mut self.reports)
    }

    fn collect(&mut self) {
        let trains = self.counter.take_trains();
        for (credit, train) in self.counter.take_credits().into_iter().zip(trains) {
            if !credit.amount.is_zero() {
                let device = self.name.clone();
                let what = format!(
                    "{} on {}",
                    words::count(credit.pulses, "pulse"),
                    credit.line
                );
                self.reports.push(Report::Credit {
                    device,
                    value: credit.amount,
                    what,
                });
            }
            let all = u64::try_from(train.count()).unwrap_or(u64::MAX);
            let refused = all.saturating_sub(credit.pulses);
            if refused > 0 {
                let text = format!(
                    "{}: {refused} of {} on {} not counted: not the width set here",
                    self.name,
                    words::count(all, "pulse"),
                    credit.line
                );
                self.reports.push(Report::Notice(text));
            }
        }
        // What is wrong with the lines is for whoever measures them to say.
        self.counter.take_findings();
    }
}
