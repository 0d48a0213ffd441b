//! Cash: credit, bills in escrow, payouts.

use super::{Means, Order, Sale, Stage, Vending, is_payable};
use payrig_units::{Money, Place};

impl Vending {
    pub(super) fn credited(
        &mut self,
        device: String,
        value: Money,
        what: String,
        means: &dyn Means,
    ) {
        self.credit = self.credit.saturating_add(value);
        self.claim(
            Place::BoardReceived(device),
            Place::BoardCredit,
            value,
            what,
        );
        self.prefer_cash();
        self.show_credit();
        self.held_is_stacked(means);
        self.revalue_credit(means);
    }

    /// Cash came while a card was waited for: the request is withdrawn (7.7, example 12).
    pub(super) fn prefer_cash(&mut self) {
        let waits = matches!(&self.stage, Stage::Asking(sale) if self.is_waiting_for_card(sale));
        if waits && let Stage::Asking(sale) = std::mem::replace(&mut self.stage, Stage::Idle) {
            self.withdraw(&sale);
        }
    }

    pub(super) fn bill_escrowed(&mut self, device: String, value: Money, means: &dyn Means) {
        self.prefer_cash();
        if self.stage == Stage::Idle && self.hold_for_revalue(&device, value, means) {
            return;
        }
        // With a card in the reader, or during a vend, cash is not mixed in unless it is wanted.
        let apart = self.in_session() && !self.policy.cards.mixed;
        let welcome = !apart && self.stage == Stage::Idle && self.is_changeable(value, means);
        if welcome && !self.hold(&device, value) {
            self.orders.push_back(Order::Stack(device));
        } else if !welcome {
            self.show("Bill returned");
            self.orders.push_back(Order::Return(device));
        }
    }

    pub(super) fn serviced(&mut self, device: String, value: Money) {
        let (stock, service) = (Place::BoardStock(device), Place::BoardService);
        let (from, to) = if value > Money::ZERO {
            (stock, service)
        } else {
            (service, stock)
        };
        let amount = Money(value.as_minor().saturating_abs());
        self.claim(from, to, amount, "by an attendant's hand".to_owned());
    }

    pub(super) fn paid_out(&mut self, device: String, value: Money, means: &dyn Means) {
        self.paid_by(device, value, "change paid");
        self.stage = Stage::Idle;
        if value > Money::ZERO && self.credit > Money::ZERO && means.can_pay(self.credit) {
            self.pay_back();
        } else {
            self.show_credit();
        }
    }

    pub(super) fn bills_not_paid(&mut self, means: &dyn Means) {
        self.stage = Stage::Idle;
        if means.can_pay(self.credit) {
            self.pay_back();
        } else {
            self.show_credit();
        }
    }

    /// A payout as the books see it: out of the credit, and what is beyond it out of the service's
    /// pocket.
    pub(super) fn paid_by(&mut self, device: String, value: Money, why: &str) {
        let of_credit = value.min(self.credit);
        self.credit = self.credit.saturating_sub(of_credit);
        let beyond = value.saturating_sub(of_credit);
        let paid = Place::BoardPaid(device);
        self.claim(Place::BoardCredit, paid.clone(), of_credit, why.to_owned());
        let why = format!("{why}: more than there was credit for");
        self.claim(Place::BoardOverpaid, paid, beyond, why);
    }

    /// An amount may be paid or not, and that is not known yet: it is no credit until it is known not
    /// to be, so that it is never paid twice.
    pub(super) fn doubt(&mut self, device: String, amount: Money, why: &str) {
        let amount = amount.min(self.credit);
        if amount <= Money::ZERO {
            return;
        }
        self.credit = self.credit.saturating_sub(amount);
        let place = Place::BoardDoubt(device.clone());
        self.claim(Place::BoardCredit, place, amount, why.to_owned());
        self.doubts.push((device, amount));
    }

    /// What a device paid of what was in doubt is known: the rest is credit again.
    pub(super) fn paid_late(&mut self, device: String, value: Money) {
        let mine = |(d, _): &&(String, Money)| *d == device;
        let doubt: Money = self.doubts.iter().filter(mine).map(|(_, m)| *m).sum();
        self.doubts.retain(|(d, _)| *d != device);
        let place = Place::BoardDoubt(device.clone());
        let why = "change paid, found out later";
        let of_doubt = value.min(doubt);
        let paid = Place::BoardPaid(device.clone());
        self.claim(place.clone(), paid, of_doubt, why.to_owned());
        let rest = doubt.saturating_sub(of_doubt);
        let back = "not paid, as was found out later";
        self.claim(place, Place::BoardCredit, rest, back.to_owned());
        self.credit = self.credit.saturating_add(rest);
        self.paid_by(device, value.saturating_sub(of_doubt), why);
    }

    /// What [`is_changeable`](Self::is_changeable) depends on besides the money there is: the credit,
    /// and how often prices were set.
    pub(crate) fn change_basis(&self) -> (Money, u32) {
        (self.credit, self.price_changes)
    }

    /// True when whatever is bought with a bill of this value, the change can be paid.
    pub fn is_changeable(&self, value: Money, means: &dyn Means) -> bool {
        if !means.gives_change() {
            return true;
        }
        let total = self.credit.saturating_add(value);
        let mut any = false;
        for item in self.items.iter().filter(|i| i.price <= total) {
            any = true;
            if !means.can_pay(total.saturating_sub(item.price)) {
                return false;
            }
        }
        // A value that buys nothing yet may still add up; it must then be payable back.
        any || means.can_pay(total)
    }

    pub(super) fn pay_back(&mut self) {
        if self.credit > Money::ZERO {
            self.stage = Stage::Paying;
            self.orders.push_back(Order::Pay(self.credit));
        } else {
            self.show_credit();
        }
    }
}

/// Bills kept in escrow until something is bought, so that the coin return gives the same bill back.
impl Vending {
    /// Keeps a welcome bill in escrow if it buys something. False when it is to be stacked.
    pub(super) fn hold(&mut self, device: &str, value: Money) -> bool {
        let total = self.credit.saturating_add(value);
        let buys = self.items.iter().any(|i| i.price <= total);
        let hold = self.policy.hold_bills && buys;
        if hold {
            self.held = Some((device.to_owned(), value));
            self.show_credit();
        }
        hold
    }

    pub(super) fn bill_returned(&mut self) {
        self.held = None;
        self.for_card = None;
        if let Stage::Stacking(..) = self.stage {
            self.stage = Stage::Idle;
        }
        self.show_credit();
    }

    /// Gives back whatever waits in escrow.
    pub(super) fn return_held(&mut self) {
        for (bill, _) in [self.held.take(), self.for_card.take()]
            .into_iter()
            .flatten()
        {
            self.orders.push_back(Order::Return(bill));
        }
    }

    /// Stacks the bill held in escrow if that is what the sale needs. True when the selection is
    /// dealt with.
    pub(super) fn spend_held(&mut self, sale: &Sale, due: Money, means: &dyn Means) -> bool {
        let Some((device, value)) = self.held.clone() else {
            return false;
        };
        let total = self.credit.saturating_add(value);
        if total < due {
            return false;
        }
        if is_payable(total.saturating_sub(due), means) {
            self.held = None;
            self.stage = Stage::Stacking(sale.clone(), due);
            self.orders.push_back(Order::Stack(device));
        } else {
            self.show("Use exact change");
        }
        true
    }

    /// The credit is certain now: the item that waited for it is delivered.
    pub(super) fn held_is_stacked(&mut self, means: &dyn Means) {
        let Stage::Stacking(sale, due) = &self.stage else {
            return;
        };
        let (sale, due) = (sale.clone(), *due);
        self.stage = Stage::Idle;
        let rest = self.credit.saturating_sub(due);
        if self.credit >= due && is_payable(rest, means) {
            self.deliver(sale.paid_in_cash(due));
        }
    }
}
