//! Lost words, late answers, resets and quirks: credited exactly once, or never.

use super::*;

/// Appendix 3, section 3, condition 2: a report whose ACK was lost comes again.
#[test]
fn a_report_whose_ack_is_lost_is_credited_once() {
    for lost in 1..=3 {
        let mut set = plain();
        set.insert(0);
        set.until_said("> ESCROW", 1);
        set.run(200);
        set.unheard(Source::Master, FrameKind::Ack, lost);
        set.run(5_000);
        assert!(set.said("< BILL STACKED") > 1, "it was said again");
        set.expect(100, 100);
        assert!(set.noted("not credited twice") >= 1);
    }
}

/// The same for ESCROW POSITION: the order is given once.
#[test]
fn an_escrow_report_whose_ack_is_lost_is_one_bill() {
    let mut set = plain();
    set.insert(1);
    set.run(1_000);
    set.unheard(Source::Master, FrameKind::Ack, 1);
    set.run(5_000);
    assert_eq!(set.said("< ESCROW POSITION"), 2);
    assert_eq!(set.said("< BILL STACKED"), 1);
    set.expect(500, 500);
}

/// Section 2.2: what happened since is appended to a report that is said again.
#[test]
fn a_repeated_report_with_another_behind_it_is_credited_once() {
    let mut config = BillConfig {
        escrow: false,
        ..BillConfig::default()
    };
    config.travel.to_escrow = Micros::ms(10);
    config.travel.to_stacker = Micros::ms(5);
    let mut set = set(|_| {}, config, Quirks::default());
    set.unheard(Source::Master, FrameKind::Ack, 1);
    set.insert(0);
    set.until_said("< BILL STACKED", 1);
    set.run(1);
    set.insert(1);
    set.run(4_000);
    assert!(
        set.bench.words().contains(&"< 80 81 01*".to_owned()),
        "{:?}",
        set.bench.words()
    );
    set.expect(600, 600);
}

/// A reset does not make an old report a new one.
#[test]
fn a_report_that_survives_a_reset_unacknowledged_is_credited_once() {
    let mut set = plain();
    set.insert(0);
    set.until_said("> ESCROW", 1);
    set.run(200);
    set.unheard(Source::Master, FrameKind::Ack, 1);
    set.until_said("< BILL STACKED", 1);
    let now = set.bench.now();
    payrig_peripherals::BusPeripheral::heard_break(
        &mut *set.bill.borrow_mut(),
        now,
        now + Micros::ms(100),
    );
    set.run(8_000);
    assert_eq!(set.said("< BILL STACKED"), 2);
    set.expect(100, 100);
}

/// A device that says it twice though it heard the ACK is not believed twice.
#[test]
fn a_report_repeated_without_need_is_credited_once() {
    let quirks = Quirks {
        duplicate_report_after_ack: true,
        ..Quirks::default()
    };
    let mut set = set(|_| {}, BillConfig::default(), quirks);
    for n in 1..=3 {
        set.insert(0);
        set.run(5_000);
        set.expect(100 * n, 100 * n);
    }
}

/// The order, its ACK, or both are lost: it is repeated after a POLL, and the bill stacked once.
#[test]
fn a_lost_stack_order_is_repeated_and_credited_once() {
    for (from, frame) in [
        (Source::Master, FrameKind::Block),
        (Source::Peripheral, FrameKind::Ack),
    ] {
        for count in 1..=3 {
            let mut set = plain();
            set.insert(0);
            set.until_said("< ESCROW POSITION", 1);
            set.unheard(from, frame, count);
            set.run(6_000);
            set.expect(100, 100);
            assert_eq!(set.said("< BILL STACKED"), 1, "{from:?} {frame:?} {count}");
        }
    }
}

/// A slow validator: silent while the bill moves, up to five seconds (section 6.4).
#[test]
fn a_validator_that_is_silent_while_a_bill_moves() {
    use payrig_peripherals::bill::WhileMoving;
    for while_moving in [WhileMoving::Silent, WhileMoving::ReportsBusy] {
        let mut config = BillConfig {
            while_moving,
            ..BillConfig::default()
        };
        config.travel.to_escrow = Micros::ms(4_500);
        config.travel.to_stacker = Micros::ms(4_500);
        let mut set = set(|_| {}, config, Quirks::default());
        for n in 1..=2 {
            set.insert(0);
            set.run(12_000);
            set.expect(100 * n, 100 * n);
        }
        assert_eq!(set.said("> RESET"), 0);
    }
}

/// Section 6.3, 35H: within 30 s. Then RESET, which returns the bill (30H).
#[test]
fn an_order_that_is_not_carried_out_ends_in_a_reset_and_the_bill_comes_back() {
    let quirks = Quirks {
        ignores_escrow_orders: true,
        ..Quirks::default()
    };
    let mut set = set(|_| {}, BillConfig::default(), quirks);
    set.insert(0);
    set.until_said("> ESCROW", 1);
    set.run(29_000);
    assert_eq!(set.said("> RESET"), 0);
    set.run(5_000);
    assert_eq!(set.said("> RESET"), 1);
    assert_eq!(set.noted("neither stacked nor returned for 30 s"), 1);
    set.run(5_000);
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
    set.expect(0, 0);
}

/// Section 2.5: JUST RESET at any time begins the initialization, without RESET being sent.
#[test]
fn a_reset_with_a_bill_in_escrow_gives_it_back() {
    let mut set = holding();
    set.insert(1);
    set.until_said("< ESCROW POSITION", 1);
    set.run(500);
    self_reset(&mut set);
    set.run(6_000);
    assert_eq!(set.said("> RESET"), 0);
    assert_eq!(set.said("< JUST RESET"), 2);
    assert_eq!(set.noted("reset with a bill in escrow"), 1);
    set.expect(0, 0);
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
    set.insert(0);
    set.run(4_000);
    set.bench.select(11);
    set.run(5_000);
    set.expect(35, 100);
}

#[test]
fn a_reset_while_a_bill_is_stacked_is_credited_afterwards() {
    let mut set = plain();
    set.insert(1);
    set.until_said("> ESCROW", 1);
    set.run(300);
    self_reset(&mut set);
    set.run(6_000);
    assert_eq!(set.said("< BILL STACKED"), 1);
    set.expect(500, 500);
}

/// A power cut while a bill is stacked: the validator never says what became of the bill. The board cannot
/// know, and the books say so.
#[test]
fn a_power_cut_in_mid_stacking_is_a_loss_that_the_books_name() {
    let mut set = plain();
    set.insert(1);
    set.until_said("> ESCROW", 1);
    set.run(300);
    set.bench.power(&set.bill, false);
    set.run(2_000);
    set.bench.power(&set.bill, true);
    set.run(30_000);
    assert_eq!(set.bench.credit(), Money::ZERO);
    let found = set.bench.discrepancies();
    assert_eq!(found.len(), 1);
    assert!(
        found[0].contains("5.00 was taken and never credited"),
        "{found:?}"
    );
}

/// A board that comes up after its validator finds a report there that it can price only later.
#[test]
fn credit_that_waits_for_a_board_is_priced_once_setup_is_known() {
    let mut set = plain();
    set.insert(1);
    set.until_said("> ESCROW", 1);
    let now = set.bench.now();
    set.bench.master_mut().power(now, false);
    set.run(3_000);
    let now = set.bench.now();
    set.bench.master_mut().power(now, true);
    set.run(10_000);
    set.expect(500, 500);
}

/// Quirks against a board: each ends with books that agree, or with a finding that names the sum.
#[test]
fn each_quirk_is_tolerated_or_found() {
    for name in Quirks::NAMES {
        let mut quirks = Quirks::default();
        assert!(quirks.set(name, true));
        let config = BillConfig {
            stacker_capacity: 2,
            ..BillConfig::default()
        };
        let mut set = set(|_| {}, config, quirks);
        for bill_type in [1, 0, 0] {
            set.bench
                .at(&set.bill, |v, now| v.insert_bill(now, bill_type));
            set.run(9_000);
        }
        self_reset(&mut set);
        set.run(45_000);
        assert_eq!(set.bench.books().ledger().sum(), 0);
        let stacked = set.bench.at(&set.bill, |v, _| v.stacked_money());
        let credit = set.bench.credit();
        let found = set.bench.discrepancies();
        assert_eq!(
            credit == stacked,
            found.is_empty(),
            "{name}: {credit:?} {stacked:?} {found:?}"
        );
        // Only the bill that the validator itself has forgotten can be lost.
        assert!(
            found.is_empty() || *name == "reset-forgets-escrow",
            "{name}: {found:?}"
        );
    }
}

fn self_reset(set: &mut Set) {
    let now = set.bench.now();
    let mut port = set.bill.borrow_mut();
    payrig_peripherals::BusPeripheral::heard_break(&mut *port, now, now + Micros::ms(100));
}
