//! Reports waiting for the VMC: in order, each until it is acknowledged (sections 2.2, 7.3.1).

use payrig_mdb::Block;
use payrig_mdb::cashless::{Mode, Report, Response};
use payrig_units::Micros;
use std::collections::VecDeque;

#[derive(Clone, Debug)]
struct Waiting {
    report: Report,
    ready: Micros,
    sent: bool,
    in_flight: bool,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Outbox {
    queue: VecDeque<Waiting>,
}

/// What went out: the block, and the reports sent for the first time.
pub(super) struct Outgoing {
    pub(super) block: Block,
    pub(super) first_time: Vec<Report>,
}

impl Outbox {
    pub(super) fn push(&mut self, report: Report, ready: Micros) {
        self.queue.push_back(Waiting {
            report,
            ready,
            sent: false,
            in_flight: false,
        });
    }

    pub(super) fn clear(&mut self) {
        self.queue.clear();
    }

    pub(super) fn holds(&self, which: impl Fn(&Report) -> bool) -> bool {
        self.queue.iter().any(|w| which(&w.report))
    }

    /// Forgets reports. True when there were any.
    pub(super) fn forget(&mut self, which: impl Fn(&Report) -> bool) -> bool {
        let before = self.queue.len();
        self.queue.retain(|w| !which(&w.report));
        self.queue.len() != before
    }

    /// Forgets reports that went out at least once: the VMC's next step shows it heard them.
    pub(super) fn forget_sent(&mut self, which: impl Fn(&Report) -> bool) {
        self.queue.retain(|w| !(w.sent && which(&w.report)));
    }

    /// Sends what is ready and fits, in order.
    pub(super) fn send(&mut self, now: Micros, mode: &Mode) -> Option<Outgoing> {
        let ready: Vec<usize> = self.indices(|w| w.ready <= now);
        let reports = self.reports(&ready);
        let response = Response::Poll(reports);
        let fitting = response.fitting(mode);
        self.fly(response, ready.get(..fitting).unwrap_or(&ready), mode)
    }

    /// Sends the newest of some reports alone, if it is ready.
    pub(super) fn send_newest(
        &mut self,
        now: Micros,
        mode: &Mode,
        which: impl Fn(&Report) -> bool,
    ) -> Option<Outgoing> {
        let newest = *self.indices(|w| which(&w.report)).last()?;
        if !self.indices(|w| w.ready <= now).contains(&newest) {
            return None;
        }
        let reports = self.reports(&[newest]);
        self.fly(Response::Direct(reports), &[newest], mode)
    }

    fn indices(&self, which: impl Fn(&Waiting) -> bool) -> Vec<usize> {
        let all = self.queue.iter().enumerate();
        all.filter(|(_, w)| which(w)).map(|(n, _)| n).collect()
    }

    fn reports(&self, indices: &[usize]) -> Vec<Report> {
        let found = indices.iter().filter_map(|n| self.queue.get(*n));
        found.map(|w| w.report.clone()).collect()
    }

    fn fly(&mut self, response: Response, indices: &[usize], mode: &Mode) -> Option<Outgoing> {
        let block = response.emit(mode)?;
        let mut first_time = Vec::new();
        for n in indices {
            if let Some(waiting) = self.queue.get_mut(*n) {
                if !waiting.sent {
                    first_time.push(waiting.report.clone());
                }
                waiting.sent = true;
                waiting.in_flight = true;
            }
        }
        Some(Outgoing { block, first_time })
    }

    /// The last sending was acknowledged: its reports.
    pub(super) fn acknowledged(&mut self) -> Vec<Report> {
        let mut done = Vec::new();
        self.queue.retain(|w| {
            if w.in_flight {
                done.push(w.report.clone());
            }
            !w.in_flight
        });
        done
    }

    /// The last sending was not acknowledged: it is due again.
    pub(super) fn unacknowledged(&mut self) {
        for waiting in &mut self.queue {
            waiting.in_flight = false;
        }
    }
}
