//! One sale: who pays what, and what is asked.

use super::card::{Session, reader};
use super::shares::Shares;
use super::{CardPrice, Item, Means, Order, Stage, Vending, is_payable};
use crate::drivers::SaleKind;
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

/// The number of a request for several products (7.4.5).
const SEVERAL: u16 = 0xFFFF;

/// What a card device pays of a sale.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct CardPart {
    pub(super) device: String,
    /// What falls to it, at the machine's prices.
    due: Money,
    /// What it approved.
    pub(super) approved: Money,
    pub(super) shares: Shares,
    /// Its session is there still, and it takes reports.
    pub(super) alive: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sale {
    /// What is to be delivered, the next one first.
    pub(super) items: VecDeque<Item>,
    pub(super) card: Option<CardPart>,
    pub(super) cash: Money,
    pub(super) coupon: Money,
    /// The part of the price that is for options of the item.
    pub(super) options: Money,
    /// A vend token in the changer pays.
    pub(super) token: bool,
    pub(super) kind: SaleKind,
    /// The item comes back from the customer instead of going out.
    pub(super) inward: bool,
}

impl Sale {
    pub(super) fn of(item: Item) -> Self {
        Self {
            items: VecDeque::from([item]),
            card: None,
            cash: Money::ZERO,
            coupon: Money::ZERO,
            options: Money::ZERO,
            token: false,
            kind: SaleKind::Paid,
            inward: false,
        }
    }

    pub(super) fn inward(item: Item) -> Self {
        Self {
            inward: true,
            ..Self::of(item)
        }
    }

    pub(super) fn paid_in_cash(mut self, cash: Money) -> Self {
        self.cash = cash;
        self
    }

    pub(super) fn is_on(&self, device: &str) -> bool {
        self.card.as_ref().is_some_and(|c| c.device == device)
    }

    pub(super) fn approve(&mut self, amount: Money) {
        if let Some(card) = &mut self.card {
            card.approved = amount;
            card.shares = Shares::new(card.due, amount);
        }
    }

    pub(super) fn lose(&mut self) {
        if let Some(card) = &mut self.card {
            card.alive = false;
        }
    }

    pub(super) fn count(&self) -> u8 {
        u8::try_from(self.items.len()).unwrap_or(u8::MAX)
    }

    fn number(&self) -> u16 {
        match self.items.front() {
            Some(item) if self.items.len() == 1 => item.number,
            _ => SEVERAL,
        }
    }
}

impl Vending {
    /// A selection was pressed.
    pub fn select(&mut self, now: Micros, number: u16, means: &dyn Means) {
        if let Some(item) = self.selectable(number) {
            self.sell(now, Sale::of(item), means);
        }
    }

    /// A selection was pressed with options that cost `extra`: a larger cup, more milk (7.4.5,
    /// options price).
    pub fn select_with_options(
        &mut self,
        now: Micros,
        number: u16,
        extra: Money,
        means: &dyn Means,
    ) {
        if let Some(mut item) = self.selectable(number) {
            item.card = CardPrice::Fixed(item.card_price().saturating_add(extra));
            item.price = item.price.saturating_add(extra);
            let mut sale = Sale::of(item);
            sale.options = extra;
            self.sell(now, sale, means);
        }
    }

    fn selectable(&mut self, number: u16) -> Option<Item> {
        if self.stage != Stage::Idle || self.entry.is_some() {
            self.show("Please wait");
            return None;
        }
        if let Some(why) = self.closed.get(&number) {
            let why = *why;
            self.show(format!("Not to be had: {why}"));
            return None;
        }
        let item = self.items.iter().find(|i| i.number == number).cloned();
        if item.is_none() {
            self.show("No such selection");
        }
        item
    }

    fn sell(&mut self, now: Micros, mut sale: Sale, means: &dyn Means) {
        let Some(item) = sale.items.front().cloned() else {
            return;
        };
        if self.tokens > 0 {
            sale.token = true;
            sale.kind = SaleKind::Token;
            self.deliver(sale);
            return;
        }
        let mut alone = None;
        if let Some((worth, coupon)) = self.coupon_for(&item) {
            sale.coupon = worth;
            if coupon.value.is_none() {
                sale.kind = SaleKind::Token;
            }
            alone = coupon.alone.then_some(coupon.device);
        } else if item.price.is_zero() {
            sale.kind = SaleKind::Free;
        }
        // Coupon first, then cash, and the card at last (7.4.4).
        let due = item.price.saturating_sub(sale.coupon);
        if alone.is_none() && self.credit >= due {
            let change = self.credit.saturating_sub(due);
            if is_payable(change, means) || self.card_takes(change, means) {
                self.deliver(sale.paid_in_cash(due));
            } else {
                self.show("Use exact change");
            }
            return;
        }
        if alone.is_none() && self.spend_held(&sale, due, means) {
            return;
        }
        let device = match &alone {
            Some(device) => self.payer(means, |d| d == device),
            None => self.payer(means, |_| true),
        };
        match device {
            Some(device) => {
                // What a card takes part in has its card price, whoever pays how much of it.
                let item = item.on_card();
                if sale.coupon > Money::ZERO {
                    let worth = self.coupon_for(&item).map(|(worth, _)| worth);
                    sale.coupon = worth.unwrap_or_default();
                }
                let due = item.price.saturating_sub(sale.coupon);
                // Cash that covers the card price would leave the card nothing: it stays credit.
                if self.policy.cards.mixed && alone.is_none() && self.credit < due {
                    sale.cash = self.credit;
                }
                let due = due.saturating_sub(sale.cash);
                sale.items = VecDeque::from([item]);
                let price = self.price_for(&device, due, &sale.items, means);
                self.ask(now, sale, device, (due, price));
            }
            None => {
                let price = item.price.show(self.policy.decimals);
                self.show(format!("{} costs {price}", item.name));
            }
        }
    }

    /// Several items are bought at once on the card that is there, with one request (7.4.5).
    pub fn select_basket(&mut self, now: Micros, numbers: &[u16], means: &dyn Means) {
        let mut items = VecDeque::new();
        for number in numbers {
            let Some(item) = self.selectable(*number) else {
                return;
            };
            items.push_back(item.on_card());
        }
        let able = |d: &str| reader(d, means).is_some_and(|r| r.basket);
        let device = self.payer(means, able);
        match (device, items.front()) {
            (Some(device), Some(first)) if items.len() <= usize::from(u8::MAX) => {
                let due = items.iter().map(|i| i.price).sum();
                let mut sale = Sale::of(first.clone());
                sale.items = items;
                let price = self.price_for(&device, due, &sale.items, means);
                self.ask(now, sale, device, (due, price));
            }
            _ => self.show("One item at a time"),
        }
    }

    /// The item is delivered free of charge, as a test by the service (7.4.10).
    pub fn test_vend(&mut self, number: u16) {
        if let Some(item) = self.selectable(number) {
            let mut sale = Sale::of(item);
            sale.kind = SaleKind::Test;
            self.deliver(sale);
        }
    }

    /// A card device that can be asked: one with a card, else one that waits for requests.
    pub(super) fn payer(&self, means: &dyn Means, which: impl Fn(&str) -> bool) -> Option<String> {
        let mut open = self.sessions.iter().filter(|s| s.is_open());
        if let Some(session) = open.find(|s| which(&s.device)) {
            return Some(session.name());
        }
        let waits = |device: &String| {
            let ending = self.sessions.iter().any(|s| s.device == *device);
            !ending && which(device)
        };
        let readers = means.readers().into_iter();
        let mut idle = readers.filter(|r| r.ready && r.always_idle);
        idle.find_map(|r| Some(r.device).filter(waits))
    }

    /// Asks a card device to pay `due` of a sale, which is `price` on the card that is there.
    pub(super) fn ask(
        &mut self,
        now: Micros,
        mut sale: Sale,
        device: String,
        (due, price): (Money, Money),
    ) {
        let until = now + self.policy.session_timeout;
        match self.session(&device) {
            Some(session) => session.until = until,
            None => self
                .sessions
                .push(Session::new(device.clone(), false, until)),
        }
        sale.card = Some(CardPart {
            device: device.clone(),
            due,
            approved: Money::ZERO,
            shares: Shares::default(),
            alive: true,
        });
        if sale.inward {
            self.orders.push_back(Order::ReturnRequest {
                device,
                item: sale.number(),
                value: due,
            });
        } else {
            self.order_request(&sale, device, price);
        }
        let waits = self.is_waiting_for_card(&sale);
        self.show(if waits {
            "Please present your card"
        } else {
            "Asking the card reader"
        });
        self.stage = Stage::Asking(sale);
    }

    fn order_request(&mut self, sale: &Sale, device: String, price: Money) {
        self.orders.push_back(Order::VendRequest {
            device,
            item: sale.number(),
            price,
            count: sale.count(),
            options: sale.options.min(price),
        });
    }

    /// The same request again, with the price for the card that is there now (7.4.5).
    pub(super) fn ask_again(&mut self, device: &str, means: &dyn Means) {
        if let Stage::Asking(sale) = &self.stage
            && let Some(card) = &sale.card
        {
            let (sale, due) = (sale.clone(), card.due);
            let price = self.price_for(device, due, &sale.items, means);
            self.order_request(&sale, device.to_owned(), price);
        }
    }

    pub(super) fn deliver(&mut self, sale: Sale) {
        let Some(item) = sale.items.front() else {
            return;
        };
        let number = item.number;
        self.show(if sale.inward {
            "Taking it back"
        } else {
            "Vending"
        });
        self.orders.push_back(if sale.inward {
            Order::TakeIn(number)
        } else {
            Order::Deliver(number)
        });
        self.stage = Stage::Delivering(sale);
    }
}
