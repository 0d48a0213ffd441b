//! A VMC's side of the bus, reduced to blocks, and the ledger beside it.

use crate::bill::{BillConfig, BillValidator, Quirks, RecyclerStore};
use crate::{Device, Reply};
use payrig_mdb::Block;
use payrig_units::{Ledger, Micros, Money, Place};

/// What [`Bench::poll`] gives for a bare ACK.
pub(super) const NOTHING: [u8; 0] = [];

/// A validator, the time, and the book of its movements.
pub(super) struct Bench {
    pub(super) v: BillValidator,
    pub(super) now: Micros,
    pub(super) ledger: Ledger,
}

/// A level 2 recycler with three bills of 5.00 (type 1) and two of 10.00 (type 2), four at most.
pub(super) fn recycler_config() -> BillConfig {
    let store = |bill_type, count| RecyclerStore {
        bill_type,
        count,
        capacity: 4,
    };
    BillConfig {
        level: 2,
        recycler: vec![store(1, 3), store(2, 2)],
        ..BillConfig::default()
    }
}

impl Bench {
    /// Just powered up; not spoken to yet, but past its start-up silence.
    pub(super) fn cold(config: BillConfig, quirks: Quirks) -> Self {
        let mut bench = Self {
            v: BillValidator::new(config, quirks).unwrap(),
            now: Micros::ZERO,
            ledger: Ledger::new(),
        };
        bench.wait(500);
        bench
    }

    /// Past JUST RESET, with all bills enabled for acceptance and escrow.
    pub(super) fn ready(config: BillConfig, quirks: Quirks) -> Self {
        let mut bench = Self::cold(config, quirks);
        bench.poll();
        bench.ack(&[0x34, 0xFF, 0xFF, 0xFF, 0xFF]);
        bench
    }

    /// As [`ready`](Self::ready), the default validator without quirks.
    pub(super) fn plain() -> Self {
        Self::ready(BillConfig::default(), Quirks::default())
    }

    /// As [`ready`](Self::ready), the recycler set up and enabled for all its types.
    pub(super) fn recycler(quirks: Quirks) -> Self {
        let mut bench = Self::ready(recycler_config(), quirks);
        bench.enable_recycler();
        bench
    }

    pub(super) fn enable_recycler(&mut self) {
        self.ack(&[0x37, 0x01, 0, 0, 0, 0x02]);
        assert_eq!(self.data(&[0x37, 0x03]), [0x00, 0x06]);
        let mut enable = vec![0x37, 0x04, 0xFF, 0xFF];
        enable.extend([3; 16]);
        self.ack(&enable);
    }

    /// Milliseconds pass.
    pub(super) fn wait(&mut self, ms: u64) {
        self.now += Micros::ms(ms);
        self.v.wake(self.now);
        self.book();
    }

    pub(super) fn book(&mut self) {
        for movement in self.v.take_movements() {
            self.ledger.book(self.now, None, movement).unwrap();
        }
    }

    pub(super) fn send(&mut self, bytes: &[u8]) -> Reply {
        self.now += Micros::ms(1);
        let reply = self.v.command(self.now, &Block::new(bytes).unwrap());
        self.book();
        reply
    }

    /// A command that must be acknowledged without data.
    #[track_caller]
    pub(super) fn ack(&mut self, bytes: &[u8]) {
        assert_eq!(self.send(bytes), Reply::Ack, "to {bytes:02X?}");
    }

    /// A command that must not be answered.
    #[track_caller]
    pub(super) fn silence(&mut self, bytes: &[u8]) {
        assert_eq!(self.send(bytes), Reply::Silence, "to {bytes:02X?}");
    }

    /// The data a command is answered with, not acknowledged.
    #[track_caller]
    pub(super) fn data_unacknowledged(&mut self, bytes: &[u8]) -> Vec<u8> {
        match self.send(bytes) {
            Reply::Data(block) => {
                self.v.unacknowledged(self.now);
                block.bytes().to_vec()
            }
            other => panic!("{other:?} to {bytes:02X?}"),
        }
    }

    /// The data a command is answered with, acknowledged.
    #[track_caller]
    pub(super) fn data(&mut self, bytes: &[u8]) -> Vec<u8> {
        match self.send(bytes) {
            Reply::Data(block) => {
                self.v.acknowledged(self.now);
                block.bytes().to_vec()
            }
            other => panic!("{other:?} to {bytes:02X?}"),
        }
    }

    /// The acknowledged answer to POLL; nothing for a bare ACK.
    #[track_caller]
    pub(super) fn poll(&mut self) -> Vec<u8> {
        match self.send(&[0x33]) {
            Reply::Data(block) => {
                self.v.acknowledged(self.now);
                block.bytes().to_vec()
            }
            Reply::Ack => Vec::new(),
            Reply::Silence => panic!("POLL not answered"),
        }
    }

    /// A bill of a type is put in and reaches the escrow position (1.5 s).
    pub(super) fn insert(&mut self, bill_type: u8) {
        let now = self.now;
        let inserted = self.v.insert_bill(now, bill_type);
        assert_eq!(inserted, crate::bill::Insertion::DrawnIn);
        self.wait(1_500);
    }

    /// Balance of the customer, the path, and the stacker, in minor units.
    pub(super) fn money(&mut self) -> (i64, i64, i64) {
        self.book();
        let name = "bill validator".to_owned();
        let of = |place: Place| self.ledger.balance(&place).as_minor();
        (
            of(Place::Customer),
            of(Place::Escrow(name.clone())),
            of(Place::Stacker(name)),
        )
    }

    pub(super) fn store(&mut self, bill_type: u8) -> Money {
        self.book();
        let place = Place::Recycler("bill validator".to_owned(), bill_type);
        self.ledger.balance(&place)
    }
}
