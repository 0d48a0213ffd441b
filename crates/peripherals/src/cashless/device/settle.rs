//! Bringing things to an end: refunds, resets, the end of a session.

use super::CashlessDevice;
use crate::cashless::state::{Phase, Stage};
use payrig_mdb::cashless::{Level, Malfunction, Options, Report};
use payrig_units::{Micros, Money};

/// A refund under way; POLLs hear nothing until it is done (7.4.8).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Refund {
    pub(super) amount: Money,
    pub(super) at: Micros,
}

impl CashlessDevice {
    /// Starts a refund after VEND FAILURE or a part of a basket.
    pub(super) fn begin_refund(&mut self, now: Micros, amount: Money) {
        if amount <= Money::ZERO || self.config.quirks.no_refund_on_vend_failure {
            return;
        }
        self.refund = Some(Refund {
            amount,
            at: now + self.config.refund_delay,
        });
        if self.config.refund_delay == Micros::ZERO {
            self.finish_refund(now);
        }
    }

    /// Makes the refund, or reports that it cannot be made (7.7, examples 5 and 5A).
    pub(super) fn finish_refund(&mut self, now: Micros) {
        let Some(refund) = self.refund.take() else {
            return;
        };
        self.refund_now(now, refund.amount, "refund after a failed vend");
    }

    /// Puts money back on the card at once. Where that cannot be, the credit is lost to the
    /// customer, stays in the receipts, and the VMC learns of it from level 02 on.
    pub(super) fn refund_now(&mut self, now: Micros, amount: Money, why: &str) {
        let possible =
            self.config.restores_funds && (self.card_in || !self.config.refund_needs_card);
        if possible && self.give_back(amount, why.to_owned()) {
            return;
        }
        self.note("refund failed: the credit is lost");
        if self.mode().level >= Level::TWO {
            self.report(now, Report::Malfunction(Malfunction::REFUND_LOST));
        }
    }

    /// Gives up a vend or revalue whose answer has not gone out. No money has moved for it.
    pub(super) fn give_up_undecided(&mut self) {
        let undecided = match &self.phase {
            Phase::Vend(vend) => !matches!(vend.stage, Stage::Approved { sent: true, .. }),
            Phase::Revalue(_) => true,
            _ => false,
        };
        if undecided {
            self.outbox.forget(is_decision);
            self.enter_session_idle();
        }
    }

    /// Ends the vend or revalue under way.
    pub(super) fn enter_session_idle(&mut self) {
        self.phase = match self.phase {
            Phase::Revalue(revalue) if !revalue.in_session => Phase::Enabled,
            _ => Phase::SessionIdle { ending: false },
        };
        if std::mem::take(&mut self.cancel_after) {
            self.report(Micros::ZERO, Report::SessionCancelRequest);
        }
    }

    /// The session is over: back to Enabled or Disabled, the card is given back (7.4.9).
    pub(super) fn end_session(&mut self) {
        self.vends = 0;
        self.cancel_after = false;
        self.let_card_go();
        self.phase = if self.wanted {
            Phase::Enabled
        } else {
            Phase::Disabled
        };
    }

    /// The device is done with the card.
    pub(super) fn let_card_go(&mut self) {
        self.account_open = false;
        if std::mem::take(&mut self.card_in) {
            self.note("card given back");
        }
    }

    /// RESET, bus reset, power, or lost communication: what is under way is settled, and the
    /// device is as after power-up (2.2, 7.4.1).
    pub(super) fn reset(&mut self) {
        if let Some(refund) = self.refund.take() {
            self.refund_now(Micros::ZERO, refund.amount, "refund after a failed vend");
        }
        self.settle_vend();
        self.let_card_go();
        self.phase = Phase::Inactive;
        self.vmc = None;
        self.prices = None;
        self.options = Options::NONE;
        self.wanted = false;
        self.just_reset = !self.config.quirks.no_just_reset;
        self.just_reset_in_flight = false;
        self.outbox.clear();
        self.ftl.reset();
        self.ftl_in_flight = false;
        self.last_command = None;
        self.heard_since = false;
        self.vends = 0;
        self.cancel_after = false;
        self.selection = None;
        self.coupon = None;
        self.data_entry = None;
    }

    /// A vend that a reset cuts off: heard and not reported as failed counts as dispensed (7.4.7, note;
    /// 7.4.8, Y4-Y5); an approval that nobody heard is taken back.
    fn settle_vend(&mut self) {
        let Phase::Vend(vend) = &self.phase else {
            return;
        };
        let Stage::Approved {
            amount,
            sent: true,
            heard,
        } = vend.stage
        else {
            return;
        };
        if vend.negative {
            return;
        }
        let back = match (heard, vend.basket) {
            (false, _) => amount,
            (true, true) => vend.failed.min(amount.saturating_sub(vend.dispensed)),
            (true, false) => Money::ZERO,
        };
        if back > Money::ZERO {
            self.refund_now(Micros::ZERO, back, "reset before the vend was done");
        }
    }
}

/// Answers to a VEND or REVALUE REQUEST.
pub(super) fn is_decision(report: &Report) -> bool {
    matches!(
        report,
        Report::VendApproved { .. }
            | Report::VendDenied
            | Report::RevalueApproved
            | Report::RevalueDenied
    )
}
