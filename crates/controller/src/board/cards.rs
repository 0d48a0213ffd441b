//! The board and its cashless devices: orders carried out, sales announced, and what is done at the
//! machine that only they care for.

use super::Controller;
use super::slot::{BoardMeans, Peer, Slot};
use crate::drivers::Sold;
use crate::drivers::cashless::Cashless;
use crate::drivers::channel::Life;
use crate::drivers::motor::Mishap;
use crate::shop::{CardPrice, Order};
use payrig_mdb::cashless::{Command, Kind, Mode, Reason, Unit};
use payrig_mdb::{Block, bill, changer};
use payrig_units::{Micros, Money};

/// A sale to be reported to a reader.
#[derive(Clone, Debug)]
pub(super) struct SaleNotice {
    device: String,
    sold: Sold,
    payers: Vec<(Unit, Money)>,
}

impl Controller {
    fn with_cashless(&mut self, device: &str, act: impl FnOnce(&mut Cashless)) {
        let found = self.slots.iter_mut().find(|s| s.name == device);
        if let Some(Slot {
            unit: Peer::Cashless(cashless),
            ..
        }) = found
        {
            act(cashless);
        }
    }

    pub(super) fn each_cashless(&mut self, mut act: impl FnMut(&mut Cashless)) {
        for slot in &mut self.slots {
            if let Peer::Cashless(cashless) = &mut slot.unit {
                act(cashless);
            }
        }
    }

    pub(super) fn carry_out_on_card(&mut self, order: Order) {
        match order {
            Order::VendRequest {
                device,
                item,
                price,
                count,
                options,
            } => self.with_cashless(&device, |c| c.request(item, price, count, options)),
            Order::ReturnRequest {
                device,
                item,
                value,
            } => self.with_cashless(&device, |c| c.request_return(item, value)),
            Order::VendCancel(device) => self.with_cashless(&device, Cashless::cancel),
            Order::VendSuccess { device, gone } => {
                self.with_cashless(&device, |c| c.success(&gone));
            }
            Order::VendFailure { device, failed } => {
                self.with_cashless(&device, |c| c.failure(&failed));
            }
            Order::SessionComplete(device) => self.with_cashless(&device, Cashless::complete),
            Order::RevalueLimit(device) => self.with_cashless(&device, Cashless::request_limit),
            Order::Revalue { device, amount } => {
                self.with_cashless(&device, |c| c.revalue(amount));
            }
            Order::DenySelection {
                device,
                item,
                reason,
            } => self.with_cashless(&device, |c| c.deny_selection(item, reason)),
            Order::CouponReply {
                device,
                used,
                item,
                value,
            } => self.with_cashless(&device, |c| c.coupon_reply(used, item, value)),
            Order::Keys { device, keys } => self.with_cashless(&device, |c| c.keys(&keys)),
            Order::GiveUpKeys(device) => self.with_cashless(&device, Cashless::give_up_keys),
            // Not for a cashless device.
            _ => {}
        }
    }

    /// A sale is to be reported to the readers that account for it (7.4.10): the one that took part in
    /// it first, then the others, as in example 24 of 7.7.
    pub(super) fn announce(&mut self, sold: Sold) {
        let mut payers: Vec<(Unit, Money)> = Vec::new();
        let mut devices: Vec<(bool, String)> = Vec::new();
        for slot in &self.slots {
            if let Peer::Cashless(cashless) = &slot.unit {
                let paid = sold
                    .card
                    .as_ref()
                    .filter(|(device, _)| *device == slot.name);
                payers.extend(paid.map(|(_, amount)| (cashless.unit(), *amount)));
                devices.push((paid.is_none(), slot.name.clone()));
            }
        }
        devices.sort();
        let notice = |(_, device)| SaleNotice {
            device,
            sold: sold.clone(),
            payers: payers.clone(),
        };
        self.sale_notices.extend(devices.into_iter().map(notice));
    }

    /// Reports one sale after the other, each after the VEND SUCCESS it belongs to (7.4.10).
    pub(super) fn announce_next(&mut self) {
        let busy = |s: &Slot| match &s.unit {
            Peer::Cashless(c) => s.channel.life() == Life::Running && c.is_reporting_sale(),
            _ => false,
        };
        while !self.sale_notices.is_empty() && !self.slots.iter().any(busy) {
            if let Some(next) = self.sale_notices.pop_front() {
                self.with_cashless(&next.device, |c| c.report_sale(&next.sold, &next.payers));
            }
        }
    }

    /// READER ENABLE or READER DISABLE to every cashless device: whether cards are welcome. The
    /// board says no by itself when it is out of order.
    pub fn welcome_cards(&mut self, now: Micros, on: bool) {
        self.cards_welcome = on;
        self.settle(now);
    }

    /// Whether each reader is to take cards: not out of order, not in service, and not while the
    /// other one has a session where only one may.
    pub(super) fn update_cards(&mut self) {
        let cards = &self.config.cards;
        let on = self.cards_welcome && (!self.in_service || cards.in_service);
        for slot in &mut self.slots {
            if let Peer::Cashless(cashless) = &mut slot.unit {
                let waits = cards.one_at_a_time && self.vending.in_session_elsewhere(&slot.name);
                cashless.welcome(on && !waits);
            }
        }
    }

    /// An item has another cash price from now on, and another one on cards unless that is fixed;
    /// readers are informed when the range of prices changes with it (7.4.3).
    pub fn set_price(&mut self, now: Micros, item: u16, price: Money) {
        self.vending.set_price(item, price);
        self.announce_prices(now);
    }

    /// An item has another price on cards from now on; readers are informed as by
    /// [`set_price`](Self::set_price).
    pub fn set_card_price(&mut self, now: Micros, item: u16, price: CardPrice) {
        self.vending.set_card_price(item, price);
        self.announce_prices(now);
    }

    fn announce_prices(&mut self, now: Micros) {
        let range = self.vending.price_range();
        self.each_cashless(|c| c.prices_changed(range));
        if self.powered {
            self.settle(now);
        }
    }

    /// An item is unavailable, for this reason (7.4.12), or with `None` available again.
    pub fn close_item(&mut self, item: u16, why: Option<Reason>) {
        self.vending.close_item(item, why);
    }

    /// Sends DIAGNOSTICS (FFH, sections 5.3, 6.3, 7.4.30) with what its maker defines to a
    /// peripheral, ahead of the next POLL. False when there is none of that name on the bus, or no
    /// power.
    pub fn diagnose(&mut self, now: Micros, name: &str, data: &[u8]) -> bool {
        let found = self.slots.iter().find(|s| s.name == name);
        let block = found.map(|slot| match &slot.unit {
            Peer::Changer(_) => changer::Command::Diagnostics(data.to_vec()).emit(),
            Peer::Bill(_) => bill::Command::Diagnostics(data.to_vec()).emit(),
            Peer::Cashless(c) => {
                Command::new(c.unit(), Kind::Diagnostics(data.to_vec())).emit(&Mode::default())
            }
        });
        block.is_some_and(|block| self.say(now, name, block))
    }

    /// Several items are chosen to be bought at once on the card that is there.
    pub fn select_basket(&mut self, now: Micros, items: &[u16]) {
        if self.powered {
            self.vending
                .select_basket(now, items, &BoardMeans(&self.slots, &self.hoppers));
            self.settle(now);
        }
    }

    /// A selection was pressed, with options of the item that cost `extra` (7.4.5).
    pub fn select_with_options(&mut self, now: Micros, item: u16, extra: Money) {
        if self.powered {
            let means = BoardMeans(&self.slots, &self.hoppers);
            self.vending.select_with_options(now, item, extra, &means);
            self.settle(now);
        }
    }

    /// The service lets an item be delivered as a test.
    pub fn test_vend(&mut self, now: Micros, item: u16) {
        if self.powered {
            self.vending.test_vend(item);
            self.settle(now);
        }
    }

    /// A customer puts an item into the machine, to be given its value.
    pub fn give_back(&mut self, now: Micros, item: u16, value: Money) {
        if self.powered {
            self.vending
                .give_back(now, item, value, &BoardMeans(&self.slots, &self.hoppers));
            self.settle(now);
        }
    }

    /// A key of the machine is pressed, in ASCII, where a cashless device asked for keys.
    pub fn press_key(&mut self, now: Micros, key: u8) {
        if self.powered {
            self.vending.press_key(now, key);
            self.settle(now);
        }
    }

    /// What goes wrong with the next delivery of this item.
    pub fn mishap(&mut self, item: u16, mishap: Mishap) {
        self.motor.expect(item, mishap);
    }

    /// Sends a command to a peripheral as it is, ahead of the next POLL, whatever state it is in.
    /// False when the board does not expect one of that name on the bus.
    pub fn say(&mut self, now: Micros, name: &str, block: Block) -> bool {
        let found = self.slots.iter_mut().find(|s| s.name == name);
        if let Some(slot) = found {
            slot.channel.want(now, block);
            return self.powered;
        }
        false
    }
}
