//! Cash onto the card: bills held in escrow until it is known what the card takes, coins and change
//! as credit (MDB/ICP 4.3, sections 7.4.18 and 7.4.19; Appendix 3, section 4).

use super::card::{Limit, reader};
use super::{Means, Order, Stage, Vending};
use payrig_units::{Money, Place};

impl Vending {
    /// Asks what the card takes, where money is to be put on it.
    pub(super) fn ask_limit(&mut self, device: &str, means: &dyn Means) {
        if !reader(device, means).is_some_and(|r| r.revalue) {
            return;
        }
        let open = self.session(device).filter(|s| s.is_open());
        if let Some(session) = open.filter(|s| s.limit == Limit::Unknown) {
            session.limit = Limit::Asked;
            let device = session.name();
            self.orders.push_back(Order::RevalueLimit(device));
        }
    }

    /// The open session whose card takes money, or is being asked.
    fn taker(&self, means: &dyn Means) -> Option<(String, Limit)> {
        let open = self.sessions.iter().filter(|s| s.is_open());
        let mut able = open.filter(|s| reader(&s.device, means).is_some_and(|r| r.revalue));
        able.find(|s| s.limit != Limit::Known(None))
            .map(|s| (s.name(), s.limit))
    }

    pub(super) fn limit_came(&mut self, device: &str, limit: Option<Money>, means: &dyn Means) {
        if let Some(session) = self.session(device) {
            session.limit = Limit::Known(limit);
        }
        self.settle_waiting(means);
        self.revalue_credit(means);
    }

    /// True when the bill is dealt with here: stacked for the card, or held until it is known
    /// whether the card takes it.
    pub(super) fn hold_for_revalue(&mut self, bill: &str, value: Money, means: &dyn Means) -> bool {
        let Some((device, limit)) = self.taker(means) else {
            return false;
        };
        match limit {
            Limit::Unknown | Limit::Asked => {
                self.for_card = Some((bill.to_owned(), value));
                self.ask_limit(&device, means);
                true
            }
            Limit::Known(limit) => {
                let all = self.credit.saturating_add(value);
                let fits = limit.is_some_and(|limit| all <= limit);
                if fits {
                    self.orders.push_back(Order::Stack(bill.to_owned()));
                }
                fits
            }
        }
    }

    /// True when a card is there that takes so much in change.
    pub(super) fn card_takes(&self, change: Money, means: &dyn Means) -> bool {
        let limit = self.taker(means).map(|(_, limit)| limit);
        matches!(limit, Some(Limit::Known(Some(limit))) if change <= limit)
    }

    /// A bill that was held is decided on.
    pub(super) fn settle_waiting(&mut self, means: &dyn Means) {
        let asked = |(_, limit)| limit == Limit::Asked || limit == Limit::Unknown;
        if self.taker(means).is_some_and(asked) {
            return;
        }
        if let Some((bill, value)) = self.for_card.take() {
            self.bill_escrowed(bill, value, means);
        }
    }

    /// Puts credit on a card, as far as it takes it. True when some is on its way.
    pub(super) fn revalue_credit(&mut self, means: &dyn Means) -> bool {
        if self.stage != Stage::Idle || self.credit <= Money::ZERO || self.for_card.is_some() {
            return false;
        }
        let Some((device, limit)) = self.taker(means) else {
            return false;
        };
        let limit = match limit {
            Limit::Known(Some(limit)) => limit,
            Limit::Known(None) => return false,
            Limit::Unknown | Limit::Asked => {
                self.ask_limit(&device, means);
                return false;
            }
        };
        let step = self.step(&device, means).as_minor().max(1);
        let most = self.credit.min(limit).as_minor();
        let amount = Money(most - most % step);
        if amount <= Money::ZERO {
            return false;
        }
        self.show("To the card");
        self.orders.push_back(Order::Revalue {
            device: device.clone(),
            amount,
        });
        self.stage = Stage::Revaluing { device, amount };
        true
    }

    pub(super) fn revalued(&mut self, device: &str, done: bool, means: &dyn Means) {
        let amount = match &self.stage {
            Stage::Revaluing { device: d, amount } if d == device => *amount,
            _ => return,
        };
        self.stage = Stage::Idle;
        let mut closing = false;
        if let Some(session) = self.session(device) {
            session.limit = if done {
                Limit::Unknown
            } else {
                Limit::Known(None)
            };
            closing = session.closing;
        }
        if done {
            self.credit = self.credit.saturating_sub(amount);
            let why = "put on the card".to_owned();
            let place = Place::BoardPaid(device.to_owned());
            self.claim(Place::BoardCredit, place, amount, why);
            self.show(format!(
                "{} put on the card",
                amount.show(self.policy.decimals)
            ));
        } else {
            self.show_credit();
        }
        if closing {
            self.end_session(device);
        } else {
            self.ask_limit(device, means);
        }
    }
}
