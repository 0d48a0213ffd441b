//! The emulated changer under test, spoken to in bytes.

mod coins;
mod conversation;
mod expansion;
mod money;
mod payouts;
mod quirks;
mod service;

use super::*;
use crate::{Device, Reply};
use payrig_mdb::Block;
use payrig_mdb::changer::CoinType;
use payrig_units::{Ledger, Micros, Money, Place};

pub(super) const NAME: &str = "changer";

pub(super) fn t(n: u8) -> CoinType {
    CoinType::of(n)
}

pub(super) fn tube(n: u8) -> Place {
    Place::Tube(NAME.into(), n)
}

/// A changer, a clock and a book.
pub(super) struct Rig {
    pub(super) changer: Changer,
    pub(super) now: Micros,
    pub(super) ledger: Ledger,
}

impl Rig {
    pub(super) fn of(config: ChangerConfig, quirks: Quirks) -> Self {
        let mut rig = Self {
            changer: Changer::new(config, quirks).unwrap(),
            now: Micros::ZERO,
            ledger: Ledger::new(),
        };
        rig.wait(1_000);
        rig
    }

    pub(super) fn with(quirk: &str) -> Self {
        let mut quirks = Quirks::default();
        assert!(quirk.is_empty() || quirks.set(quirk, true), "{quirk}");
        Self::of(ChangerConfig::demo(), quirks)
    }

    /// Started, its JUST RESET acknowledged.
    pub(super) fn started(quirk: &str) -> Self {
        let mut rig = Self::with(quirk);
        if quirk != "no-just-reset" {
            assert_eq!(rig.say(&[0x0B]), [0x0B]);
        }
        rig
    }

    /// Started, all coins and features enabled.
    pub(super) fn ready(quirk: &str) -> Self {
        let mut rig = Self::started(quirk);
        assert_eq!(rig.send(&[0x0F, 0x01, 0, 0, 0, 0x0F]), Reply::Ack);
        assert_eq!(rig.send(&[0x0C, 0xFF, 0xFF, 0xFF, 0xFF]), Reply::Ack);
        rig
    }

    /// Time goes by.
    pub(super) fn wait(&mut self, ms: u64) {
        self.now += Micros::ms(ms);
        self.changer.wake(self.now);
        self.book();
    }

    pub(super) fn book(&mut self) {
        for movement in self.changer.take_movements() {
            self.ledger.book(self.now, None, movement).unwrap();
        }
    }

    /// A command; what was answered is not acknowledged yet.
    pub(super) fn send(&mut self, bytes: &[u8]) -> Reply {
        self.now += Micros::ms(10);
        let reply = self.changer.command(self.now, &Block::new(bytes).unwrap());
        self.book();
        reply
    }

    /// A command answered with data, which is acknowledged.
    pub(super) fn say(&mut self, bytes: &[u8]) -> Vec<u8> {
        match self.send(bytes) {
            Reply::Data(block) => {
                self.changer.acknowledged(self.now);
                block.bytes().to_vec()
            }
            other => panic!("{bytes:02X?} was answered with {other:?}"),
        }
    }

    pub(super) fn poll(&mut self) -> Reply {
        self.send(&[0x0B])
    }

    /// Coins fall in one after another, and land.
    pub(super) fn coins(&mut self, types: &[u8]) {
        for n in types {
            self.changer.insert_coin(self.now, t(*n));
        }
        self.wait(300 * types.len() as u64);
    }

    pub(super) fn balance(&self, place: &Place) -> i64 {
        self.ledger.balance(place).as_minor()
    }

    pub(super) fn tube_counts(&mut self) -> Vec<u8> {
        self.say(&[0x0A])[2..6].to_vec()
    }

    pub(super) fn notes(&mut self) -> String {
        self.changer.take_notes().join("; ")
    }

    /// The book and the changer agree.
    pub(super) fn check_money(&mut self) {
        self.book();
        assert_eq!(self.ledger.sum(), 0);
        let in_tubes: Money = (0..16).map(|n| self.ledger.balance(&tube(n))).sum();
        assert_eq!(in_tubes, self.changer.in_tubes());
        for n in 0..16 {
            let worth = self.changer.config().coin(t(n)).map(|c| c.worth.money());
            let coins = self.changer.tube(t(n)).map_or(0, |v| v.coins);
            let worth = worth.unwrap_or_default().as_minor();
            assert_eq!(self.balance(&tube(n)), worth * i64::from(coins));
        }
        let cash_box = self.ledger.balance(&Place::CashBox(NAME.into()));
        assert_eq!(cash_box, self.changer.cash_box());
        assert!(cash_box >= Money::ZERO);
    }
}
