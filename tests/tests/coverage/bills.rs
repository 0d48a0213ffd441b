//! Conversations with bill validators and recyclers (section 6).

use super::heard::Heard;
use payrig_controller::{BillChange, BoardConfig, Controller, ExpectedKind};
use payrig_peripherals::bill::{
    BillConfig, BillValidator, DispenserFault, Fault, Quirks, RecyclerStore, WhileMoving,
};
use payrig_tests::{Bench, Plugged, board, item};
use payrig_units::{Micros, Money};

struct Set {
    bench: Bench<Controller>,
    bill: Plugged<BillValidator>,
}

fn set(config: BillConfig, change: impl FnOnce(&mut BoardConfig)) -> Set {
    let mut expected = board(&[("bill", ExpectedKind::BillValidator)]);
    expected.items = vec![item(11, "Crisps", 100), item(12, "Sandwich", 500)];
    expected.bills.high_security = Some(vec![Money(2_000)]);
    change(&mut expected);
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let bill = BillValidator::new(config, Quirks::default()).unwrap();
    let bill = bench.plug("bill", bill);
    bench.run_until_ready();
    Set { bench, bill }
}

/// Stores for 1.00 and 5.00.
fn recycler() -> BillConfig {
    let store = |bill_type, count| RecyclerStore {
        bill_type,
        count,
        capacity: 8,
    };
    BillConfig {
        level: 2,
        recycler: vec![store(0, 5), store(1, 3)],
        reports_credited_removal: true,
        diagnostics: Some(vec![0x01, 0x02]),
        ..BillConfig::default()
    }
}

impl Set {
    /// Something happens at the validator, and time passes.
    fn then<T>(&mut self, act: impl FnOnce(&mut BillValidator, Micros) -> T) {
        let bill = self.bill.clone();
        self.bench.at(&bill, act);
        self.bench.run_for(Micros::secs(6));
    }
}

/// A validator of level 1, and what a customer does to it.
fn validator(heard: &mut Heard) {
    let mut s = set(
        BillConfig {
            reports_credited_removal: true,
            while_moving: WhileMoving::ReportsBusy,
            ..BillConfig::default()
        },
        |b| b.hold_bills = true,
    );
    s.then(|v, now| v.insert_unknown_paper(now));
    s.then(|v, now| v.insert_bill(now, 0));
    s.then(|v, now| v.insert_bill(now, 0));
    s.bench.press_return();
    s.bench.run_for(Micros::secs(5));
    s.then(|v, now| v.insert_bill(now, 0));
    s.bench.select(11);
    s.bench.run_for(Micros::secs(8));
    s.then(|v, now| v.insert_bill(now, 0));
    s.then(BillValidator::pull_bill_from_escrow);
    s.then(|v, now| v.fish_in_stacker(now, false));
    for fault in [
        Fault::DefectiveMotor,
        Fault::SensorProblem,
        Fault::RomChecksum,
        Fault::Jam,
        Fault::CashBoxOut,
    ] {
        s.then(|v, now| v.break_down(now, fault));
        s.then(|v, now| v.insert_bill(now, 0));
        s.then(|v, now| v.repair(now, fault));
    }
    let now = s.bench.now();
    s.bench.master_mut().set_service(now, true);
    s.then(|v, now| v.insert_bill(now, 0));
    heard.listen(&s.bench);
    // An escrow command when there is nothing in escrow: nobody here would say so.
    s.bench.forget();
    let now = s.bench.now();
    let escrow = payrig_mdb::Block::new(&[0x35, 0x01]).unwrap();
    s.bench.master_mut().say(now, "bill", escrow);
    s.bench.run_for(Micros::secs(2));
    heard.listen_to_devices(&s.bench);
}

/// A recycler that pays and is served.
fn recycling(heard: &mut Heard, change: BillChange, while_moving: WhileMoving) {
    let config = BillConfig {
        while_moving,
        ..recycler()
    };
    let mut s = set(config, |b| b.bills.change = change);
    s.then(|v, now| v.insert_bill(now, 0));
    s.then(|v, now| v.insert_bill(now, 3));
    s.bench.press_return();
    s.bench.run_for(Micros::secs(40));
    s.then(BillValidator::press_return_lever);
    s.then(|v, now| v.manual_fill(now, 0));
    s.then(|v, now| v.manual_fill(now, 1));
    s.then(|v, now| v.manual_dispense(now, 0));
    s.then(|v, now| v.manual_fill(now, 0));
    s.then(|v, now| v.transfer_to_cash_box(now, 0, 1));
    s.then(BillValidator::press_filled_key);
    for fault in [
        DispenserFault::DefectiveSensor,
        DispenserFault::Motor,
        DispenserFault::Jam,
        DispenserFault::RomChecksum,
    ] {
        s.then(|v, now| v.break_dispenser(now, fault));
        s.then(|v, now| v.repair_dispenser(now, fault));
    }
    let now = s.bench.now();
    s.bench.master_mut().diagnose(now, "bill", &[0x01]);
    s.bench.run_for(Micros::secs(30));
    // It goes away until it is RESET.
    let bill = s.bill.clone();
    s.bench.power(&bill, false);
    s.bench.run_for(Micros::secs(20));
    s.bench.power(&bill, true);
    s.bench.run_for(Micros::secs(20));
    heard.listen(&s.bench);
}

/// A bill that nobody takes at the outlet: the payout is cancelled.
fn not_taken(heard: &mut Heard) {
    let config = BillConfig {
        customer_takes_after: None,
        ..recycler()
    };
    let mut s = set(config, |b| b.bills.change = BillChange::ByType);
    s.then(|v, now| v.insert_bill(now, 3));
    s.bench.press_return();
    s.bench.run_for(Micros::secs(200));
    heard.listen(&s.bench);
}

pub(crate) fn all(heard: &mut Heard) {
    validator(heard);
    recycling(heard, BillChange::ByType, WhileMoving::ReportsBusy);
    recycling(heard, BillChange::ByValue, WhileMoving::Answers);
    not_taken(heard);
}
