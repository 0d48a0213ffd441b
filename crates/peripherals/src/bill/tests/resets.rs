//! RESET, bus reset, power: what is returned, what is forgotten, what is still reported (sections
//! 2.2 and 6.3, 30H).

use super::bench::{Bench, NOTHING};
use crate::Device;
use crate::bill::{BillConfig, Quirks};

/// JUST RESET until acknowledged (06H, note 1, and section 2.2).
#[test]
fn just_reset_until_acknowledged() {
    let mut bench = Bench::cold(BillConfig::default(), Quirks::default());
    assert_eq!(bench.data_unacknowledged(&[0x33]), [0x06]);
    assert_eq!(bench.data_unacknowledged(&[0x33]), [0x06]);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09]);
}

/// Section 2.5 F: RESET is acknowledged, then the validator is silent while it starts.
#[test]
fn reset_is_acknowledged_and_disables() {
    let mut bench = Bench::plain();
    bench.ack(&[0x30]);
    bench.silence(&[0x33]);
    bench.wait(500);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09], "acceptance is off");
    bench.ack(&[0x34, 0, 0x0F, 0, 0]);
    assert_eq!(bench.poll(), NOTHING);
}

/// Section 6.3, 30H: a bill in escrow is returned; the VMC knew of it, so it hears of its return.
#[test]
fn reset_returns_the_bill_in_escrow() {
    for bus in [false, true] {
        let mut bench = Bench::plain();
        bench.insert(1);
        bench.poll();
        match bus {
            true => bench.v.bus_reset(bench.now),
            false => bench.ack(&[0x30]),
        }
        bench.wait(1_000);
        assert_eq!(bench.poll(), [0x06]);
        assert_eq!(bench.poll(), [0xA1, 0x09]);
        assert_eq!(bench.money(), (0, 0, 0));
    }
}

/// The VMC never heard of the bill: JUST RESET is all it needs.
#[test]
fn reset_before_the_escrow_was_reported() {
    let mut bench = Bench::plain();
    bench.insert(1);
    bench.ack(&[0x30]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09]);
    assert_eq!(bench.money(), (0, 0, 0));
}

/// Section 6.3, 30H: a bill in validation is rejected.
#[test]
fn reset_rejects_a_bill_in_validation() {
    let mut bench = Bench::plain();
    bench.v.insert_bill(bench.now, 1);
    bench.wait(700);
    bench.ack(&[0x30]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09]);
    assert_eq!(bench.money(), (0, 0, 0));
}

/// A stacked bill is money the VMC must hear of: its report outlives a reset (2.2), behind JUST
/// RESET.
#[test]
fn a_stacked_bill_is_reported_after_a_reset() {
    let mut bench = Bench::plain();
    bench.insert(0);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.data_unacknowledged(&[0x33]), [0x80]);
    bench.ack(&[0x30]);
    bench.wait(500);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x80, 0x09]);
    // And so does one that was on its way.
    bench.ack(&[0x34, 0, 1, 0, 1]);
    bench.insert(0);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.v.bus_reset(bench.now);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x80, 0x09]);
    assert_eq!(bench.money(), (-200, 0, 200));
}

/// Without power nothing is heard and nothing moves; bills stay where they are.
#[test]
fn power_cut_with_a_bill_in_escrow() {
    let mut bench = Bench::plain();
    bench.insert(1);
    bench.poll();
    bench.v.power(bench.now, false);
    bench.silence(&[0x33]);
    bench.wait(60_000);
    assert_eq!(bench.money(), (-500, 500, 0));
    bench.v.power(bench.now, true);
    bench.silence(&[0x33]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09]);
    assert_eq!(bench.money(), (0, 0, 0));
}

/// A bill caught on its way to the stacker is in it afterwards, unreported: only STACKER shows it.
#[test]
fn power_cut_while_stacking() {
    let mut bench = Bench::plain();
    bench.insert(1);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.wait(400);
    bench.v.power(bench.now, false);
    bench.wait(5_000);
    bench.v.power(bench.now, true);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09]);
    assert_eq!(bench.data(&[0x36]), [0x00, 0x01]);
    assert_eq!(bench.money(), (-500, 0, 500));
    let notes = bench.v.take_notes().join("\n");
    assert!(notes.contains("bill type 1 put away unreported"), "{notes}");
}

/// What was not acknowledged is lost with the power, and a note says so.
#[test]
fn power_cut_with_an_unacknowledged_report() {
    let mut bench = Bench::plain();
    bench.insert(1);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.data_unacknowledged(&[0x33]), [0x81]);
    bench.v.power(bench.now, false);
    bench.v.power(bench.now, true);
    bench.wait(500);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09]);
    let notes = bench.v.take_notes().join("\n");
    assert!(
        notes.contains("never acknowledged: bill stacked type 1"),
        "{notes}"
    );
}

/// Faults that are still there are found, and reported, again.
#[test]
fn a_fault_is_reported_again_after_a_reset() {
    let mut bench = Bench::plain();
    bench.v.remove_cash_box(bench.now);
    assert_eq!(bench.poll(), [0x08, 0x09]);
    assert_eq!(bench.poll(), [0x09]);
    bench.ack(&[0x30]);
    bench.wait(500);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x08, 0x09]);
}

/// The inlet and the cash box are there without power, too.
#[test]
fn acts_without_power() {
    let mut bench = Bench::plain();
    bench.v.power(bench.now, false);
    let refused = crate::bill::Insertion::Refused(crate::bill::Refusal::NoPower);
    assert_eq!(bench.v.insert_bill(bench.now, 0), refused);
    bench.v.remove_cash_box(bench.now);
    bench.v.power(bench.now, true);
    bench.wait(500);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x08, 0x09]);
}
