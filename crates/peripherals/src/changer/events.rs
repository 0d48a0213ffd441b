//! Reports that wait for a POLL, and for its acknowledgement.

use super::Quirks;
use payrig_mdb::changer::{MAX_ACTIVITY, Report, SlugCount, Status};
use std::collections::VecDeque;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Event {
    report: Report,
    /// Reported once already, and acknowledged: here again because of a quirk.
    again: bool,
}

/// Events in the order in which they happened. What has been sent stays until acknowledged
/// (section 2.2).
#[derive(Clone, Debug, Default)]
pub(super) struct Events {
    queue: VecDeque<Event>,
    /// How many of the first were in the answer that is not acknowledged yet.
    sent: usize,
}

impl Events {
    pub(super) fn push(&mut self, report: Report) {
        self.queue.push_back(Event {
            report,
            again: false,
        });
    }

    /// Adds a status unless it waits already, not yet sent.
    pub(super) fn push_once(&mut self, status: Status) {
        let report = Report::Status(status);
        if !self
            .queue
            .iter()
            .skip(self.sent)
            .any(|e| e.report == report)
        {
            self.push(report);
        }
    }

    /// Counts a slug into the report that waits, if one does (section 5.3, POLL, Slug).
    pub(super) fn push_slug(&mut self) {
        let sent = self.sent;
        let waiting = self.queue.iter_mut().skip(sent);
        for event in waiting {
            if let Report::Slug(n) = &mut event.report {
                if let Some(more) = SlugCount::new(n.get() + 1) {
                    *n = more;
                }
                return;
            }
        }
        self.push(Report::Slug(SlugCount::saturating(1)));
    }

    /// After a reset: only what is money survives, and JUST RESET comes first.
    pub(super) fn reset(&mut self, quirks: Quirks) {
        self.sent = 0;
        self.queue.retain(|e| {
            let money = matches!(
                e.report,
                Report::CoinsDeposited { .. } | Report::CoinsDispensedManually { .. }
            );
            money && !quirks.reset_loses_report
        });
        if !quirks.no_just_reset {
            self.queue.push_front(Event {
                report: Report::JUST_RESET,
                again: false,
            });
        }
    }

    /// The reports for a POLL. JUST RESET goes alone, so that a controller which starts over on it
    /// finds the others afterwards (our choice; the standard leaves it open).
    pub(super) fn compose(&mut self, conditions: &[Status], quirks: Quirks) -> Vec<Report> {
        let mut reports = Vec::new();
        let mut size = conditions.len();
        self.sent = 0;
        for event in &self.queue {
            if size + event.report.size() > MAX_ACTIVITY {
                break;
            }
            size += event.report.size();
            reports.push(event.report);
            self.sent += 1;
            if event.report == Report::JUST_RESET || quirks.reports_one_coin_per_poll_only {
                break;
            }
        }
        if reports.first() != Some(&Report::JUST_RESET) {
            reports.extend(conditions.iter().map(|s| Report::Status(*s)));
        }
        if quirks.forgets_unacknowledged {
            self.acknowledged(quirks);
        }
        reports
    }

    pub(super) fn acknowledged(&mut self, quirks: Quirks) {
        let done: Vec<Event> = self
            .queue
            .drain(..self.sent.min(self.queue.len()))
            .collect();
        self.sent = 0;
        if quirks.duplicate_report_after_ack {
            for event in done.into_iter().rev() {
                if matches!(event.report, Report::CoinsDeposited { .. }) && !event.again {
                    self.queue.push_front(Event {
                        again: true,
                        ..event
                    });
                }
            }
        }
    }

    pub(super) fn unacknowledged(&mut self) {
        self.sent = 0;
    }

    pub(super) fn is_empty(&self) -> bool {
        self.queue.is_empty()
    }
}
