//! The peripherals on the board's bus, each with its schedule and its driver.

use crate::drivers::bill::Bill;
use crate::drivers::cashless::Cashless;
use crate::drivers::changer::Changer;
use crate::drivers::channel::{Channel, Driver, Life};
use crate::drivers::hopper::Hopper;
use crate::drivers::report::{Reader, Report};
use crate::shop::{Means, Purse, in_bills};
use payrig_mdb::Block;
use payrig_units::{Micros, Money};

#[derive(Clone, Debug)]
pub(super) enum Peer {
    Changer(Box<Changer>),
    Bill(Box<Bill>),
    Cashless(Box<Cashless>),
}

#[derive(Clone, Debug)]
pub(super) struct Slot {
    pub(super) name: String,
    pub(super) channel: Channel,
    pub(super) unit: Peer,
}

impl Peer {
    pub(super) fn driver(&mut self) -> &mut dyn Driver {
        match self {
            Self::Changer(d) => d.as_mut(),
            Self::Bill(d) => d.as_mut(),
            Self::Cashless(d) => d.as_mut(),
        }
    }

    pub(super) fn as_driver(&self) -> &dyn Driver {
        match self {
            Self::Changer(d) => d.as_ref(),
            Self::Bill(d) => d.as_ref(),
            Self::Cashless(d) => d.as_ref(),
        }
    }

    /// True while it pays, or what it paid is still to be counted.
    pub(super) fn is_paying(&self) -> bool {
        match self {
            Self::Changer(d) => d.is_paying(),
            Self::Bill(d) => d.is_paying(),
            Self::Cashless(_) => false,
        }
    }
}

impl Slot {
    /// True while commands other than POLL are still to be sent or answered.
    pub(super) fn is_busy(&self) -> bool {
        let driver = match &self.unit {
            Peer::Cashless(c) => self.channel.life() == Life::Running && c.is_busy(),
            _ => false,
        };
        driver || self.channel.is_busy()
    }

    fn take_wanted(&mut self) -> Option<Block> {
        match &mut self.unit {
            Peer::Changer(d) => d.take_wanted().map(|c| c.emit()),
            Peer::Bill(d) => d.take_wanted().map(|c| c.emit()),
            // Its driver chooses its commands when they are due.
            Peer::Cashless(_) => None,
        }
    }

    pub(super) fn take_reports(&mut self, into: &mut Vec<Report>) {
        match &mut self.unit {
            Peer::Changer(d) => d.take_reports(into),
            Peer::Bill(d) => d.take_reports(into),
            Peer::Cashless(d) => d.take_reports(into),
        }
    }

    /// Commands its driver wants sent go into its channel; one that has a choice is asked soon.
    pub(super) fn pass_orders(&mut self, now: Micros) {
        while let Some(block) = self.take_wanted() {
            self.channel.want(now, block);
        }
        if self.unit.as_driver().has_choice() {
            self.channel.hurry(now);
        }
    }
}

/// What can be paid out now.
pub(super) fn purse(slots: &[Slot]) -> Purse {
    let mut purse = Purse::default();
    let running = slots.iter().filter(|s| s.channel.life() == Life::Running);
    for slot in running {
        match &slot.unit {
            Peer::Changer(c) if c.can_pay(Money::ZERO) => purse.coins = c.stock(),
            Peer::Bill(b) => purse.bills = b.stock(),
            _ => {}
        }
    }
    purse
}

/// What the seller may ask of the drivers.
#[derive(Clone, Copy)]
pub(super) struct BoardMeans<'a>(pub(super) &'a [Slot], pub(super) &'a [Hopper]);

impl Means for BoardMeans<'_> {
    fn can_pay(&self, amount: Money) -> bool {
        amount.is_zero()
            || in_bills(amount, &purse(self.0)).is_some()
            || !has_changer(self.0) && self.1.iter().any(|h| h.can_pay(amount))
    }

    fn gives_change(&self) -> bool {
        let bus = self.0.iter().any(|s| match &s.unit {
            Peer::Changer(_) => true,
            Peer::Bill(bill) => bill.pays(),
            Peer::Cashless(_) => false,
        });
        bus || !self.1.is_empty()
    }

    fn readers(&self) -> Vec<Reader> {
        let each = |s: &Slot| match &s.unit {
            Peer::Cashless(c) => Some(c.reader(s.channel.life() == Life::Running)),
            _ => None,
        };
        self.0.iter().filter_map(each).collect()
    }
}

pub(super) fn has_changer(slots: &[Slot]) -> bool {
    slots.iter().any(|s| matches!(s.unit, Peer::Changer(_)))
}
