//! A session from BEGIN SESSION to END SESSION, and what each report does when it goes out and when
//! it is heard (sections 7.2.4, 7.4.4, 7.4.9).

use super::CashlessDevice;
use crate::Reply;
use crate::cashless::state::Phase;
use payrig_mdb::cashless::{BeginSession, Report};
use payrig_units::Micros;

impl CashlessDevice {
    /// Queues BEGIN SESSION for the open account.
    pub(super) fn begin_session(&mut self, now: Micros) {
        let Some(account) = self.account else { return };
        let session = BeginSession {
            funds: account.shown().map(|money| self.config.counts(money)),
            media: Some(account.card.media),
            user: account.card.user,
        };
        self.report(now, Report::BeginSession(session));
    }

    /// SESSION COMPLETE (7.4.9). Without a session it is ignored (Appendix 3, section 4).
    pub(super) fn session_complete(&mut self, now: Micros) -> Reply {
        match self.phase {
            Phase::SessionIdle { ending: false } => {
                self.phase = Phase::SessionIdle { ending: true };
                self.selection = None;
                self.outbox.forget(|r| {
                    is_begin(r)
                        || matches!(
                            r,
                            Report::SessionCancelRequest | Report::SelectionRequest(_)
                        )
                });
                let quirks = self.config.quirks;
                if quirks.never_ends_session {
                    return Reply::Ack;
                }
                self.report(now, Report::EndSession);
                if quirks.end_session_straight_after_session_complete {
                    return self.send_newest(now, |_| true);
                }
                self.answer_queued(now)
            }
            Phase::Vend(_) | Phase::Revalue(_) => self.out_of_sequence(now),
            _ => Reply::Ack,
        }
    }

    /// What a report does when it goes out for the first time.
    pub(super) fn was_sent(&mut self, report: &Report) {
        match report {
            Report::BeginSession(_) if matches!(self.phase, Phase::Enabled | Phase::Disabled) => {
                self.vends = 0;
                self.phase = Phase::SessionIdle { ending: false };
            }
            Report::VendApproved { .. } => self.approval_sent(),
            Report::VendDenied if matches!(self.phase, Phase::Vend(_)) => self.enter_session_idle(),
            Report::EndSession => self.end_session(),
            Report::RevalueApproved => self.revalue_sent(true),
            Report::RevalueDenied => self.revalue_sent(false),
            _ => {}
        }
    }

    /// What a report does when the VMC has acknowledged it.
    pub(super) fn was_heard(&mut self, now: Micros, report: &Report) {
        match report {
            Report::VendApproved { .. } => self.approval_heard(),
            Report::BeginSession(session)
                if self.config.quirks.begin_session_repeated
                    && self.phase == (Phase::SessionIdle { ending: false })
                    && self.vends == 0 =>
            {
                self.report(now, Report::BeginSession(*session));
            }
            _ => {}
        }
    }
}

/// BEGIN SESSION.
pub(super) fn is_begin(report: &Report) -> bool {
    matches!(report, Report::BeginSession(_))
}
