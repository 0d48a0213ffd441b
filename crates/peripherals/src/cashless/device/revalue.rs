//! Putting money on the card (sections 7.4.18, 7.4.19).

use super::CashlessDevice;
use crate::Reply;
use crate::cashless::state::{Phase, Revalue};
use payrig_mdb::cashless::{Options, Report};
use payrig_units::{Micros, Money};

impl CashlessDevice {
    /// The most the card in use can take; `None` when it can take nothing. Then the answer is
    /// REVALUE DENIED, not a limit of zero (Appendix 3, section 4).
    fn revalue_limit(&self) -> Option<Money> {
        let account = self.account.filter(|_| self.account_open)?;
        let max = self.config.max_balance?;
        let limit = max.checked_sub(account.shown().unwrap_or(Money::ZERO))?;
        (limit > Money::ZERO).then_some(limit)
    }

    /// REVALUE REQUEST. Without a card it is denied, in any state that is set up: "quite common",
    /// says 7.4.18.
    pub(super) fn revalue_request(&mut self, now: Micros, counts: u32) -> Reply {
        let amount = self.config.money(counts);
        let in_session = match self.phase {
            Phase::SessionIdle { ending: false } => true,
            Phase::Enabled if self.mode().has(Options::ALWAYS_IDLE) => false,
            Phase::SessionIdle { .. } | Phase::Enabled | Phase::Disabled => {
                return self.answer(now, Report::RevalueDenied);
            }
            Phase::Inactive | Phase::Vend(_) | Phase::Revalue(_) => {
                return self.out_of_sequence(now);
            }
        };
        self.outbox.forget(super::session::is_begin);
        let fits = in_session && self.revalue_limit().is_some_and(|limit| amount <= limit);
        self.phase = Phase::Revalue(Revalue { amount, in_session });
        let report = if fits {
            Report::RevalueApproved
        } else {
            Report::RevalueDenied
        };
        self.report(now + self.config.approve_delay, report);
        self.answer_queued(now)
    }

    /// REVALUE LIMIT REQUEST.
    pub(super) fn revalue_limit_request(&mut self, now: Micros) -> Reply {
        match self.phase {
            Phase::Inactive | Phase::Vend(_) | Phase::Revalue(_) => self.out_of_sequence(now),
            _ => {
                let counts = self.revalue_limit().map(|money| self.config.counts(money));
                let report = match counts {
                    Some(counts) if counts > 0 => {
                        Report::RevalueLimit(counts.min(self.mode().money_max()))
                    }
                    _ => Report::RevalueDenied,
                };
                self.answer(now, report)
            }
        }
    }

    /// The answer to a REVALUE REQUEST goes out: an approval moves the money.
    pub(super) fn revalue_sent(&mut self, approved: bool) {
        let Phase::Revalue(revalue) = self.phase else {
            return;
        };
        if approved {
            self.give_back(revalue.amount, "revalue".to_owned());
        }
        self.enter_session_idle();
    }
}
