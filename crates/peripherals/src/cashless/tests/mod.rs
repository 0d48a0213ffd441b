//! Tests of the cashless device, with bytes as they travel.

mod options;
mod properties;
mod quirks;
mod sequence;
mod start;
mod vends;

use super::*;
use crate::{Device, Reply};
use payrig_mdb::Block;
use payrig_mdb::cashless::{Level, Options};
use payrig_units::{Ledger, Micros, Money, Place};

/// A device, the time, and the book its movements go to.
pub(super) struct Rig {
    pub(super) device: CashlessDevice,
    pub(super) now: Micros,
    pub(super) ledger: Ledger,
    pub(super) notes: Vec<String>,
}

impl Rig {
    pub(super) fn new(config: CashlessConfig) -> Self {
        Self {
            device: CashlessDevice::new(config),
            now: Micros::secs(1),
            ledger: Ledger::new(),
            notes: Vec::new(),
        }
    }

    /// Level 02 on both sides, enabled, no delay; changed as `change` says.
    pub(super) fn enabled(change: impl FnOnce(&mut CashlessConfig)) -> Self {
        let mut rig = Self::new(with(change));
        rig.start_up(2);
        rig
    }

    /// Level 03 with options offered and enabled.
    pub(super) fn with_options(options: Options, change: impl FnOnce(&mut CashlessConfig)) -> Self {
        let mut rig = Self::new(with(|config| {
            config.level = Level::THREE;
            config.options = options;
            change(config);
        }));
        rig.start_up(3);
        let [a, b, c, d] = options.0.to_be_bytes();
        rig.acks(&[0x17, 0x04, a, b, c, d]);
        rig
    }

    /// The start-up sequence of 7.4.1, without request ID.
    pub(super) fn start_up(&mut self, vmc_level: u8) {
        let answers_at_poll = self.device.config().answers == Answers::AtPoll;
        if self.device.config().quirks.no_just_reset {
            assert_eq!(self.poll(), None);
        } else {
            assert_eq!(self.poll(), Some(vec![0x00]));
        }
        let reply = self.send(&[0x11, 0x00, vmc_level, 16, 2, 1]);
        let config = match reply {
            Reply::Ack if answers_at_poll => self.poll(),
            Reply::Data(block) => Some(block.bytes().to_vec()),
            other => panic!("{other:?}"),
        };
        assert_eq!(config.unwrap()[0], 0x01);
        self.acks(&[0x11, 0x01, 0x01, 0x00, 0x00, 0x05]);
        self.acks(&[0x14, 0x01]);
    }

    /// A card with so much on it, in a session.
    pub(super) fn session(&mut self, balance: i64) {
        assert!(
            self.device
                .present_card(self.now, Card::with(Money(balance)))
        );
        let begin = self.poll().unwrap();
        assert_eq!(begin[0], 0x03, "{begin:02X?}");
        assert_eq!(self.device.state(), CashlessState::SessionIdle);
    }

    pub(super) fn send_unanswered(&mut self, bytes: &[u8]) -> Reply {
        self.now += Micros::ms(50);
        let reply = self.device.command(self.now, &Block::new(bytes).unwrap());
        self.collect();
        reply
    }

    /// Sends a command; data is acknowledged.
    pub(super) fn send(&mut self, bytes: &[u8]) -> Reply {
        let reply = self.send_unanswered(bytes);
        if let Reply::Data(_) = reply {
            self.device.acknowledged(self.now);
        }
        reply
    }

    pub(super) fn acks(&mut self, bytes: &[u8]) {
        assert_eq!(self.send(bytes), Reply::Ack, "{bytes:02X?}");
    }

    /// POLL: the data, acknowledged; `None` for ACK.
    pub(super) fn poll(&mut self) -> Option<Vec<u8>> {
        let address = self.device.address().with(2);
        match self.send(&[address]) {
            Reply::Ack => None,
            Reply::Data(block) => Some(block.bytes().to_vec()),
            Reply::Silence => panic!("silence"),
        }
    }

    /// POLL whose data the master does not acknowledge.
    pub(super) fn poll_lost(&mut self) -> Vec<u8> {
        let Reply::Data(block) = self.send_unanswered(&[self.device.address().with(2)]) else {
            panic!("no data")
        };
        self.device.unacknowledged(self.now);
        block.bytes().to_vec()
    }

    pub(super) fn collect(&mut self) {
        for movement in self.device.take_movements() {
            self.ledger.book(self.now, None, movement).unwrap();
        }
        self.notes.extend(self.device.take_notes());
        assert_eq!(self.ledger.sum(), 0);
    }

    pub(super) fn on_card(&self) -> i64 {
        self.balance(Place::CardAccount("cashless".into()))
    }

    pub(super) fn receipts(&self) -> i64 {
        self.balance(Place::CardReceipts("cashless".into()))
    }

    fn balance(&self, place: Place) -> i64 {
        self.ledger.balance(&place).as_minor()
    }

    pub(super) fn noted(&self, text: &str) -> bool {
        self.notes.iter().any(|note| note.contains(text))
    }
}

pub(super) fn with(change: impl FnOnce(&mut CashlessConfig)) -> CashlessConfig {
    let mut config = CashlessConfig {
        approve_delay: Micros::ZERO,
        ..CashlessConfig::default()
    };
    change(&mut config);
    config
}

/// VEND REQUEST, 16 bit: 25 counts (1.25), item 4.
pub(super) const VEND_REQUEST: [u8; 6] = [0x13, 0x00, 0x00, 0x19, 0x00, 0x04];
/// VEND APPROVED for it.
pub(super) const APPROVED: [u8; 3] = [0x05, 0x00, 0x19];
pub(super) const VEND_SUCCESS: [u8; 4] = [0x13, 0x02, 0x00, 0x04];
pub(super) const VEND_FAILURE: [u8; 2] = [0x13, 0x03];
pub(super) const VEND_CANCEL: [u8; 2] = [0x13, 0x01];
pub(super) const SESSION_COMPLETE: [u8; 2] = [0x13, 0x04];
pub(super) const DENIED: [u8; 1] = [0x06];
pub(super) const END_SESSION: [u8; 1] = [0x07];
