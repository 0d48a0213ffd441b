//! Bills that come in: escrow, stacking, returning, and what may go wrong (section 6.3, 33H-36H).

use super::*;
use payrig_peripherals::bill::Fault;

#[test]
fn a_bill_is_credited_when_it_is_stacked_and_not_before() {
    let mut set = plain();
    set.insert(0);
    set.until_said("> ESCROW", 1);
    assert_eq!(set.bench.credit(), Money::ZERO);
    assert_eq!(set.bench.balance("bill validator escrow"), Money(100));
    set.run(3_000);
    set.expect(100, 100);
    assert!(
        set.talk()
            .ends_with(&["> STACKER".into(), "< STACKER".into()]),
        "6.6"
    );
}

/// Section 6.3, SETUP, Z11 = 00H.
#[test]
fn a_validator_without_escrow_is_credited_too() {
    let config = BillConfig {
        escrow: false,
        ..BillConfig::default()
    };
    let mut set = set(|_| {}, config, Quirks::default());
    assert!(
        set.bench
            .words()
            .contains(&"> 34* 00 0F 00 00 43".to_owned())
    );
    set.insert(1);
    set.run(4_000);
    set.expect(500, 500);
    assert_eq!(set.said("> ESCROW"), 0);
}

/// Section 6.3, 33H: up to 16 reports in one answer.
#[test]
fn several_bills_in_one_answer() {
    let mut config = BillConfig {
        escrow: false,
        ..BillConfig::default()
    };
    config.travel.to_escrow = Micros::ms(300);
    config.travel.to_stacker = Micros::ms(200);
    let mut set = set(|_| {}, config, Quirks::default());
    // For a while no POLL arrives.
    set.unheard(Source::Master, FrameKind::Block, 12);
    for bill_type in [0, 0, 1] {
        set.insert(bill_type);
        set.run(550);
    }
    set.run(3_000);
    assert!(set.bench.words().contains(&"< 80 80 81 81*".to_owned()));
    set.expect(700, 700);
}

/// Section 6.3, 35H: the bill goes back when the customer wants it back.
#[test]
fn the_return_lever_gives_the_same_bill_back() {
    let mut set = holding();
    set.insert(1);
    set.until_said("< ESCROW POSITION", 1);
    set.run(2_000);
    assert_eq!(set.said("> ESCROW"), 0, "held until something is bought");
    assert_eq!(set.bench.credit(), Money::ZERO);
    assert!(set.bench.noted("Credit 5.00"));
    set.bench.press_return();
    set.run(3_000);
    assert!(set.bench.words().contains(&"> 35* 00 35".to_owned()));
    assert_eq!(set.said("< BILL RETURNED"), 1);
    set.expect(0, 0);
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
}

#[test]
fn a_held_bill_is_stacked_first_and_then_the_item_is_delivered() {
    let mut set = holding();
    set.insert(1);
    set.until_said("< ESCROW POSITION", 1);
    set.run(500);
    set.bench.select(12);
    set.until_said("> ESCROW", 1);
    assert_eq!(set.bench.master().vending().sold(), &[] as &[u16]);
    set.run(5_000);
    assert_eq!(set.bench.master().vending().sold(), [12]);
    set.expect(375, 500);
}

#[test]
fn a_held_bill_that_cannot_be_stacked_buys_nothing() {
    let mut set = holding();
    set.insert(1);
    set.until_said("< ESCROW POSITION", 1);
    set.run(500);
    set.bench.select(12);
    set.until_said("> ESCROW", 1);
    set.run(300);
    set.bench.at(&set.bill, |v, now| v.jam(now));
    set.run(5_000);
    assert_eq!(set.bench.master().vending().sold(), &[] as &[u16]);
    assert!(set.bench.master().is_quiet());
    set.expect(0, 0);
}

/// Section 6.3, 33H, 07H.
#[test]
fn a_bill_that_is_pulled_out_of_the_escrow_is_not_credited() {
    let mut set = holding();
    set.insert(1);
    set.until_said("< ESCROW POSITION", 1);
    set.run(300);
    assert!(
        set.bench
            .at(&set.bill, |v, now| v.pull_bill_from_escrow(now))
    );
    set.run(1_000);
    assert_eq!(set.noted("taken out of the escrow position"), 1);
    set.bench.select(12);
    set.run(2_000);
    assert_eq!(set.said("> ESCROW"), 0);
    set.expect(0, 0);
}

/// Section 6.3, 35H, note: a bill the customer may get at is reported as returned.
#[test]
fn a_jam_in_mid_stacking_is_no_credit_and_is_said() {
    let mut set = plain();
    set.insert(2);
    set.until_said("> ESCROW", 1);
    set.run(400);
    set.bench.at(&set.bill, |v, now| v.jam(now));
    set.run(2_000);
    assert_eq!(
        set.noted("a bill is jammed: no bills until the jam is cleared"),
        1
    );
    set.expect(0, 0);
    assert_eq!(set.bench.balance("bill validator escrow"), Money(1_000));
    set.bench.at(&set.bill, |v, now| v.clear_jam(now));
    set.run(5_000);
    assert_eq!(set.noted("takes bills again"), 1);
    assert_eq!(set.bench.balance("bill validator escrow"), Money::ZERO);
    set.insert(0);
    set.run(4_000);
    set.expect(100, 100);
}

/// Section 6.3, 33H, 08H and 09H.
#[test]
fn without_its_cash_box_it_takes_no_bills_and_that_is_said_once() {
    let mut set = plain();
    set.bench.at(&set.bill, |v, now| v.remove_cash_box(now));
    set.run(5_000);
    assert_eq!(
        set.noted("the cash box is open or out: no bills until it is back"),
        1
    );
    assert_eq!(set.noted("takes no bills now"), 1, "not at every POLL");
    assert!(
        set.bench
            .at(&set.bill, |v, now| v.replace_cash_box(now, true))
    );
    set.run(1_000);
    assert_eq!(set.noted("takes bills again"), 1);
    set.insert(0);
    set.run(4_000);
    set.expect(100, 100);
}

/// Section 6.3, 36H; section 6.6: disable all bill types, if the stacker is full.
#[test]
fn a_full_stacker_switches_bills_off_until_it_is_emptied() {
    let config = BillConfig {
        stacker_capacity: 2,
        ..BillConfig::default()
    };
    let mut set = set(|_| {}, config, Quirks::default());
    for _ in 0..2 {
        set.insert(0);
        set.run(5_000);
    }
    set.expect(200, 200);
    assert_eq!(
        set.noted("the stacker is full (2 bills): no bills until it is emptied"),
        1
    );
    assert!(
        set.bench
            .words()
            .contains(&"> 34* 00 00 00 00 34".to_owned())
    );
    let refused = set.bench.at(&set.bill, |v, now| v.insert_bill(now, 0));
    assert_ne!(refused, Insertion::DrawnIn);
    set.bench.at(&set.bill, |v, now| {
        v.remove_cash_box(now);
        v.replace_cash_box(now, true)
    });
    set.run(12_000);
    assert_eq!(set.noted("the stacker has room again"), 1);
    set.insert(0);
    set.run(4_000);
    set.bench.assert_books_agree();
    assert_eq!(set.bench.credit(), Money(300));
}

/// Section 6.3, 33H, 010xxxxx and 09H.
#[test]
fn attempts_while_disabled_are_said_and_a_disabled_validator_is_no_news() {
    let config = BillConfig {
        stacker_capacity: 0,
        ..BillConfig::default()
    };
    let mut set = set(|_| {}, config, Quirks::default());
    set.run(3_000);
    let before = set.bench.notes().len();
    set.run(3_000);
    assert_eq!(
        set.bench.notes().len(),
        before,
        "VALIDATOR DISABLED at every POLL is no news"
    );
    set.unheard(Source::Master, FrameKind::Block, 5);
    for _ in 0..3 {
        set.bench.at(&set.bill, |v, now| v.insert_bill(now, 0));
    }
    set.run(2_000);
    assert_eq!(
        set.noted("somebody tried 3 times to put in a bill while it was disabled"),
        1
    );
    set.expect(0, 0);
}

#[test]
fn unknown_paper_goes_back_and_so_does_a_bill_of_a_refused_type() {
    let config = BillConfig {
        bills: BillConfig::default().bills,
        ..BillConfig::default()
    };
    let mut set = set(|_| {}, config, Quirks::default());
    set.bench
        .at(&set.bill, |v, now| v.insert_unknown_paper(now));
    set.run(6_000);
    assert_eq!(set.noted("a bill was not recognised and went back"), 1);
    set.expect(0, 0);
}

/// Section 6.3, SETUP: FFH is a vend token, worth nothing by itself. A validator that takes one
/// though it is disabled must give it back.
#[test]
fn a_token_nobody_enabled_goes_back() {
    use payrig_peripherals::bill::BillKind;
    let config = BillConfig {
        bills: vec![BillKind::Value(Money(100)), BillKind::Token],
        ..BillConfig::default()
    };
    let quirks = Quirks {
        accepts_disabled_bills: true,
        ..Quirks::default()
    };
    let mut set = set(|_| {}, config, quirks);
    set.insert(1);
    set.run(5_000);
    set.expect(0, 0);
}

/// Section 6.3, 33H, 0CH: what the board cannot know, the books say.
#[test]
fn a_fished_bill_is_said_and_found() {
    let mut set = plain();
    set.insert(1);
    set.run(4_000);
    set.bench
        .at(&set.bill, |v, now| v.fish_in_stacker(now, true));
    set.run(1_000);
    assert_eq!(set.noted("somebody tried to pull out a credited bill"), 1);
    let found = set.bench.discrepancies();
    assert_eq!(found.len(), 1);
    assert!(found[0].contains("5.00"), "{found:?}");
}

/// A defective motor or sensor is said once in plain words (section 6.3, 33H, note 3).
#[test]
fn defects_are_said_once() {
    for (broken, words) in [
        (Fault::DefectiveMotor, "a motor is defective"),
        (Fault::SensorProblem, "a sensor is defective"),
        (Fault::RomChecksum, "its program is damaged"),
    ] {
        let mut set = plain();
        set.bench.at(&set.bill, |v, now| v.break_down(now, broken));
        set.run(3_000);
        assert_eq!(set.noted(words), 1);
        set.bench.at(&set.bill, |v, now| v.repair(now, broken));
        set.run(1_000);
        assert_eq!(set.noted("takes bills again"), 1);
        set.expect(0, 0);
    }
}
