//! The board: master, drivers and seller as one state machine.

mod cards;
mod config;
mod settle;
mod slot;
mod start;
mod welcome;

pub use config::{BoardConfig, Expected, ExpectedKind};

use crate::drivers::channel::Life;
use crate::drivers::files::Mailbox;
use crate::drivers::hopper::Hopper;
use crate::drivers::master::{BusMaster, Fit, Outcome};
use crate::drivers::motor::{Mishap, Motor};
use crate::drivers::pulse_input::PulseInput;
use crate::drivers::report::Report;
use crate::shop::Vending;
use payrig_mdb::Block;
use payrig_units::{Micros, Money, Movement};
use payrig_wire::{Edge, TimedWord, Transmission};
use slot::{BoardMeans, Peer, Slot};
use std::collections::VecDeque;
use welcome::Changeable;

/// A vending machine controller. No clock, no I/O: words and times in, words and orders out.
#[derive(Clone, Debug)]
pub struct Controller {
    config: BoardConfig,
    powered: bool,
    master: BusMaster,
    slots: Vec<Slot>,
    current: Option<usize>,
    pulses: Vec<PulseInput>,
    mailbox: Mailbox,
    hoppers: Vec<Hopper>,
    vending: Vending,
    motor: Motor,
    /// Sales to be reported to cashless devices, in order.
    sale_notices: VecDeque<cards::SaleNotice>,
    delivered: Vec<u16>,
    notices: Vec<String>,
    movements: Vec<Movement>,
    exact_change: bool,
    in_service: bool,
    /// The board is not out of order and was not set to refuse cards.
    cards_welcome: bool,
    changeable: Changeable,
    /// Room for the drivers' reports, between two rounds of [`settle`](Self::settle).
    reports: Vec<Report>,
}

impl Controller {
    /// The link may hold up what goes either way for so long: see [`BusMaster::set_link_delay`].
    pub fn set_link_delay(&mut self, delay: Micros) {
        self.master.set_link_delay(delay);
    }

    /// A word of a peripheral.
    pub fn heard(&mut self, word: &TimedWord) {
        if !self.powered {
            return;
        }
        let slot = self.current.and_then(|i| self.slots.get(i));
        let fit = |data: Option<&Block>| {
            slot.map_or(Fit::Whole, |s| s.channel.fit(data, s.unit.as_driver()))
        };
        if let Some(outcome) = self.master.heard_by(word, fit) {
            self.exchange_over(word.end, outcome);
        }
    }

    /// The level a line of the pulse device `name` has when the bench begins.
    pub fn pulse_level(&mut self, now: Micros, name: &str, line: &str, high: bool) {
        for input in self.pulses.iter_mut().filter(|p| p.name() == name) {
            input.level(now, line, high);
        }
    }

    /// A credit or exit line of the pulse device `name` changed.
    pub fn pulse_edge(&mut self, name: &str, line: &str, edge: Edge) {
        self.pulse_edge_within(name, line, edge, Micros::ZERO);
    }

    /// The same with an edge whose time may be off by `uncertainty` either way, over a real link.
    pub fn pulse_edge_within(&mut self, name: &str, line: &str, edge: Edge, uncertainty: Micros) {
        for input in self.pulses.iter_mut().filter(|p| p.name() == name) {
            input.edge(self.powered, line, edge, uncertainty);
        }
        for hopper in self.hoppers.iter_mut().filter(|h| h.wire() == name) {
            hopper.edge(line, edge);
        }
        if self.powered {
            self.settle(edge.at);
        }
    }

    /// Edges the board puts on lines of pulse devices since the last call: the device, the line
    /// (inhibit or motor), the edge.
    pub fn take_pulse_edges(&mut self) -> Vec<(String, String, Edge)> {
        let mut all = Vec::new();
        for input in &mut self.pulses {
            let name = input.name().to_owned();
            let edges = input.take_edges().into_iter();
            all.extend(edges.map(|(line, edge)| (name.clone(), line, edge)));
        }
        for hopper in &mut self.hoppers {
            let name = hopper.wire().to_owned();
            let edges = hopper.take_edges().into_iter();
            all.extend(edges.map(|(line, edge)| (name.clone(), line, edge)));
        }
        all
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        if !self.powered {
            return Micros::NEVER;
        }
        let motor = self.motor.next_deadline();
        let pulses = self.pulses.iter().map(PulseInput::next_deadline);
        let pulses = pulses.chain(self.hoppers.iter().map(Hopper::next_deadline));
        let pulses = pulses.min();
        self.master
            .next_deadline()
            .min(self.next_command_at())
            .min(motor)
            .min(self.vending.next_deadline())
            .min(pulses.unwrap_or(Micros::NEVER))
    }

    fn next_command_at(&self) -> Micros {
        let free_at = self.master.free_at();
        if free_at == Micros::NEVER {
            return free_at;
        }
        let due = self
            .slots
            .iter()
            .map(|s| s.channel.due().min(self.mailbox.due(s.channel.address)))
            .min()
            .unwrap_or(Micros::NEVER);
        due.max(free_at)
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        if let Some(outcome) = self.master.wake(now) {
            self.exchange_over(now, outcome);
        }
        // Lines may have changed at any time; else there is news at deadlines only.
        let mut news = !self.pulses.is_empty() || !self.hoppers.is_empty();
        let (instead, again) = (&self.config.instead, self.config.motor_time);
        if let Some((delivery, went_out)) = self.motor.done(now, instead, again) {
            news = true;
            self.delivered.extend(went_out);
            self.vending
                .delivered(now, delivery, &BoardMeans(&self.slots, &self.hoppers));
            if delivery.broken {
                self.welcome_cards(now, false);
            }
        }
        for input in &mut self.pulses {
            input.wake(now);
        }
        for hopper in &mut self.hoppers {
            hopper.wake(now);
        }
        if now >= self.vending.next_deadline() {
            news = true;
            self.vending.wake(now);
        }
        if news {
            self.settle(now);
        }
        if self.master.is_free(now) {
            self.send_next(now);
        }
    }

    fn send_next(&mut self, now: Micros) {
        let due = self
            .slots
            .iter()
            .enumerate()
            .flat_map(|(i, s)| {
                let mail = self.mailbox.due(s.channel.address);
                [(s.channel.due(), i, false), (mail, i, true)]
            })
            .min();
        let Some((_, index, is_mail)) = due.filter(|(at, ..)| *at <= now) else {
            return;
        };
        let Some(slot) = self.slots.get_mut(index) else {
            return;
        };
        let Slot { channel, unit, .. } = slot;
        let driver = unit.driver();
        let mail = is_mail.then(|| self.mailbox.command(channel.address));
        let was_running = channel.life() == Life::Running;
        let block = match mail.flatten() {
            Some(message) => message,
            None => channel.next_command(now, driver),
        };
        self.current = Some(index);
        self.master.command(now, &block);
        if was_running && channel.asked_besides_poll().is_none() {
            slot.pass_orders(now);
        } else {
            // The peripheral may just have become ready: what that changes is passed on at once.
            self.settle(now);
        }
    }

    fn exchange_over(&mut self, now: Micros, outcome: Outcome) {
        if let Some(slot) = self.current.take().and_then(|i| self.slots.get_mut(i)) {
            let Slot { channel, unit, .. } = slot;
            let driver = unit.driver();
            let address = channel.address;
            let asked = channel.asked_besides_poll();
            if let Some(outcome) = self.mailbox.sort(now, address, asked.as_ref(), outcome) {
                channel.outcome(now, &outcome, driver);
            }
            let polled = channel.life() == Life::Running;
            self.mailbox.sync(now, address, polled);
            self.notices.extend(self.mailbox.take_notices());
            if let Peer::Cashless(c) = &slot.unit {
                slot.channel.rhythm.non_response = c.non_response();
            }
        }
        self.settle(now);
    }

    /// A selection was pressed.
    pub fn select(&mut self, now: Micros, item: u16) {
        if self.powered {
            self.vending
                .select(now, item, &BoardMeans(&self.slots, &self.hoppers));
            self.settle(now);
        }
    }

    /// The machine's coin return was pressed.
    pub fn press_return(&mut self, now: Micros) {
        if self.powered {
            self.vending.press_return();
            self.settle(now);
        }
    }

    /// The machine's door is opened for service, or closed for sales: coins and bills are taken in
    /// sales mode only (sections 5.6, 6.6).
    pub fn set_service(&mut self, now: Micros, on: bool) {
        self.in_service = on;
        self.vending.set_service(on);
        if self.powered {
            self.settle(now);
        }
    }

    /// The next delivery of this item fails.
    pub fn jam(&mut self, item: u16) {
        self.motor.expect(item, Mishap::Jam);
    }

    /// What was to make deliveries of this item fail is undone: it falls again.
    pub fn free(&mut self, item: u16) {
        self.motor.free(item);
    }

    /// The next transmission, if any.
    pub fn take_transmission(&mut self) -> Option<Transmission> {
        self.master.take_transmission()
    }

    /// What the board believes has moved since the last call.
    pub fn take_movements(&mut self) -> Vec<Movement> {
        std::mem::take(&mut self.movements)
    }

    /// What the display showed and what the board noticed since the last call.
    pub fn take_shown(&mut self) -> (Vec<String>, Vec<String>) {
        (self.vending.take_shown(), std::mem::take(&mut self.notices))
    }

    /// Items delivered since the last call.
    pub fn take_delivered(&mut self) -> Vec<u16> {
        std::mem::take(&mut self.delivered)
    }

    /// Files between the board and its peripherals (section 2.6).
    pub fn files(&mut self) -> &mut Mailbox {
        &mut self.mailbox
    }

    /// The seller, to look at.
    #[must_use]
    pub fn vending(&self) -> &Vending {
        &self.vending
    }

    /// The exact-change light: not even the smallest bill could be changed.
    #[must_use]
    pub fn exact_change(&self) -> bool {
        self.exact_change
    }

    /// Where a peripheral is in its life; `None` for a name the board does not expect on the bus.
    #[must_use]
    pub fn life(&self, name: &str) -> Option<Life> {
        self.slots
            .iter()
            .find(|s| s.name == name)
            .map(|s| s.channel.life())
    }

    /// The bills that were reported in escrow, and neither stacked nor returned since: the customer is
    /// owed a decision. Each with its validator and what it is worth, zero where its type has no value.
    pub fn in_escrow(&self) -> impl Iterator<Item = (&str, Money)> {
        self.slots.iter().filter_map(|slot| match &slot.unit {
            Peer::Bill(bill) => Some((&*slot.name, bill.in_escrow()?)),
            _ => None,
        })
    }

    /// True when every peripheral is set up and polled, and nothing else is waiting to be sent.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.powered
            && self
                .slots
                .iter()
                .all(|s| s.channel.life() == Life::Running && !s.is_busy())
    }

    /// True while the motor turns.
    #[must_use]
    pub fn is_delivering(&self) -> bool {
        self.motor.is_turning()
    }

    /// True when nothing is under way: no sale, no payout, no command but POLL.
    #[must_use]
    pub fn is_quiet(&self) -> bool {
        !self.motor.is_turning()
            && self.vending.is_idle()
            && self.sale_notices.is_empty()
            && self.mailbox.is_idle()
            && self.slots.iter().all(|s| !s.is_busy())
            && self.pulses.iter().all(PulseInput::is_quiet)
            && self.hoppers.iter().all(Hopper::is_quiet)
    }
}
