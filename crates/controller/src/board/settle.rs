//! What the drivers report goes to the seller, what the seller orders to the drivers.

use super::Controller;
use super::slot::{BoardMeans, Peer, Slot, purse};
use crate::drivers::bill::Bill;
use crate::drivers::cashless::Cashless;
use crate::drivers::hopper::Hopper;
use crate::drivers::pulse_input::PulseInput;
use crate::drivers::report::Report;
use crate::shop::{Order, in_bills};
use payrig_units::{Micros, Money};

impl Controller {
    /// Passes reports to the seller and orders to the drivers until nobody has anything to say.
    pub(super) fn settle(&mut self, now: Micros) {
        for _ in 0..64 {
            let mut reports = std::mem::take(&mut self.reports);
            for slot in &mut self.slots {
                slot.take_reports(&mut reports);
            }
            reports.extend(self.pulses.iter_mut().flat_map(PulseInput::take_reports));
            reports.extend(self.hoppers.iter_mut().flat_map(Hopper::take_reports));
            let mut quiet = reports.is_empty();
            for report in reports.drain(..) {
                if let Report::Credit { device, value, .. } = &report {
                    self.hoppers
                        .iter_mut()
                        .for_each(|h| h.credited(device, *value));
                }
                if let Report::Notice(text) = report {
                    self.notices.push(text);
                } else {
                    self.vending
                        .report(now, report, &BoardMeans(&self.slots, &self.hoppers));
                }
            }
            self.reports = reports;
            while let Some(order) = self.vending.take_order() {
                quiet = false;
                // Without power nothing is ordered, now or when it comes back.
                if self.powered {
                    self.carry_out(now, order);
                }
            }
            if quiet {
                break;
            }
        }
        self.movements.extend(self.vending.take_movements());
        self.announce_next();
        self.update_welcome(now);
        self.update_cards();
        for slot in &mut self.slots {
            slot.pass_orders(now);
        }
    }

    fn carry_out(&mut self, now: Micros, order: Order) {
        match order {
            Order::Deliver(item) => self.motor.turn(item, now + self.config.motor_time, false),
            Order::TakeIn(item) => self.motor.turn(item, now + self.config.motor_time, true),
            Order::Pay(amount) => {
                // Bills first; what they leave is ordered again once they are out.
                let bills = in_bills(amount, &purse(&self.slots)).unwrap_or_default();
                let recycler = self.slots.iter_mut().find_map(|s| match &mut s.unit {
                    Peer::Bill(b) if bills > Money::ZERO => Some(b),
                    _ => None,
                });
                if let Some(recycler) = recycler {
                    recycler.pay(now, bills);
                    return;
                }
                let changer = self.slots.iter_mut().find_map(|s| match &mut s.unit {
                    Peer::Changer(c) => Some(c),
                    _ => None,
                });
                match changer {
                    Some(changer) => changer.pay(amount),
                    None if self.hoppers.iter_mut().any(|h| h.pay(now, amount)) => {}
                    None => {
                        let means = BoardMeans(&self.slots, &self.hoppers);
                        self.vending.report(now, Report::PayoutFailed, &means);
                    }
                }
            }
            Order::Stack(device) => self.with_bill(&device, Bill::stack),
            Order::Return(device) => self.with_bill(&device, Bill::give_back),
            Order::Announce(sold) => self.announce(sold),
            Order::CancelReaders => self.each_cashless(Cashless::cancel_reader),
            order => self.carry_out_on_card(order),
        }
    }

    fn with_bill(&mut self, device: &str, act: impl FnOnce(&mut Bill)) {
        let found = self.slots.iter_mut().find(|s| s.name == device);
        if let Some(Slot {
            unit: Peer::Bill(bill),
            ..
        }) = found
        {
            act(bill);
        }
    }
}
