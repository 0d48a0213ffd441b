//! The board and a bill validator over the virtual bus: whatever happens, the books say where the
//! money is (MDB/ICP 4.3, section 6).

mod accepting;
mod faults;
mod recycler;
mod scaling;
mod setting_up;

use payrig_bench::{FaultKind, FrameKind};
use payrig_controller::{BoardConfig, Controller, ExpectedKind};
use payrig_mdb::Address;
use payrig_peripherals::bill::{BillConfig, BillValidator, Insertion, Quirks};
use payrig_tests::{Bench, Plugged, board, fault};
use payrig_units::{Micros, Money};
use payrig_wire::Source;

const BILL: &str = "bill validator";

/// A board with a bill validator and nothing else, ready.
struct Set {
    bench: Bench<Controller>,
    bill: Plugged<BillValidator>,
}

fn set(change: impl FnOnce(&mut BoardConfig), config: BillConfig, quirks: Quirks) -> Set {
    let mut set = cold(change, config, quirks);
    set.bench.run_until_ready();
    set.run(500);
    set
}

/// The same, just switched on.
fn cold(change: impl FnOnce(&mut BoardConfig), config: BillConfig, quirks: Quirks) -> Set {
    let mut board = board(&[(BILL, ExpectedKind::BillValidator)]);
    change(&mut board);
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let bill = bench.plug(BILL, BillValidator::new(config, quirks).unwrap());
    Set { bench, bill }
}

fn plain() -> Set {
    set(|_| {}, BillConfig::default(), Quirks::default())
}

/// With bills held in escrow until something is bought.
fn holding() -> Set {
    set(
        |b| b.hold_bills = true,
        BillConfig::default(),
        Quirks::default(),
    )
}

impl Set {
    /// The customer puts in a bill of a type; it is drawn in.
    #[track_caller]
    fn insert(&mut self, bill_type: u8) {
        let done = self
            .bench
            .at(&self.bill, |v, now| v.insert_bill(now, bill_type));
        assert_eq!(done, Insertion::DrawnIn);
    }

    fn run(&mut self, ms: u64) {
        self.bench.run_for(Micros::ms(ms));
    }

    /// Runs until this was said for the `nth` time (from 1) since the start.
    #[track_caller]
    fn until_said(&mut self, name: &str, nth: usize) {
        let so = |b: &mut Bench<Controller>| b.names().iter().filter(|n| *n == name).count() >= nth;
        assert!(self.bench.run_until(so), "{name} is never said");
    }

    /// How often this was said.
    fn said(&self, name: &str) -> usize {
        self.bench.names().iter().filter(|n| *n == name).count()
    }

    /// How many notes have these words in them.
    fn noted(&self, words: &str) -> usize {
        self.bench
            .notes()
            .iter()
            .filter(|n| n.contains(words))
            .count()
    }

    /// The next `count` frames of this kind are sent and not heard.
    fn unheard(&mut self, from: Source, frame: FrameKind, count: u32) {
        let mut deaf = fault(FaultKind::Deaf, from, frame);
        deaf.count = count;
        self.bench.add_fault(deaf);
    }

    /// The books agree; the customer has this credit, and the stacker holds this much.
    #[track_caller]
    fn expect(&self, credit: i64, stacked: i64) {
        self.bench.assert_books_agree();
        assert_eq!(self.bench.credit(), Money(credit), "credit");
        let stacker = self.bench.balance("bill validator stacker");
        assert_eq!(stacker, Money(stacked), "stacker");
    }

    /// What was said, without idle POLLs: names, without the ACK after data.
    fn talk(&self) -> Vec<String> {
        let mut names = self.bench.conversation_names(Address::BILL_VALIDATOR);
        names.retain(|n| n != "> ACK");
        names
    }
}
