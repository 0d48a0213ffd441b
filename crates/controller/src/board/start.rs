//! A board is built, gets power and loses it.

use super::slot::{Peer, Slot};
use super::welcome::Changeable;
use super::{BoardConfig, Controller, ExpectedKind};
use crate::drivers::bill::Bill;
use crate::drivers::cashless::{Board as CashlessBoard, Cashless};
use crate::drivers::changer::Changer;
use crate::drivers::channel::{Channel, Rhythm};
use crate::drivers::files::Mailbox;
use crate::drivers::hopper::Hopper;
use crate::drivers::master::BusMaster;
use crate::drivers::motor::Motor;
use crate::drivers::pulse_input::PulseInput;
use crate::shop::{Policy, Vending};
use payrig_mdb::Address;
use payrig_mdb::cashless::Level;
use payrig_units::Micros;
use std::collections::VecDeque;

impl Controller {
    /// A board that has just been given power at `now`: it resets the bus and looks for what it
    /// expects.
    #[must_use]
    pub fn new(config: BoardConfig, now: Micros) -> Self {
        let policy = Policy {
            decimals: config.decimals,
            session_timeout: config.session_timeout,
            multi_vend: config.multi_vend,
            hold_bills: config.hold_bills,
            keep_credit: config.keep_credit,
            cards: config.cards.clone(),
        };
        let mut board = Self {
            powered: true,
            master: BusMaster::new(config.timing),
            slots: Vec::new(),
            current: None,
            pulses: Vec::new(),
            mailbox: Mailbox::new(config.identity.file()),
            hoppers: Vec::new(),
            vending: Vending::new(config.items.clone(), policy),
            motor: Motor::default(),
            sale_notices: VecDeque::new(),
            delivered: Vec::new(),
            notices: Vec::new(),
            movements: Vec::new(),
            exact_change: false,
            in_service: false,
            cards_welcome: true,
            changeable: Changeable::default(),
            reports: Vec::new(),
            config,
        };
        for expected in &board.config.expected {
            let name = expected.name.clone();
            match &expected.kind {
                ExpectedKind::Pulse(link) => {
                    board.pulses.push(PulseInput::new(name, (**link).clone()));
                }
                ExpectedKind::Hopper(link) => {
                    board.hoppers.push(Hopper::new(name, (**link).clone()));
                }
                _ => {}
            }
        }
        board.power_up(now);
        board
    }

    fn power_up(&mut self, now: Micros) {
        // Drivers that were paying remember it, and count what came out.
        let mut paying = std::mem::take(&mut self.slots);
        paying.retain(|s| s.unit.is_paying());
        self.mailbox.reset();
        for input in &mut self.pulses {
            input.hold_off(now, true);
        }
        self.current = None;
        let range = self.vending.price_range();
        for expected in &self.config.expected {
            let name = expected.name.clone();
            let (address, non_response, unit) = match &expected.kind {
                ExpectedKind::Changer => {
                    let driver = Changer::new(
                        name.clone(),
                        self.config.refused_coins.clone(),
                        self.config.changer.clone(),
                    );
                    (
                        Address::CHANGER,
                        Micros::secs(2),
                        Peer::Changer(Box::new(driver)),
                    )
                }
                ExpectedKind::BillValidator => {
                    let driver = Bill::new(name.clone(), self.config.bills.clone());
                    (
                        Address::BILL_VALIDATOR,
                        Micros::secs(5),
                        Peer::Bill(Box::new(driver)),
                    )
                }
                ExpectedKind::Cashless(unit) => {
                    let board = CashlessBoard {
                        level: Level(self.config.cashless_level),
                        identity: self.config.identity.clone(),
                        uses: self.config.cashless.clone(),
                        prices: range,
                    };
                    let driver = Cashless::new(name.clone(), *unit, board);
                    (
                        unit.address(),
                        Micros::secs(5),
                        Peer::Cashless(Box::new(driver)),
                    )
                }
                ExpectedKind::Pulse(_) | ExpectedKind::Hopper(_) => continue,
            };
            let poll_every = self.config.poll_every;
            let rhythm = Rhythm {
                poll_every,
                ..Rhythm::new(non_response)
            };
            let channel = Channel::new(address, rhythm, now);
            let remembered = paying.iter().position(|s| s.name == name);
            let unit = remembered.map_or(unit, |i| paying.swap_remove(i).unit);
            self.slots.push(Slot {
                name,
                channel,
                unit,
            });
        }
        if !self.slots.is_empty() {
            self.master.bus_reset(now);
        }
        self.update_welcome(now);
    }

    /// Power to the board comes or goes. Credit stays; sales and sessions under way are forgotten,
    /// and what a payout under way has paid is counted once power is back.
    pub fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered {
            return;
        }
        self.powered = on;
        self.master.power(now);
        for input in &mut self.pulses {
            input.power(now, on);
        }
        for hopper in &mut self.hoppers {
            hopper.power(now, on);
        }
        if !self.hoppers.is_empty() {
            // What a hopper had paid when the power went.
            self.settle(now);
        }
        self.motor.stop();
        if !on {
            let countable = self.payouts_broken_off(now);
            self.vending.power_lost(countable);
        }
        if on {
            self.power_up(now);
        }
    }

    /// The power went in the middle of payouts: what came out is counted once it is back. True when
    /// a changer was paying.
    fn payouts_broken_off(&mut self, now: Micros) -> bool {
        let mut any = false;
        let mut coins = false;
        for slot in self.slots.iter_mut().filter(|s| s.unit.is_paying()) {
            any = true;
            coins |= matches!(slot.unit, Peer::Changer(_));
            slot.unit.driver().lost(now);
        }
        if any {
            self.settle(now);
        }
        coins
    }

    /// True while the board has power.
    #[must_use]
    pub fn powered(&self) -> bool {
        self.powered
    }

    /// Resets the bus and sets everything up anew (section 2.2).
    pub fn bus_reset(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        self.current = None;
        self.mailbox.reset();
        self.master.bus_reset(now);
        for slot in &mut self.slots {
            slot.channel.restart(now);
        }
    }
}
