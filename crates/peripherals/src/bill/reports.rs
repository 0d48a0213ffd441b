//! What is still to be reported: each report stays until acknowledged (MDB/ICP 4.3, section 2.2).

use payrig_mdb::bill::{MAX_REPORTS, Report, Routing};

/// The most attempts one report can hold: five bits (section 6.3, 010xxxxx).
const MAX_ATTEMPTS: u8 = 31;
/// Reports waiting at most; what happens beyond is not reported, so that a bench on which nobody
/// polls does not grow without end.
const MAX_WAITING: usize = 4_096;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Entry {
    report: Report,
    /// In the answer whose acknowledgment is awaited.
    in_flight: bool,
    /// In some answer, acknowledged or not.
    said: bool,
    /// Put back after its acknowledgment (a quirk); not put back again.
    repeated: bool,
}

/// A queue of reports, oldest first.
#[derive(Clone, Debug, Default)]
pub(super) struct Reports {
    entries: Vec<Entry>,
}

impl Reports {
    pub(super) fn push(&mut self, report: Report) {
        if self.entries.len() < MAX_WAITING {
            self.entries.push(Entry {
                report,
                in_flight: false,
                said: false,
                repeated: false,
            });
        }
    }

    /// One more attempt to put in a bill while disabled. Joined with the attempts not reported yet.
    pub(super) fn attempt(&mut self) {
        for entry in self.entries.iter_mut().filter(|e| !e.said) {
            if let Report::AttemptsWhileDisabled(n) = &mut entry.report
                && *n < MAX_ATTEMPTS
            {
                *n += 1;
                return;
            }
        }
        self.push(Report::AttemptsWhileDisabled(1));
    }

    /// The reports for one answer: JUST RESET alone, so that it is heard before anything that came
    /// after it, otherwise the oldest that `may` be reported. They stay queued until
    /// [`acknowledged`](Self::acknowledged).
    pub(super) fn take_for_answer(&mut self, may: impl Fn(Report) -> bool) -> Vec<Report> {
        let alone = |e: &Entry| e.report == Report::JustReset;
        let most = match self.entries.first() {
            Some(first) if alone(first) => 1,
            _ => MAX_REPORTS,
        };
        let mut said = Vec::new();
        for entry in &mut self.entries {
            if said.len() == most {
                break;
            }
            if may(entry.report) {
                (entry.in_flight, entry.said) = (true, true);
                said.push(entry.report);
            }
        }
        said
    }

    /// The answer arrived: what it reported is forgotten; bill routings are reported once more when
    /// `repeat` is set (a quirk).
    pub(super) fn acknowledged(&mut self, repeat: bool) {
        self.entries.retain_mut(|entry| {
            let done = entry.in_flight;
            let bill = matches!(entry.report, Report::Bill { .. });
            let keep = !done || repeat && bill && !entry.repeated;
            entry.repeated |= done;
            entry.in_flight = false;
            keep
        });
    }

    /// The answer did not arrive: all is reported again.
    pub(super) fn unacknowledged(&mut self) {
        for entry in &mut self.entries {
            entry.in_flight = false;
        }
    }

    /// A reset that keeps what the VMC must still hear of bills (stacked, recycled, returned),
    /// since 2.2 lets no unacknowledged report be dropped. ESCROW POSITION is not kept: after
    /// JUST RESET no bill is in escrow. Returns true when one was dropped that was never reported.
    pub(super) fn reset(&mut self) -> bool {
        let escrow = |e: &Entry| matches!(e.report, Report::Bill { routing, .. } if routing == Routing::EscrowPosition);
        let unheard = self.entries.iter().any(|e| escrow(e) && !e.said);
        self.entries.retain_mut(|entry| {
            entry.in_flight = false;
            matches!(
                entry.report,
                Report::Bill {
                    routing: Routing::Stacked | Routing::ToRecycler | Routing::Returned,
                    ..
                }
            )
        });
        unheard
    }

    /// Everything is forgotten. Returns the reports of stored bills among it: money of which the
    /// VMC will never hear.
    pub(super) fn forget(&mut self) -> Vec<Report> {
        let secure = |r: &Report| matches!(r, Report::Bill { routing, .. } if routing.is_secure());
        let entries = std::mem::take(&mut self.entries);
        let lost = entries.into_iter().filter(|e| !e.repeated);
        lost.map(|e| e.report).filter(secure).collect()
    }

    pub(super) fn push_first(&mut self, report: Report) {
        self.push(report);
        self.entries.rotate_right(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(_: Report) -> bool {
        true
    }

    #[test]
    fn reports_stay_until_acknowledged_and_new_ones_are_appended() {
        let mut reports = Reports::default();
        reports.push(Report::BillRejected);
        assert_eq!(reports.take_for_answer(all), [Report::BillRejected]);
        reports.push(Report::BillRemoved);
        reports.unacknowledged();
        let both = [Report::BillRejected, Report::BillRemoved];
        assert_eq!(reports.take_for_answer(all), both);
        reports.push(Report::SensorProblem);
        reports.acknowledged(false);
        assert_eq!(reports.take_for_answer(all), [Report::SensorProblem]);
        reports.acknowledged(false);
        assert_eq!(reports.take_for_answer(all), []);
    }

    /// Section 6.3, 33H: up to 16 bytes in one answer; 31 attempts in one report.
    #[test]
    fn sixteen_at_a_time_and_thirty_one_attempts() {
        let mut reports = Reports::default();
        for _ in 0..40 {
            reports.attempt();
        }
        let said = reports.take_for_answer(all);
        assert_eq!(
            said,
            [
                Report::AttemptsWhileDisabled(31),
                Report::AttemptsWhileDisabled(9)
            ]
        );
        // Attempts during an answer are not added to what was already reported.
        reports.attempt();
        reports.acknowledged(false);
        assert_eq!(
            reports.take_for_answer(all),
            [Report::AttemptsWhileDisabled(1)]
        );
        reports.acknowledged(false);
        (0..20).for_each(|_| reports.push(Report::BillRejected));
        assert_eq!(reports.take_for_answer(all).len(), 16);
        reports.acknowledged(false);
        assert_eq!(reports.take_for_answer(all).len(), 4);
    }

    #[test]
    fn just_reset_is_said_alone() {
        let mut reports = Reports::default();
        reports.push(Report::BillRejected);
        reports.push_first(Report::JustReset);
        assert_eq!(reports.take_for_answer(all), [Report::JustReset]);
        reports.acknowledged(false);
        assert_eq!(reports.take_for_answer(all), [Report::BillRejected]);
    }
}
