//! The board and a bill validator over the virtual bus: whatever happens, the books say where the
//! money is (MDB/ICP 4.3, section 6).

use payrig_controller::{BillChange, BillPolicy, BoardConfig, Controller, ExpectedKind};
use payrig_link::{FaultKind, FrameKind};
use payrig_mdb::Address;
use payrig_peripherals::Device;
use payrig_peripherals::bill::{BillConfig, BillValidator, Fault, Quirks, RecyclerStore};
use payrig_peripherals::changer::{Changer, ChangerConfig};
use payrig_tests::{Bench, Plugged, board, fault};
use payrig_units::{Micros, Money};
use payrig_wire::Source;

const BILL: &str = "bill validator";

fn validator() -> BillConfig {
    BillConfig::default()
}

/// Stores for 1.00 (5 bills) and 5.00 (3 bills), eight at most.
fn recycler() -> BillConfig {
    let store = |bill_type, count| RecyclerStore {
        bill_type,
        count,
        capacity: 8,
    };
    BillConfig {
        level: 2,
        recycler: vec![store(0, 5), store(1, 3)],
        ..validator()
    }
}

struct Set {
    bench: Bench<Controller>,
    bill: Plugged<BillValidator>,
}

/// A board that takes bills only, and no change.
fn bills_only(change: impl FnOnce(&mut BoardConfig), config: BillConfig, quirks: Quirks) -> Set {
    let mut board = board(&[(BILL, ExpectedKind::BillValidator)]);
    change(&mut board);
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let bill = bench.plug(BILL, BillValidator::new(config, quirks).unwrap());
    bench.run_until_ready();
    bench.run_for(Micros::ms(500));
    Set { bench, bill }
}

fn plain() -> Set {
    bills_only(|_| {}, validator(), Quirks::default())
}

impl Set {
    /// The customer puts in a bill of a type.
    fn insert(&mut self, bill_type: u8) {
        self.bench
            .at(&self.bill, |v, now| v.insert_bill(now, bill_type));
    }
    fn run(&mut self, ms: u64) {
        self.bench.run_for(Micros::ms(ms));
    }
    #[track_caller]
    fn expect(&self, credit: i64, stacked: i64) {
        self.bench.assert_books_agree();
        assert_eq!(self.bench.credit(), Money(credit), "credit");
        let stacker = self.bench.balance("bill validator stacker");
        assert_eq!(stacker, Money(stacked), "stacker");
    }
}

#[test]
fn a_bill_is_credited_when_it_is_stacked_and_not_before() {
    let mut set = plain();
    set.insert(0);
    assert!(
        set.bench
            .run_until(|b| b.balance("bill validator escrow") == Money(100))
    );
    let stacking = |b: &mut Bench<Controller>| b.names().iter().any(|n| n.contains("ESCROW"));
    assert!(set.bench.run_until(stacking));
    assert_eq!(set.bench.credit(), Money::ZERO);
    set.run(4_000);
    println!(
        "{:#?} {:?}",
        set.bench.conversation_names(Address::BILL_VALIDATOR),
        set.bench.notes()
    );
    set.expect(100, 100);
}
