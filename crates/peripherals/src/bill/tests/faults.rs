//! Jams, broken parts, the cash box, and hands where they do not belong (section 6.3, 33H).

use super::bench::{Bench, NOTHING};
use crate::bill::{BillConfig, Fault, Insertion, Quirks, Refusal};

/// Note 3: sent once, then VALIDATOR DISABLED at each POLL until repaired.
#[test]
fn every_fault_is_reported_once_and_disables() {
    let faults = [
        (Fault::DefectiveMotor, 0x01),
        (Fault::SensorProblem, 0x02),
        (Fault::RomChecksum, 0x04),
        (Fault::Jam, 0x05),
        (Fault::CashBoxOut, 0x08),
    ];
    for (fault, byte) in faults {
        let mut bench = Bench::plain();
        bench.v.break_down(bench.now, fault);
        bench.v.break_down(bench.now, fault);
        assert_eq!(bench.poll(), [byte, 0x09]);
        assert_eq!(bench.poll(), [0x09]);
        let refused = Insertion::Refused(Refusal::Disabled);
        assert_eq!(bench.v.insert_bill(bench.now, 0), refused);
        assert!(bench.v.repair(bench.now, fault));
        assert!(!bench.v.repair(bench.now, fault));
        assert_eq!(bench.poll(), [0x41]);
        assert_eq!(bench.poll(), NOTHING, "enabled again, as BILL TYPE left it");
    }
}

/// Section 6.3, 35H, note: a bill jammed where the customer may get at it is BILL RETURNED.
#[test]
fn a_jam_on_the_way_to_the_stacker() {
    let mut bench = Bench::plain();
    bench.insert(2);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.wait(300);
    bench.v.jam(bench.now);
    assert_eq!(bench.poll(), [0x05, 0xA2, 0x09]);
    bench.wait(60_000);
    assert_eq!(bench.money(), (-1_000, 1_000, 0), "stuck");
    bench.v.clear_jam(bench.now);
    bench.wait(1_000);
    assert_eq!(bench.poll(), NOTHING, "it was reported already");
    assert_eq!(bench.money(), (0, 0, 0));
}

#[test]
fn the_customer_pulls_a_jammed_bill_out() {
    let mut bench = Bench::plain();
    bench.v.insert_bill(bench.now, 2);
    bench.wait(300);
    bench.v.jam(bench.now);
    assert_eq!(bench.poll(), [0x05, 0x09], "the VMC never knew of the bill");
    assert!(bench.v.customer_takes_bill(bench.now));
    assert!(!bench.v.customer_takes_bill(bench.now));
    assert_eq!(bench.money(), (0, 0, 0));
    bench.v.clear_jam(bench.now);
    bench.insert(2);
    assert_eq!(bench.poll(), [0x92]);
}

/// 08H: with the cash box out, a held bill cannot be stacked; it can be returned.
#[test]
fn cash_box_out_with_a_bill_in_escrow() {
    let mut bench = Bench::plain();
    bench.insert(1);
    bench.poll();
    bench.v.remove_cash_box(bench.now);
    assert_eq!(bench.poll(), [0x08, 0x09]);
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0xA1, 0x09]);
    assert!(bench.v.replace_cash_box(bench.now, false));
    assert_eq!(bench.poll(), NOTHING);
    assert!(!bench.v.replace_cash_box(bench.now, true), "it is in place");
}

/// The cash box goes out while the bill is on its way into it: the bill comes back.
#[test]
fn cash_box_out_while_stacking() {
    let mut bench = Bench::plain();
    bench.insert(1);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.v.remove_cash_box(bench.now);
    bench.wait(2_000);
    assert_eq!(bench.poll(), [0x08, 0xA1, 0x09]);
    assert_eq!(bench.money(), (0, 0, 0));
}

/// The money of an emptied cash box is in a cash box outside, not gone.
#[test]
fn an_emptied_cash_box_keeps_its_money() {
    let config = BillConfig {
        stacked: vec![(0, 10), (1, 2)],
        ..BillConfig::default()
    };
    let mut bench = Bench::ready(config, Quirks::default());
    assert_eq!(bench.money().2, 2_000);
    assert_eq!(bench.v.stacked_money().as_minor(), 2_000);
    bench.v.remove_cash_box(bench.now);
    bench.v.replace_cash_box(bench.now, true);
    assert_eq!(bench.money().2, 0);
    let outside = payrig_units::Place::CashBox("bill validator".to_owned());
    assert_eq!(bench.ledger.balance(&outside).as_minor(), 2_000);
}

/// 07H: BILL REMOVED comes with BILL RETURNED.
#[test]
fn a_bill_pulled_out_of_the_escrow() {
    let mut bench = Bench::plain();
    assert!(!bench.v.pull_bill_from_escrow(bench.now));
    bench.insert(1);
    bench.poll();
    assert!(bench.v.pull_bill_from_escrow(bench.now));
    assert_eq!(bench.poll(), [0x07, 0xA1]);
    assert_eq!(bench.money(), (0, 0, 0));
    bench.ack(&[0x35, 0x01]);
    assert_eq!(bench.poll(), [0x0A]);
}

/// 0CH, and the means to switch it off that its note demands.
#[test]
fn fishing_in_the_stacker() {
    let config = BillConfig {
        stacked: vec![(0, 1), (2, 1)],
        ..BillConfig::default()
    };
    let mut bench = Bench::ready(config.clone(), Quirks::default());
    assert_eq!(bench.v.fish_in_stacker(bench.now, false), None);
    assert_eq!(bench.poll(), [0x0C]);
    assert_eq!(bench.v.fish_in_stacker(bench.now, true), Some(2));
    assert_eq!(bench.poll(), [0x0C]);
    assert_eq!(bench.money(), (1_000, 0, 100));
    let config = BillConfig {
        reports_credited_removal: false,
        ..config
    };
    let mut bench = Bench::ready(config, Quirks::default());
    bench.v.fish_in_stacker(bench.now, false);
    assert_eq!(bench.poll(), NOTHING);
}
