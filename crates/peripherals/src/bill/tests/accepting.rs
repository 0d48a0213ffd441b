//! Accepting, holding, stacking and returning bills (section 6.3, 33H to 36H; section 6.6).

use super::bench::{Bench, NOTHING};
use crate::bill::{BillConfig, Insertion, Quirks, Refusal, WhileMoving};
use crate::{Device, Reply};
use payrig_units::Micros;

/// captures/clean-1.expect.json, all that passed between the VMC and 30H, in order: the emulated
/// validator, set up like the captured one, answers the same bytes.
#[test]
fn the_captured_exchange() {
    let mut config = BillConfig {
        stacked: vec![(0, 3)],
        ..BillConfig::default()
    };
    config.identification.model = *b"TESTUNIT-001";
    config.identification.version = [0x01, 0x23];
    let mut bench = Bench::cold(config, Quirks::default());
    assert_eq!(bench.poll(), [0x06]);
    let mut setup = vec![
        0x01, 0x18, 0x40, 0x00, 0x64, 0x02, 0x01, 0x90, 0xFF, 0xFF, 0xFF, 0x01, 0x05, 0x0A, 0x14,
    ];
    setup.extend([0; 12]);
    assert_eq!(bench.data(&[0x31]), setup);
    assert_eq!(
        bench.data(&[0x37, 0x00]),
        b"ZZZ000000000042TESTUNIT-001\x01\x23"
    );
    assert_eq!(bench.data(&[0x36]), [0x00, 0x03]);
    bench.ack(&[0x34, 0x00, 0x0F, 0x00, 0x0F]);
    bench.insert(0);
    assert_eq!(bench.poll(), [0x90]);
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x80]);
    assert_eq!(bench.poll(), NOTHING);
    assert_eq!(bench.data(&[0x36]), [0x00, 0x04]);
    assert_eq!(bench.money(), (-100, 0, 400));
}

/// Section 6.6, accept sequence, bill returned.
#[test]
fn a_bill_is_returned_on_order() {
    let mut bench = Bench::plain();
    bench.insert(1);
    assert_eq!(bench.poll(), [0x91]);
    assert_eq!(bench.money(), (-500, 500, 0));
    bench.ack(&[0x35, 0x00]);
    assert_eq!(bench.poll(), NOTHING, "still on its way back");
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0xA1]);
    assert_eq!(bench.money(), (0, 0, 0));
    assert!(bench.v.inlet_blocked());
    let refused = Insertion::Refused(Refusal::InletBlocked);
    assert_eq!(bench.v.insert_bill(bench.now, 1), refused);
    bench.wait(1_000);
    assert!(!bench.v.inlet_blocked());
}

/// Section 6.3, 33H, note 2: the bill is secure when BILL STACKED is reported, not before.
#[test]
fn stacked_is_reported_when_it_is() {
    let mut bench = Bench::plain();
    bench.insert(2);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.wait(990);
    assert_eq!(bench.poll(), NOTHING);
    assert_eq!(bench.money(), (-1_000, 1_000, 0));
    bench.wait(10);
    assert_eq!(bench.poll(), [0x82]);
    assert_eq!(bench.money(), (-1_000, 0, 1_000));
}

/// Section 6.3, 34H: nothing is accepted before BILL TYPE; the attempts are counted (010xxxxx), and
/// VALIDATOR DISABLED is reported at each POLL.
#[test]
fn nothing_is_accepted_before_bill_type() {
    let mut bench = Bench::cold(BillConfig::default(), Quirks::default());
    let refused = Insertion::Refused(Refusal::Disabled);
    for _ in 0..3 {
        assert_eq!(bench.v.insert_bill(bench.now, 0), refused);
    }
    assert_eq!(bench.poll(), [0x06], "JUST RESET comes first, and alone");
    assert_eq!(bench.poll(), [0x43, 0x09]);
    assert_eq!(bench.poll(), [0x09]);
    bench.ack(&[0x34, 0x00, 0x01, 0x00, 0x00]);
    assert_eq!(bench.poll(), NOTHING);
    bench.ack(&[0x34, 0x00, 0x00, 0x00, 0x01]);
    assert_eq!(bench.poll(), [0x09]);
    assert_eq!(bench.money(), (0, 0, 0));
}

/// Section 6.3, 34H: a type without escrow is stacked at once, without ESCROW POSITION; a type not
/// enabled is given back as DISABLED BILL REJECTED.
#[test]
fn masks_of_bill_type() {
    let mut bench = Bench::plain();
    bench.ack(&[0x34, 0x00, 0x03, 0x00, 0x02]);
    bench.insert(0);
    assert_eq!(bench.poll(), NOTHING);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x80]);
    bench.insert(1);
    assert_eq!(bench.poll(), [0x91]);
    bench.ack(&[0x35, 0xFF]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x81]);
    bench.insert(3);
    assert_eq!(bench.poll(), [0xC3]);
    assert_eq!(bench.money(), (-600 - 2_000, 2_000, 600));
    bench.wait(1_000);
    assert_eq!(bench.poll(), NOTHING);
    assert_eq!(bench.money(), (-600, 0, 600));
}

/// A validator without escrow (Z11 = 00H) stacks whatever BILL TYPE says of escrow.
#[test]
fn no_escrow_capability() {
    let config = BillConfig {
        escrow: false,
        ..BillConfig::default()
    };
    let mut bench = Bench::ready(config, Quirks::default());
    assert_eq!(bench.data(&[0x31])[10], 0x00);
    bench.insert(1);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x81]);
}

/// Section 6.3, 0BH: paper that cannot be identified.
#[test]
fn unknown_paper_is_rejected() {
    let mut bench = Bench::plain();
    assert_eq!(bench.v.insert_unknown_paper(bench.now), Insertion::DrawnIn);
    bench.wait(1_500);
    assert_eq!(bench.poll(), [0x0B]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), NOTHING);
    // Type 9 is not in use: for this validator it is paper.
    bench.wait(1_000);
    bench.insert(9);
    assert_eq!(bench.poll(), [0x0B]);
    assert_eq!(bench.money(), (0, 0, 0));
    assert!(
        bench
            .v
            .take_notes()
            .contains(&"unknown paper given back".to_owned())
    );
}

/// Section 6.3, 0AH: ESCROW without a bill in escrow, also while one is on its way.
#[test]
fn invalid_escrow_request() {
    let mut bench = Bench::plain();
    bench.ack(&[0x35, 0x01]);
    assert_eq!(bench.poll(), [0x0A]);
    assert_eq!(bench.poll(), NOTHING, "sent once");
    bench.insert(0);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.ack(&[0x35, 0x01]);
    assert_eq!(bench.poll(), [0x0A]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x80]);
    // An even status other than 0 is not defined, and not answered.
    bench.silence(&[0x35, 0x02]);
}

/// The standard does not let BILL TYPE decide about a bill in escrow: it stays until ESCROW. A bill
/// that is not there yet is rejected.
#[test]
fn disabled_with_a_bill_inside() {
    let mut bench = Bench::plain();
    bench.insert(0);
    assert_eq!(bench.poll(), [0x90]);
    bench.ack(&[0x34, 0, 0, 0, 0]);
    bench.wait(60_000);
    assert_eq!(bench.poll(), [0x09]);
    assert!(bench.v.holds_in_escrow());
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x80, 0x09]);
    bench.ack(&[0x34, 0, 1, 0, 1]);
    bench.v.insert_bill(bench.now, 0);
    bench.ack(&[0x34, 0, 0, 0, 0]);
    bench.wait(1_500);
    assert_eq!(bench.poll(), [0xC0, 0x09]);
    assert_eq!(bench.money(), (-200, 100, 100));
}

/// Section 2.2: a report is repeated, and later ones appended, until acknowledged.
#[test]
fn reports_are_repeated_until_acknowledged() {
    let mut bench = Bench::plain();
    bench.insert(0);
    assert_eq!(bench.data_unacknowledged(&[0x33]), [0x90]);
    assert_eq!(bench.data_unacknowledged(&[0x33]), [0x90]);
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.data_unacknowledged(&[0x33]), [0x90, 0x80]);
    assert_eq!(bench.poll(), [0x90, 0x80]);
    assert_eq!(bench.poll(), NOTHING);
}

/// A report that comes while an answer is in flight is not taken for acknowledged with it.
#[test]
fn a_report_during_an_answer_is_kept() {
    let mut bench = Bench::plain();
    bench.insert(0);
    assert!(matches!(bench.send(&[0x33]), Reply::Data(_)));
    bench.v.jam(bench.now);
    bench.v.acknowledged(bench.now);
    assert_eq!(bench.poll(), [0x05, 0xA0, 0x09]);
}

/// Section 6.3, 33H: at most 16 bytes in one answer.
#[test]
fn sixteen_reports_at_most() {
    let mut bench = Bench::plain();
    for _ in 0..20 {
        bench.ack(&[0x35, 0x01]);
    }
    bench.v.remove_cash_box(bench.now);
    assert_eq!(bench.poll(), [0x0A; 16]);
    assert_eq!(bench.poll(), [0x0A, 0x0A, 0x0A, 0x0A, 0x08, 0x09]);
}

/// Section 6.3, 36H, and 6.6 "check stacker after accept sequence".
#[test]
fn a_full_stacker() {
    let config = BillConfig {
        stacker_capacity: 2,
        stacked: vec![(0, 1)],
        ..BillConfig::default()
    };
    let mut bench = Bench::ready(config, Quirks::default());
    assert_eq!(bench.data(&[0x36]), [0x00, 0x01]);
    bench.insert(0);
    bench.poll();
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0x80, 0x09], "disabled by itself now");
    assert_eq!(bench.data(&[0x36]), [0x80, 0x02]);
    let refused = Insertion::Refused(Refusal::Disabled);
    assert_eq!(bench.v.insert_bill(bench.now, 0), refused);
    bench.v.remove_cash_box(bench.now);
    assert!(bench.v.replace_cash_box(bench.now, true));
    assert_eq!(bench.poll(), [0x41, 0x08]);
    assert_eq!(bench.data(&[0x36]), [0x00, 0x00]);
}

/// A bill held while the stacker fills up cannot be stacked: it is returned, and reported as returned.
#[test]
fn a_bill_that_cannot_be_stacked_is_returned() {
    let mut bench = Bench::plain();
    bench.insert(3);
    bench.poll();
    assert_eq!(bench.v.fill_stacker(bench.now), 400);
    bench.ack(&[0x35, 0x01]);
    bench.wait(1_000);
    assert_eq!(bench.poll(), [0xA3, 0x09]);
    assert_eq!(bench.money(), (0, 0, 40_000));
}

/// Section 6.4 and 33H, 03H: the three ways to be busy.
#[test]
fn while_a_bill_is_moving() {
    let with = |while_moving| {
        let config = BillConfig {
            while_moving,
            ..BillConfig::default()
        };
        let mut bench = Bench::ready(config, Quirks::default());
        bench.v.insert_bill(bench.now, 0);
        bench
    };
    let mut bench = with(WhileMoving::Answers);
    assert_eq!(bench.poll(), NOTHING);
    assert_eq!(bench.data(&[0x36]), [0, 0]);
    let mut bench = with(WhileMoving::ReportsBusy);
    assert_eq!(bench.poll(), [0x03]);
    assert_eq!(bench.poll(), [0x03]);
    bench.silence(&[0x36]);
    bench.ack(&[0x34, 0, 1, 0, 1]);
    bench.wait(1_500);
    assert_eq!(bench.poll(), [0x90]);
    let mut bench = with(WhileMoving::Silent);
    bench.silence(&[0x33]);
    bench.silence(&[0x30]);
    bench.wait(1_500);
    assert_eq!(bench.poll(), [0x90]);
}

/// Section 6.4: a validator may leave the VMC without an answer.
#[test]
fn silent_for_a_time() {
    let mut bench = Bench::plain();
    bench.v.stay_silent(bench.now, Micros::secs(5));
    bench.wait(4_998);
    bench.silence(&[0x33]);
    bench.wait(1);
    assert_eq!(bench.poll(), NOTHING);
}
