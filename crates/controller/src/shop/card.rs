//! Card sessions: several at once, one per card device.

use super::prices::Terms;
use super::{Means, Order, Sale, Stage, Vending};
use crate::drivers::{CardSession, NotDispensed, Reader};
use payrig_mdb::cashless::Reason;
use payrig_units::{Micros, Money};

/// What the card can take (7.4.19).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Limit {
    Unknown,
    Asked,
    Known(Option<Money>),
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Session {
    pub(super) device: String,
    /// BEGIN SESSION was heard; false for one that a request opened ("Always Idle", remote vend).
    pub(super) began: bool,
    /// SESSION COMPLETE follows the vend under way.
    pub(super) closing: bool,
    /// SESSION COMPLETE was ordered.
    pub(super) ending: bool,
    pub(super) until: Micros,
    pub(super) terms: Terms,
    pub(super) limit: Limit,
}

impl Session {
    pub(super) fn new(device: String, began: bool, until: Micros) -> Self {
        Self {
            device,
            began,
            closing: false,
            ending: false,
            until,
            terms: Terms::default(),
            limit: Limit::Unknown,
        }
    }

    /// A card is there and may pay.
    pub(super) fn is_open(&self) -> bool {
        self.began && !self.closing && !self.ending
    }

    pub(super) fn name(&self) -> String {
        self.device.clone()
    }
}

impl Vending {
    pub(super) fn session(&mut self, device: &str) -> Option<&mut Session> {
        self.sessions.iter_mut().find(|s| s.device == device)
    }

    fn is_asked(&self, device: &str) -> bool {
        matches!(&self.stage, Stage::Asking(sale) if sale.is_on(device))
    }

    /// Asked of a device where no card is.
    pub(super) fn is_waiting_for_card(&self, sale: &Sale) -> bool {
        self.sessions
            .iter()
            .any(|s| sale.is_on(&s.device) && !s.began)
    }

    pub(super) fn session_began(
        &mut self,
        now: Micros,
        device: String,
        card: CardSession,
        means: &dyn Means,
    ) {
        let until = now + self.policy.session_timeout;
        let terms = self.policy.cards.tariffs.terms(card.media);
        if self.session(&device).is_none() {
            let session = Session::new(device.clone(), true, until);
            self.sessions.push(session);
        }
        if let Some(session) = self.session(&device) {
            session.began = !card.asks_back;
            session.terms = terms;
            session.until = until;
        }
        if card.foreign {
            // Section 7.3: a currency the board does not have ends the session.
            self.show("This card's currency is not taken");
            if let Stage::Asking(sale) = std::mem::replace(&mut self.stage, Stage::Idle) {
                if sale.is_on(&device) {
                    self.withdraw(&sale);
                    return;
                }
                self.stage = Stage::Asking(sale);
            }
            self.end_session(&device);
            return;
        }
        if self.is_asked(&device) {
            if card.asks_back {
                self.ask_again(&device, means);
            }
            return;
        }
        match card.funds {
            Some(funds) if card.shown => {
                self.show(format!("Card: {}", funds.show(self.policy.decimals)));
            }
            _ => self.show("Please make a selection"),
        }
        self.ask_limit(&device, means);
    }

    pub(super) fn step(&self, device: &str, means: &dyn Means) -> Money {
        reader(device, means).map_or(Money(1), |r| r.step)
    }

    /// Whether the session may go on after a vend (7.4.2, Z8 b1).
    fn may_go_on(&self, device: &str, means: &dyn Means) -> bool {
        let open = self
            .sessions
            .iter()
            .any(|s| s.device == device && s.is_open());
        open && self.policy.multi_vend && reader(device, means).is_some_and(|r| r.multi_vend)
    }

    pub(super) fn vend_approved(&mut self, device: &str, amount: Money) {
        match std::mem::replace(&mut self.stage, Stage::Idle) {
            Stage::Asking(mut sale) if sale.is_on(device) => {
                sale.approve(amount);
                self.deliver(sale);
            }
            // Nobody waits for it: nothing will be delivered, so the money goes back.
            other => {
                self.stage = other;
                self.orders.push_back(Order::VendFailure {
                    device: device.to_owned(),
                    failed: NotDispensed {
                        item: None,
                        amount,
                        options: Money::ZERO,
                        left: 0,
                        reason: Reason(0),
                    },
                });
            }
        }
    }

    pub(super) fn vend_denied(&mut self, now: Micros, device: &str, means: &dyn Means) {
        if !self.is_asked(device) {
            return;
        }
        self.stage = Stage::Idle;
        self.show("Declined");
        self.after_card_vend(now, device, means);
    }

    pub(super) fn session_cancelled(&mut self, device: &str) {
        match std::mem::replace(&mut self.stage, Stage::Idle) {
            Stage::Asking(sale) if sale.is_on(device) => {
                self.withdraw(&sale);
                self.show_credit();
            }
            // The card is gone but the item, or the money, is on its way: that is settled first.
            stage @ (Stage::Delivering(_) | Stage::Revaluing { .. }) => {
                let busy = match &stage {
                    Stage::Delivering(sale) => sale.is_on(device),
                    Stage::Revaluing { device: d, .. } => d == device,
                    _ => false,
                };
                self.stage = stage;
                match self.session(device) {
                    Some(session) if busy => session.closing = true,
                    _ => self.end_session(device),
                }
            }
            stage => {
                self.stage = stage;
                self.end_session(device);
            }
        }
    }

    pub(super) fn session_ended(&mut self, device: &str, means: &dyn Means) {
        self.sessions.retain(|s| s.device != device);
        if self.is_asked(device) {
            self.stage = Stage::Idle;
        }
        self.settle_waiting(means);
        if self.stage == Stage::Idle {
            self.show_credit();
        }
    }

    /// The device was reset or went away: sessions, coupons and data entry are over there.
    pub(super) fn session_lost(&mut self, device: &str, means: &dyn Means) {
        let had = self.sessions.len();
        self.sessions.retain(|s| s.device != device);
        let coupon = self.coupon.take();
        let ours = coupon.as_ref().is_some_and(|c| c.coupon.device == device);
        self.coupon = coupon.filter(|_| !ours);
        self.keys_cancelled(device);
        let news = ours || self.sessions.len() != had || self.stage != Stage::Idle;
        match &mut self.stage {
            Stage::Asking(sale) if sale.is_on(device) => {
                self.stage = Stage::Idle;
                self.show("The card reader was lost");
            }
            Stage::Delivering(sale) if sale.is_on(device) => sale.lose(),
            Stage::Revaluing { device: d, .. } if d == device => {
                // Nobody reported that it is on the card: it stays credit.
                self.stage = Stage::Idle;
            }
            _ => {}
        }
        self.settle_waiting(means);
        if news && self.stage == Stage::Idle {
            self.show_credit();
        }
    }

    /// After a vend or its denial: the session goes on, or is completed.
    pub(super) fn after_card_vend(&mut self, now: Micros, device: &str, means: &dyn Means) {
        if !self.may_go_on(device, means) {
            self.end_session(device);
            return;
        }
        let until = now + self.policy.session_timeout;
        if let Some(at) = self.sessions.iter().position(|s| s.device == device) {
            let mut session = self.sessions.remove(at);
            session.until = until;
            session.limit = Limit::Unknown;
            // With two cards the other one pays next.
            self.sessions.push(session);
        }
        self.ask_limit(device, means);
    }

    /// A request that was not answered yet is taken back, and the session ended.
    pub(super) fn withdraw(&mut self, sale: &Sale) {
        if let Some(card) = &sale.card {
            let device = card.device.clone();
            self.orders.push_back(Order::VendCancel(device.clone()));
            self.end_session(&device);
        }
    }

    pub(super) fn end_session(&mut self, device: &str) {
        if let Some(session) = self.session(device).filter(|s| !s.ending) {
            session.ending = true;
            let device = session.name();
            self.orders.push_back(Order::SessionComplete(device));
        }
    }

    pub(super) fn end_sessions(&mut self) {
        for device in self.sessions.iter().map(Session::name).collect::<Vec<_>>() {
            self.end_session(&device);
        }
    }
}

/// What is known of a card device.
pub(super) fn reader(device: &str, means: &dyn Means) -> Option<Reader> {
    means.readers().into_iter().find(|r| r.device == device)
}
