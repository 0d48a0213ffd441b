//! What became of a sale: items that fell or did not, what is booked, what is reported to whom.

use super::card::reader;
use super::shares::fraction;
use super::{Item, Means, Order, Sale, Stage, Vending};
use crate::drivers::{Delivery, Dispensed, NotDispensed, SaleKind, Sold};
use payrig_mdb::cashless::Reason;
use payrig_units::{Micros, Money, Place};

impl Vending {
    /// The motor is done.
    pub fn delivered(&mut self, now: Micros, delivery: Delivery, means: &dyn Means) {
        let mut sale = match std::mem::replace(&mut self.stage, Stage::Idle) {
            Stage::Delivering(sale) => sale,
            other => {
                self.stage = other;
                return;
            }
        };
        let Some(item) = sale.items.pop_front() else {
            return;
        };
        if delivery.broken {
            self.show("Out of order");
        }
        let left = if delivery.broken { 0 } else { sale.count() };
        match delivery.column {
            Some(column) if sale.inward => self.took_in(&sale, column),
            Some(column) => {
                self.sold.push(item.number);
                self.went_out(&mut sale, &item, column, delivery.part, left, means);
                self.show(format!("Thank you: {}", item.name));
            }
            None => {
                let all = delivery.broken && !sale.items.is_empty();
                let why = delivery
                    .why
                    .unwrap_or(Reason(if all { 0x00 } else { 0x02 }));
                self.failed(&mut sale, &item, (all, why), left, means);
            }
        }
        if left > 0 {
            self.deliver(sale);
            return;
        }
        self.sale_over(now, &sale, means);
    }

    fn went_out(
        &mut self,
        sale: &mut Sale,
        item: &Item,
        column: u16,
        part: Option<Money>,
        left: u8,
        means: &dyn Means,
    ) {
        let how = self.policy.cards.basket;
        let mut paid_on_card = None;
        if let Some(card) = &mut sale.card {
            let device = card.device.clone();
            let known = reader(&device, means).unwrap_or_default();
            let amount = match part.filter(|_| known.basket) {
                Some(worth) if left == 0 => card.shares.part(worth, known.step),
                _ if left == 0 && sale.items.is_empty() => card.shares.rest(),
                _ => card.shares.next(item.price, true, how, known.step),
            };
            if card.alive {
                let gone = Dispensed {
                    selected: item.number,
                    column,
                    amount,
                    options: sale.options.min(amount),
                    left,
                };
                let device = device.clone();
                self.orders.push_back(Order::VendSuccess { device, gone });
            }
            let why = format!("{} sold on the card", item.name);
            let place = Place::BoardReceived(device.clone());
            self.claim(place, Place::BoardSales, amount, why);
            paid_on_card = Some((device, amount));
        }
        let worth = part.unwrap_or(item.price);
        let cash = fraction(sale.cash, worth, item.price, Money(1));
        self.credit = self.credit.saturating_sub(cash);
        let why = format!("{} sold for cash", item.name);
        self.claim(Place::BoardCredit, Place::BoardSales, cash, why);
        if sale.token {
            self.tokens = self.tokens.saturating_sub(1);
        } else if sale.coupon > Money::ZERO || sale.kind == SaleKind::Token {
            self.use_coupon(column, sale.coupon);
        }
        self.orders.push_back(Order::Announce(Sold {
            selected: item.number,
            column,
            price: item.price,
            cash,
            card: paid_on_card,
            kind: sale.kind,
        }));
    }

    /// An item did not fall; with `all`, neither will those after it.
    fn failed(
        &mut self,
        sale: &mut Sale,
        item: &Item,
        (all, reason): (bool, Reason),
        left: u8,
        means: &dyn Means,
    ) {
        let how = self.policy.cards.basket;
        self.reject_coupon();
        let Some(card) = &mut sale.card else {
            let text = match sale.inward {
                true => "Not taken: please take it back",
                false => "Not delivered: choose another or press return",
            };
            self.show(text);
            return;
        };
        let device = card.device.clone();
        let step = reader(&device, means).map_or(Money(1), |r| r.step);
        let amount = match left {
            0 => card.shares.rest(),
            _ => card.shares.next(item.price, false, how, step),
        };
        if !card.alive {
            let amount = amount.show(self.policy.decimals);
            self.shown.push(format!(
                "{device} was reset during the vend and keeps {amount} for {}, which was not \
                 delivered (7.4.7, note)",
                item.name
            ));
            self.show("Not delivered: please call the service");
            return;
        }
        let failed = NotDispensed {
            item: (!all).then_some(item.number),
            amount,
            options: sale.options.min(amount),
            left,
            reason,
        };
        self.orders.push_back(Order::VendFailure { device, failed });
        self.show("Not delivered: the card is refunded");
    }

    fn sale_over(&mut self, now: Micros, sale: &Sale, means: &dyn Means) {
        if let Some(card) = &sale.card {
            if card.alive {
                let device = card.device.clone();
                self.after_card_vend(now, &device, means);
            }
            self.revalue_credit(means);
        } else if !self.revalue_credit(means) && (sale.cash > Money::ZERO || sale.inward) {
            match self.policy.keep_credit && !sale.inward {
                true => self.show_credit(),
                false => self.pay_back(),
            }
        }
    }
}
