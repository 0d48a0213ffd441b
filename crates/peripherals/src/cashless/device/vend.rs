//! Vends, negative vends and the sessions around them (sections 7.4.5 to 7.4.11).

use super::CashlessDevice;
use super::session::is_begin;
use crate::Reply;
use crate::cashless::Policy;
use crate::cashless::state::{Phase, Stage, Vend};
use payrig_mdb::cashless::{BasketResult, Options, Report, VendFailure, VendRequest, VendSuccess};
use payrig_units::{Micros, Money};

impl CashlessDevice {
    /// VEND REQUEST (7.4.5).
    pub(super) fn vend_request(&mut self, now: Micros, request: &VendRequest) -> Reply {
        let vend = Vend {
            negative: false,
            price: self.config.money(request.price),
            item: request.item,
            options_price: request.basket.map_or(0, |basket| basket.options_price),
            basket: request.basket.is_some_and(|basket| basket.count > 1),
            stage: Stage::Denied,
            dispensed: Money::ZERO,
            failed: Money::ZERO,
        };
        if let Some(max) = self.prices.and_then(|prices| prices.max)
            && request.price > max
        {
            self.note(format!(
                "a price of {} counts is asked, above the announced maximum of {max} (7.4.3)",
                request.price
            ));
        }
        match &self.phase {
            Phase::Vend(asked) if asked.stage == Stage::AskedBegin => {
                self.outbox.forget(is_begin);
                let decided = self.start(now, vend);
                self.answer_if(now, decided)
            }
            _ => self.begin_vend(now, vend),
        }
    }

    /// NEGATIVE VEND REQUEST (7.4.11).
    pub(super) fn negative_vend_request(&mut self, now: Micros, value: u32, item: u16) -> Reply {
        let vend = Vend {
            negative: true,
            price: self.config.money(value),
            item,
            options_price: 0,
            basket: false,
            stage: Stage::Denied,
            dispensed: Money::ZERO,
            failed: Money::ZERO,
        };
        self.begin_vend(now, vend)
    }

    /// A vend from Session Idle, or from Enabled where an option allows it (7.3, exception 1).
    fn begin_vend(&mut self, now: Micros, vend: Vend) -> Reply {
        match self.phase {
            Phase::SessionIdle { ending: false } => {
                self.outbox
                    .forget(|r| is_begin(r) || matches!(r, Report::SelectionRequest(_)));
                self.selection = None;
                let over = !self.config.multivend && self.vends > 0;
                if over && !vend.negative {
                    self.phase = Phase::Vend(vend);
                    self.deny(now);
                    return self.answer_queued(now);
                }
                let decided = self.start(now, vend);
                self.answer_if(now, decided)
            }
            Phase::Enabled => self.begin_vend_enabled(now, vend),
            _ => self.out_of_sequence(now),
        }
    }

    fn begin_vend_enabled(&mut self, now: Micros, vend: Vend) -> Reply {
        self.outbox
            .forget_sent(|r| matches!(r, Report::SelectionRequest(_)));
        let asked = !self
            .outbox
            .forget(|r| matches!(r, Report::SelectionRequest(_)));
        let selected = self.selection.take().filter(|_| asked && !vend.negative);
        if let Some(selection) = selected {
            self.open_account(selection.card);
            self.account_open = true;
            let decided = self.start(now, vend);
            return self.answer_if(now, decided);
        }
        if !self.mode().has(Options::ALWAYS_IDLE) {
            return self.out_of_sequence(now);
        }
        if self.account_open {
            // A card is there and its BEGIN SESSION has not gone out: it pays for this.
            self.outbox.forget(is_begin);
            let decided = self.card_for_waiting_vend(now, vend);
            return self.answer_if(now, decided);
        }
        let until = now + self.config.non_response();
        self.phase = Phase::Vend(Vend {
            stage: Stage::AwaitingCard { until },
            ..vend
        });
        Reply::Ack
    }

    /// Always idle: the card that pays for a vend already asked for. With "Ask Begin Session" the
    /// VMC first hears whose it is (7.4.5). True when an answer was queued.
    pub(super) fn card_for_waiting_vend(&mut self, now: Micros, vend: Vend) -> bool {
        if self.mode().has(Options::ASK_BEGIN_SESSION) && !vend.negative {
            self.phase = Phase::Vend(Vend {
                stage: Stage::AskedBegin,
                ..vend
            });
            self.begin_session(now);
            return true;
        }
        self.start(now, vend)
    }

    fn answer_if(&mut self, now: Micros, queued: bool) -> Reply {
        if queued {
            self.answer_queued(now)
        } else {
            Reply::Ack
        }
    }

    /// Starts deciding; true when it is decided at once.
    fn start(&mut self, now: Micros, vend: Vend) -> bool {
        let delay = match self.config.policy {
            _ if self.config.quirks.never_answers_vend_request => Micros::NEVER,
            Policy::TimeOut => self.config.non_response(),
            _ => self.config.approve_delay,
        };
        self.phase = Phase::Vend(Vend {
            stage: Stage::Deciding { at: now + delay },
            ..vend
        });
        if delay == Micros::ZERO {
            self.advance_vend(now);
        }
        delay == Micros::ZERO
    }

    /// Decides what has become due.
    pub(super) fn advance_vend(&mut self, now: Micros) {
        let Phase::Vend(vend) = &self.phase else {
            return;
        };
        match vend.stage {
            Stage::AwaitingCard { until } if now >= until => self.deny(now),
            Stage::Deciding { at } if now >= at => match self.approved_amount(vend) {
                Some(amount) => self.approve(now, amount),
                None => self.deny(now),
            },
            _ => {}
        }
    }

    /// What would be approved; `None` to deny.
    fn approved_amount(&self, vend: &Vend) -> Option<Money> {
        let account = self.account.filter(|_| self.account_open)?;
        let step = self.config.money(1);
        let discount = match self.config.policy {
            Policy::Approve => Money::ZERO,
            Policy::ApproveLess(discount) => discount,
            Policy::Deny | Policy::TimeOut => return None,
        };
        if vend.negative {
            let after = account.balance.checked_add(vend.price)?;
            let room = self.config.max_balance.is_none_or(|max| after <= max);
            return room.then_some(vend.price);
        }
        let mut counts = self.config.counts(vend.price.checked_sub(discount)?);
        if self.config.quirks.approves_more_than_asked {
            counts = counts.saturating_add(1);
        }
        let amount = step.checked_mul(i64::from(counts))?;
        (account.covers(amount) && counts < self.mode().money_max()).then_some(amount)
    }

    fn approve(&mut self, now: Micros, amount: Money) {
        let counts = self.config.counts(amount);
        let Phase::Vend(vend) = &mut self.phase else {
            return;
        };
        vend.stage = Stage::Approved {
            amount,
            sent: false,
            heard: false,
        };
        let options_amount = Some(vend.options_price.min(counts));
        self.report(
            now,
            Report::VendApproved {
                amount: Some(counts),
                options_amount,
            },
        );
    }

    pub(super) fn deny(&mut self, now: Micros) {
        if let Phase::Vend(vend) = &mut self.phase {
            vend.stage = Stage::Denied;
            self.report(now, Report::VendDenied);
        }
    }

    /// VEND APPROVED goes out for the first time: the money goes with it (7.4.5).
    pub(super) fn approval_sent(&mut self) {
        let Phase::Vend(vend) = &mut self.phase else {
            return;
        };
        if let Stage::Approved { amount, sent, .. } = &mut vend.stage {
            *sent = true;
            let (amount, item, negative) = (*amount, vend.item, vend.negative);
            self.vends = self.vends.saturating_add(1);
            if !negative {
                self.charge(amount, format!("vend approved, item {item}"));
            }
        }
    }

    /// The VMC has heard VEND APPROVED.
    pub(super) fn approval_heard(&mut self) {
        if let Phase::Vend(vend) = &mut self.phase
            && let Stage::Approved { heard, .. } = &mut vend.stage
        {
            *heard = true;
        }
    }

    /// VEND CANCEL (7.4.6): VEND DENIED unless VEND APPROVED was heard.
    pub(super) fn vend_cancel(&mut self, now: Micros) -> Reply {
        if self.config.quirks.ignores_vend_cancel {
            return Reply::Ack;
        }
        match &self.phase {
            Phase::Vend(vend) => match vend.stage {
                Stage::Denied => self.answer_queued(now),
                Stage::Approved { heard: true, .. } => self.out_of_sequence(now),
                Stage::Approved {
                    amount, sent: true, ..
                } => {
                    let negative = vend.negative;
                    self.outbox
                        .forget(|r| matches!(r, Report::VendApproved { .. }));
                    self.vends = self.vends.saturating_sub(1);
                    if !negative {
                        self.refund_now(now, amount, "vend cancelled");
                    }
                    self.deny(now);
                    self.answer_queued(now)
                }
                _ => {
                    self.outbox
                        .forget(|r| is_begin(r) || matches!(r, Report::VendApproved { .. }));
                    self.deny(now);
                    self.answer_queued(now)
                }
            },
            Phase::SessionIdle { .. } => self.answer(now, Report::VendDenied),
            _ => self.out_of_sequence(now),
        }
    }

    /// VEND SUCCESS (7.4.7).
    pub(super) fn vend_success(&mut self, now: Micros, success: &VendSuccess) -> Reply {
        let keeps = !self.config.quirks.refunds_vend_success;
        self.outcome(now, keeps, success.basket)
    }

    /// VEND FAILURE (7.4.8).
    pub(super) fn vend_failure(&mut self, now: Micros, failure: &VendFailure) -> Reply {
        self.outcome(now, false, failure.detail.map(|detail| detail.result))
    }

    /// One product is dispensed or failed; the last one ends the vend, and what was approved and
    /// not dispensed goes back.
    fn outcome(&mut self, now: Micros, good: bool, result: Option<BasketResult>) -> Reply {
        let Phase::Vend(vend) = &mut self.phase else {
            return self.out_of_sequence(now);
        };
        let Stage::Approved {
            amount,
            sent: true,
            ref mut heard,
        } = vend.stage
        else {
            return self.out_of_sequence(now);
        };
        *heard = true;
        let (negative, item) = (vend.negative, vend.item);
        let value = match result {
            Some(result) => self.config.money(result.amount),
            None => amount,
        };
        let reported = if good {
            &mut vend.dispensed
        } else {
            &mut vend.failed
        };
        *reported = reported.saturating_add(value).min(amount);
        let dispensed = vend.dispensed;
        self.outbox
            .forget(|r| matches!(r, Report::VendApproved { .. }));
        if vend.basket && result.is_some_and(|result| result.count > 0) {
            return Reply::Ack;
        }
        if !negative {
            self.begin_refund(now, amount.saturating_sub(dispensed));
        } else if good {
            self.give_back(amount, format!("negative vend, item {item}"));
        }
        self.enter_session_idle();
        Reply::Ack
    }

    /// The quirk of charging a repeated VEND REQUEST.
    pub(super) fn charge_again(&mut self) {
        let Phase::Vend(vend) = &self.phase else {
            return;
        };
        let amount = match vend.stage {
            Stage::Approved { amount, .. } => amount,
            Stage::Deciding { .. } => vend.price,
            _ => return,
        };
        let item = vend.item;
        self.charge(amount, format!("vend charged again, item {item}"));
    }
}
