//! The board's credit input for one pulse acceptor.

use crate::Report;
use payrig_pulse::{CreditCounter, Profile};
use payrig_units::Micros;
use payrig_wire::Edge;

/// Counts the pulses of one acceptor into credit.
#[derive(Debug)]
pub(crate) struct PulseInput {
    name: String,
    counter: CreditCounter,
    reports: Vec<Report>,
}

impl PulseInput {
    pub(crate) fn new(name: String, profile: Profile) -> Self {
        let counter = CreditCounter::new(profile, Micros::ZERO);
        Self {
            name,
            counter,
            reports: Vec::new(),
        }
    }

    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    pub(crate) fn edge(&mut self, line: &str, edge: Edge) {
        self.counter.edge(line, edge.at, edge.high);
        self.collect();
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
        for credit in self.counter.take_credits() {
            if !credit.amount.is_zero() {
                let device = self.name.clone();
                let what = format!("{} pulses on {}", credit.pulses, credit.line);
                self.reports.push(Report::Credit {
                    device,
                    value: credit.amount,
                    what,
                });
            }
        }
        for finding in self.counter.take_findings() {
            self.reports
                .push(Report::Notice(format!("{}: {}", self.name, finding.text)));
        }
    }
}
