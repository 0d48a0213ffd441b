//! Items selected at the card device, and items given back (MDB/ICP 4.3, sections 7.4.4 SELECTION
//! REQUEST, 7.4.11 and 7.4.12).

use super::card::reader;
use super::{Item, Means, Order, Sale, Stage, Vending, is_payable};
use crate::drivers::{Dispensed, SaleKind, Sold};
use payrig_mdb::cashless::Reason;
use payrig_units::{Micros, Money, Place};
use std::collections::VecDeque;

impl Vending {
    pub(super) fn remote_selection(
        &mut self,
        now: Micros,
        device: String,
        number: u16,
        funds: Option<Money>,
        means: &dyn Means,
    ) {
        let found = self.items.iter().find(|i| i.number == number).cloned();
        let deny = |reason| Order::DenySelection {
            device: device.clone(),
            item: number,
            reason,
        };
        let Some(item) = found else {
            self.orders.push_back(deny(Reason(0x01)));
            return;
        };
        if let Some(why) = self.closed.get(&number) {
            self.orders.push_back(deny(*why));
            return;
        }
        if self.in_service {
            self.orders.push_back(deny(Reason(0x09)));
            return;
        }
        if self.stage != Stage::Idle {
            self.orders.push_back(deny(Reason::TEMPORARILY_BUSY));
            return;
        }
        let item = item.on_card();
        let items = VecDeque::from([item.clone()]);
        let price = self.price_for(&device, item.price, &items, means);
        let on_card = funds.map_or(price, |funds| funds.min(price));
        let rest = price.saturating_sub(on_card);
        if rest > Money::ZERO {
            // Zero asks for cash; otherwise cash adds to the card where the machine allows that.
            let allowed = on_card.is_zero() || self.policy.cards.mixed;
            let change = self.credit.saturating_sub(rest);
            if !allowed || self.credit < rest || !is_payable(change, means) {
                self.orders.push_back(deny(Reason::INSUFFICIENT_CREDIT));
                return;
            }
        }
        let sale = Sale::of(item).paid_in_cash(rest);
        self.ask(now, sale, device, (on_card, on_card));
    }

    /// An item is given back by the customer, for its value on the card that is there, or in coins
    /// (7.4.11; 7.4.10, item number bit 13).
    pub fn give_back(&mut self, now: Micros, number: u16, value: Money, means: &dyn Means) {
        if self.stage != Stage::Idle {
            self.show("Please wait");
            return;
        }
        let item = Item::new(number, format!("returned item {number}"), value);
        let able = |d: &str| reader(d, means).is_some_and(|r| r.negative_vend);
        match self.payer(means, able) {
            Some(device) => self.ask(now, Sale::inward(item), device, (value, value)),
            None if means.can_pay(self.credit.saturating_add(value)) => {
                self.deliver(Sale::inward(item).paid_in_cash(value));
            }
            None => self.show("Cannot be taken back now"),
        }
    }

    /// The returned item is safely in the machine.
    pub(super) fn took_in(&mut self, sale: &Sale, number: u16) {
        self.show("Thank you");
        let what = format!("item {number} given back");
        let Some(card) = &sale.card else {
            let value = sale.cash;
            self.credit = self.credit.saturating_add(value);
            self.claim(Place::BoardSales, Place::BoardCredit, value, what);
            self.orders.push_back(Order::Announce(Sold {
                selected: number,
                column: number,
                price: value,
                cash: value,
                card: None,
                kind: SaleKind::Return,
            }));
            return;
        };
        let (device, approved) = (card.device.clone(), card.approved);
        if !card.alive {
            // Credit comes with VEND SUCCESS, never before (7.4.11).
            let amount = approved.show(self.policy.decimals);
            self.shown.push(format!(
                "{device} was reset: {amount} for item {number} did not get onto the card"
            ));
            return;
        }
        let place = Place::BoardPaid(device.clone());
        self.claim(Place::BoardSales, place, approved, what);
        let gone = Dispensed {
            selected: number,
            column: number,
            amount: approved,
            options: Money::ZERO,
            left: 0,
        };
        self.orders.push_back(Order::VendSuccess { device, gone });
    }
}
