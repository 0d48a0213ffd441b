//! The recycler: filling and paying out (section 6.3, 37H-03H to 37H-0AH; section 6.6).

use super::bench::{Bench, NOTHING, recycler_config};
use crate::Device;
use crate::bill::{BillConfig, DispenserFault, Insertion, Quirks, Refusal};

/// Section 6.6, dispense sequence, with the bytes section 6.3 gives it.
#[test]
fn dispense_bill() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x02]);
    assert_eq!(bench.data(&[0x37, 0x09]), [0x00, 0x00]);
    assert_eq!(bench.poll(), [0x22], "DISPENSER PAYOUT BUSY");
    bench.ack(&[0x37, 0x08]);
    bench.wait(2_000);
    assert_eq!(bench.poll(), [0x2A], "BILL WAITING");
    assert_eq!(bench.data(&[0x37, 0x09]), [0x00, 0x05]);
    assert_eq!(bench.data(&[0x37, 0x09]), [0x00, 0x00]);
    bench.wait(3_000);
    assert_eq!(bench.data_unacknowledged(&[0x37, 0x09]), [0x00, 0x05]);
    assert_eq!(bench.data(&[0x37, 0x09]), [0x00, 0x05], "not acknowledged");
    bench.ack(&[0x37, 0x09]);
    assert_eq!(bench.poll(), [0x2A]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), NOTHING, "inlet unblocked");
    assert_eq!(bench.data_unacknowledged(&[0x37, 0x08]), [0, 0, 0, 2]);
    assert_eq!(bench.data(&[0x37, 0x08]), [0, 0, 0, 2]);
    assert_eq!(bench.data(&[0x37, 0x08]), [0], "cleared after ACK");
    assert_eq!(bench.data(&[0x37, 0x05]), [0, 0, 0, 0, 0, 1, 0, 2]);
    assert_eq!(bench.money(), (1_000, 0, 0));
    assert_eq!(bench.store(1).as_minor(), 500);
}

/// Section 6.3, 37H-07H: $15.00 with a scaling factor of 100 is 15.
#[test]
fn dispense_value() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.ack(&[0x37, 0x07, 0x00, 0x0F]);
    bench.wait(10_000);
    assert_eq!(bench.data(&[0x37, 0x09]), [0x00, 0x0F]);
    bench.ack(&[0x37, 0x09]);
    assert_eq!(bench.data(&[0x37, 0x08]), [0, 0, 0, 1, 0, 1]);
    assert_eq!(bench.money().0, 1_500);
}

/// More than there is: what can be paid is paid, and PAYOUT STATUS shows it.
#[test]
fn more_than_there_is() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.ack(&[0x37, 0x06, 0x02, 0xFF, 0xFF]);
    bench.wait(30_000);
    assert_eq!(bench.data(&[0x37, 0x08]), [0, 0, 0, 0, 0, 2]);
    bench.ack(&[0x37, 0x06, 0x02, 0x00, 0x01]);
    bench.ack(&[0x37, 0x09]);
    assert_eq!(bench.data(&[0x37, 0x08]), [0]);
    bench.ack(&[0x37, 0x07, 0x00, 0x04]);
    bench.ack(&[0x37, 0x09]);
    assert_eq!(bench.money().0, 2_000);
}

/// One payout at a time: a repeated command does not pay twice.
#[test]
fn a_repeated_payout_command_pays_once() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x01]);
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x01]);
    bench.wait(10_000);
    assert_eq!(bench.money().0, 500);
}

/// Section 6.3, 37H-0AH: the bill on its way is paid, no other.
#[test]
fn payout_cancel() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x03]);
    bench.wait(500);
    bench.ack(&[0x37, 0x0A]);
    assert_eq!(bench.data(&[0x37, 0x09]), [0, 0]);
    bench.wait(10_000);
    assert_eq!(bench.data(&[0x37, 0x09]), [0, 5]);
    bench.ack(&[0x37, 0x09]);
    assert_eq!(bench.data(&[0x37, 0x08]), [0, 0, 0, 1]);
    assert_eq!(bench.money().0, 500);
}

/// The next bill waits for the customer; no bill can be put in meanwhile.
#[test]
fn a_bill_nobody_takes() {
    let config = BillConfig {
        customer_takes_after: None,
        ..recycler_config()
    };
    let mut bench = Bench::ready(config, Quirks::default());
    bench.enable_recycler();
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x02]);
    let busy = Insertion::Refused(Refusal::Busy);
    assert_eq!(bench.v.insert_bill(bench.now, 0), busy);
    bench.wait(120_000);
    assert_eq!(bench.poll(), [0x2A]);
    assert_eq!(bench.money().0, 500);
    assert_eq!(bench.v.next_deadline(), payrig_units::Micros::NEVER);
    assert!(bench.v.customer_takes_bill(bench.now));
    bench.wait(2_000);
    assert_eq!(bench.money().0, 1_000);
}

/// Section 6.3, 35H: with a bill in escrow a payout fails; DISPENSER DISABLED says why (29H).
#[test]
fn payout_with_a_bill_in_escrow() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.insert(0);
    assert_eq!(bench.poll(), [0x90, 0x29]);
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x01]);
    bench.ack(&[0x37, 0x09]);
    assert_eq!(bench.data(&[0x37, 0x08]), [0]);
    // 6.6, dispense sequence with a bill in escrow: returned first, then dispensed.
    bench.ack(&[0x35, 0x00]);
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0xA0, 0x2A]);
    bench.wait(3_000);
    assert_eq!(bench.data(&[0x37, 0x09]), [0, 5]);
    assert_eq!(bench.money(), (500, 0, 0));
}

/// Section 6.3, 33H, 011: BILL TO RECYCLER, until the store is full; then the stacker.
#[test]
fn accepted_bills_fill_the_recycler() {
    let mut bench = Bench::recycler(Quirks::default());
    let accept = |bench: &mut Bench, bill_type: u8| {
        bench.insert(bill_type);
        bench.poll();
        bench.ack(&[0x35, 0x01]);
        bench.wait(1_000);
        bench.poll()
    };
    assert_eq!(accept(&mut bench, 1), [0xB1]);
    assert_eq!(bench.data(&[0x37, 0x05])[..2], [0x00, 0x02], "full");
    assert_eq!(accept(&mut bench, 1), [0x81]);
    assert_eq!(accept(&mut bench, 0), [0x80], "no store for it");
    assert_eq!(bench.store(1).as_minor(), 2_000);
    assert_eq!(bench.money(), (-1_100, 0, 600));
}

/// Section 6.3, 37H-04H: a type that is not enabled goes to the stacker.
#[test]
fn recycler_enable_by_type() {
    let mut bench = Bench::recycler(Quirks::default());
    let mut only_type_2 = vec![0x37, 0x04, 0, 0, 0, 0, 1];
    only_type_2.extend([0; 13]);
    bench.ack(&only_type_2);
    for (bill_type, report) in [(1, 0x81), (2, 0xB2)] {
        bench.insert(bill_type);
        bench.poll();
        bench.ack(&[0x35, 0x01]);
        bench.wait(1_000);
        assert_eq!(bench.poll(), [report]);
    }
}

/// Notes 1 and 3: by hand, reported only when enabled; a full store passes on to the cash box.
#[test]
fn filling_and_dispensing_by_hand() {
    let mut bench = Bench::recycler(Quirks::default());
    assert!(bench.v.manual_fill(bench.now, 1));
    assert_eq!(bench.poll(), [0xD1]);
    assert!(bench.v.manual_fill(bench.now, 1));
    assert_eq!(bench.poll(), [0xD1, 0xF1]);
    assert_eq!((bench.money().2, bench.store(1).as_minor()), (500, 2_000));
    assert!(!bench.v.manual_fill(bench.now, 0), "no such store");
    assert!(bench.v.manual_dispense(bench.now, 2));
    assert_eq!(bench.poll(), [0xE2]);
    assert_eq!(bench.v.transfer_to_cash_box(bench.now, 2, 5), 1);
    assert_eq!(bench.poll(), [0xF2]);
    bench.v.press_filled_key(bench.now);
    bench.v.press_return_lever(bench.now);
    assert_eq!(bench.poll(), [0x2F, 0x21]);
    bench.ack(&[0x37, 0x01, 0, 0, 0, 0]);
    assert!(!bench.v.manual_dispense(bench.now, 1), "not enabled");
    assert_eq!(bench.v.transfer_to_cash_box(bench.now, 1, 1), 1);
    bench.v.press_filled_key(bench.now);
    assert_eq!(bench.poll(), NOTHING);
}

/// Note 4, and 37H-05H: a broken dispenser is "full" of nothing; bills are still accepted.
#[test]
fn dispenser_faults() {
    let faults = [
        (DispenserFault::DefectiveSensor, 0x24),
        (DispenserFault::Motor, 0x26),
        (DispenserFault::Jam, 0x27),
        (DispenserFault::RomChecksum, 0x28),
    ];
    for (fault, byte) in faults {
        let mut bench = Bench::recycler(Quirks::default());
        bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x02]);
        bench.wait(3_500);
        bench.v.break_dispenser(bench.now, fault);
        assert_eq!(bench.poll(), [byte, 0x29]);
        assert_eq!(bench.poll(), [0x29]);
        assert_eq!(bench.data(&[0x37, 0x09]), [0, 5]);
        bench.ack(&[0x37, 0x09]);
        assert_eq!(bench.data(&[0x37, 0x08]), [0, 0, 0, 1]);
        assert_eq!(bench.data(&[0x37, 0x05]), [0x00, 0x06, 0, 0, 0, 0, 0, 0]);
        bench.insert(1);
        assert_eq!(bench.poll(), [0x91, 0x29]);
        bench.ack(&[0x35, 0x01]);
        bench.wait(1_000);
        assert_eq!(bench.poll(), [0x81, 0x29], "to the stacker");
        assert!(bench.v.repair_dispenser(bench.now, fault));
        assert_eq!(bench.poll(), NOTHING);
        assert_eq!(bench.data(&[0x37, 0x05]), [0, 0, 0, 0, 0, 2, 0, 2]);
    }
}

/// A reset stops the payout; what was paid stays known until PAYOUT STATUS is acknowledged.
#[test]
fn reset_during_a_payout() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.ack(&[0x37, 0x06, 0x01, 0x00, 0x03]);
    bench.wait(3_500);
    bench.ack(&[0x30]);
    bench.wait(10_000);
    assert_eq!(bench.poll(), [0x06]);
    bench.enable_recycler();
    assert_eq!(bench.data(&[0x37, 0x08]), [0, 0, 0, 1]);
    assert_eq!(bench.money().0, 500);
    assert_eq!(bench.store(1).as_minor(), 1_000);
}

/// BILL TO RECYCLER waits for RECYCLER ENABLE when a reset came in between (note 1).
#[test]
fn to_recycler_is_not_reported_before_it_is_enabled_again() {
    let mut bench = Bench::recycler(Quirks::default());
    bench.insert(1);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.ack(&[0x30]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x06]);
    assert_eq!(bench.poll(), [0x09]);
    bench.enable_recycler();
    assert_eq!(bench.poll(), [0xB1, 0x09]);
}
