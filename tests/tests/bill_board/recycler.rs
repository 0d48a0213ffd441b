//! Change paid with the bills of a recycler (section 6.3, 37H-03H to 37H-0AH).

use super::*;
use payrig_controller::BillChange;
use payrig_mdb::{Typed, bill};
use payrig_peripherals::bill::{DispenserFault, RecyclerStore, WhileMoving};
use payrig_peripherals::changer::{Changer, ChangerConfig};
use payrig_tests::item;

/// Stores for 1.00 (5 bills) and 5.00 (3 bills), eight at most.
pub(crate) fn config() -> BillConfig {
    let store = |bill_type, count| RecyclerStore {
        bill_type,
        count,
        capacity: 8,
    };
    BillConfig {
        level: 2,
        recycler: vec![store(0, 5), store(1, 3)],
        ..BillConfig::default()
    }
}

/// Whatever costs whole bills can be changed without coins.
fn whole_prices() -> Vec<payrig_controller::Item> {
    vec![item(11, "Crisps", 100), item(12, "Sandwich", 500)]
}

pub(crate) fn by_type(board: &mut BoardConfig) {
    board.bills.change = BillChange::ByType;
    board.items = whole_prices();
}

pub(crate) fn by_value(board: &mut BoardConfig) {
    board.bills.change = BillChange::ByValue;
    board.items = whole_prices();
}

fn paying(how: fn(&mut BoardConfig)) -> Set {
    set(how, config(), Quirks::default())
}

/// A 20.00 bill is put in, and its credit asked back: 3 x 5.00 + 5 x 1.00.
fn twenty(set: &mut Set) {
    set.insert(3);
    set.run(5_000);
    set.expect(2_000, 2_000);
    set.bench.press_return();
}

#[track_caller]
fn expect_paid(set: &mut Set, paid: i64) {
    set.bench.assert_books_agree();
    assert_eq!(set.bench.credit(), Money(2_000 - paid), "credit");
    assert_eq!(
        set.bench.balance("customer"),
        Money(paid - 2_000),
        "customer"
    );
}

#[test]
fn credit_is_paid_back_in_bills() {
    for how in [by_type, by_value] {
        let mut set = paying(how);
        twenty(&mut set);
        set.bench.run_until_quiet(Micros::secs(3));
        expect_paid(&mut set, 2_000);
        assert_eq!(set.bench.balance("bill validator recycler 0"), Money::ZERO);
        assert_eq!(set.bench.balance("bill validator recycler 1"), Money::ZERO);
    }
}

#[test]
fn the_display_counts_down_while_bills_come_out() {
    let mut set = paying(by_value);
    twenty(&mut set);
    set.bench.run_until_quiet(Micros::secs(3));
    for shown in [
        "Credit 20.00",
        "Credit 15.00",
        "Credit 10.00",
        "Credit 5.00",
        "Credit 0.00",
    ] {
        assert!(set.bench.noted(shown), "{shown} in {:?}", set.bench.notes());
    }
}

/// Bills for the large part and coins for the rest.
#[test]
fn change_in_bills_and_coins() {
    let mut board = board(&[
        (BILL, ExpectedKind::BillValidator),
        ("changer", ExpectedKind::Changer),
    ]);
    board.bills.change = BillChange::ByType;
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let bill = bench.plug(
        BILL,
        BillValidator::new(config(), Quirks::default()).unwrap(),
    );
    let changer = ChangerConfig {
        name: "changer".to_owned(),
        ..ChangerConfig::demo()
    };
    bench.plug(
        "changer",
        Changer::new(changer, Default::default()).unwrap(),
    );
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    let mut set = Set { bench, bill };
    set.insert(2);
    set.run(5_000);
    set.bench.select(11);
    set.run(3_000);
    set.bench.run_until_quiet(Micros::secs(5));
    set.bench.assert_books_agree();
    assert_eq!(set.bench.credit(), Money::ZERO);
    assert_eq!(set.bench.balance("customer"), Money(-65));
    // 9.35: one bill of 5.00, four of 1.00, and coins for 0.35.
    assert_eq!(set.bench.balance("bill validator recycler 1"), Money(1_000));
    assert_eq!(set.bench.balance("bill validator recycler 0"), Money(100));
    assert_eq!(set.bench.balance("board: paid by changer"), Money(35));
}

/// Appendix 3, section 3, condition 1: an order that was not answered is not simply repeated.
#[test]
fn a_payout_order_that_is_lost_or_whose_ack_is_lost_pays_once() {
    for how in [by_type, by_value] {
        for (from, frame) in [
            (Source::Master, FrameKind::Block),
            (Source::Peripheral, FrameKind::Ack),
        ] {
            let mut set = paying(how);
            set.insert(3);
            set.run(5_000);
            set.bench.press_return();
            let mut deaf = fault(FaultKind::Deaf, from, frame);
            // The POLL before the order is heard.
            deaf.skip = 1;
            set.bench.add_fault(deaf);
            set.bench.run_until_quiet(Micros::secs(3));
            assert_eq!(set.noted("a payout order was not answered"), 1, "{from:?}");
            expect_paid(&mut set, 2_000);
        }
    }
}

/// What the validator paid before it was reset is found out, and only the rest is paid.
#[test]
fn a_reset_during_a_payout_pays_neither_twice_nor_too_little() {
    for how in [by_type, by_value] {
        for after in [500, 2_500, 4_000, 7_000, 11_000] {
            for cut in [false, true] {
                let mut set = paying(how);
                twenty(&mut set);
                set.run(after);
                if cut {
                    set.bench.power(&set.bill, false);
                    set.run(700);
                    set.bench.power(&set.bill, true);
                } else {
                    let now = set.bench.now();
                    let mut port = set.bill.borrow_mut();
                    payrig_peripherals::BusPeripheral::heard_break(
                        &mut *port,
                        now,
                        now + Micros::ms(100),
                    );
                }
                set.run(20_000);
                set.bench.run_until_quiet(Micros::secs(5));
                expect_paid(&mut set, 2_000);
            }
        }
    }
}

/// Away for longer than the non-response time: what it said counts, and the rest is settled when
/// it is back; nothing is paid twice meanwhile.
#[test]
fn a_recycler_that_goes_away_while_it_pays_is_settled_when_it_is_back() {
    let mut set = paying(by_type);
    twenty(&mut set);
    set.run(4_000);
    set.bench.power(&set.bill, false);
    set.run(20_000);
    assert_eq!(set.noted("went away while it paid"), 1);
    assert!(
        set.bench.master().is_quiet(),
        "the machine does not wait for it"
    );
    // What it did not say to have paid is neither owed nor paid until it is known.
    let said = set.bench.balance("board: paid by bill validator");
    let doubt = set.bench.balance("board: in doubt at bill validator");
    assert!(said > Money::ZERO && doubt > Money::ZERO);
    assert_eq!(said.saturating_add(doubt), Money(2_000));
    assert_eq!(set.bench.credit(), Money::ZERO);
    set.bench.power(&set.bill, true);
    set.run(30_000);
    set.bench.assert_books_agree();
    let paid = set.bench.balance("board: paid by bill validator");
    assert_eq!(set.bench.credit(), Money(2_000 - paid.as_minor()));
    set.bench.press_return();
    set.run(5_000);
    set.bench.run_until_quiet(Micros::secs(5));
    expect_paid(&mut set, 2_000);
}

/// Section 6.3, 37H-0AH: a payout that does not go on for 30 s per bill is cancelled.
#[test]
fn a_bill_nobody_takes_ends_in_a_cancelled_payout() {
    let waits = BillConfig {
        customer_takes_after: None,
        ..config()
    };
    let mut set = set(by_value, waits, Quirks::default());
    twenty(&mut set);
    set.run(4_000);
    assert!(set.bench.at(&set.bill, |v, _| v.inlet_blocked()));
    set.run(125_000);
    assert_eq!(set.said("> PAYOUT CANCEL"), 1);
    set.bench.run_until_quiet(Micros::secs(2));
    expect_paid(&mut set, 500);
    set.bench.at(&set.bill, |v, now| v.customer_takes_bill(now));
    set.run(2_000);
    set.bench.press_return();
    set.run(4_000);
    set.bench.at(&set.bill, |v, now| v.customer_takes_bill(now));
    set.run(1_000);
    assert!(
        set.said("> DISPENSE VALUE") >= 2,
        "it pays again once the inlet is free"
    );
}

/// A jam in the recycler: what is out is out, and the rest stays credit.
#[test]
fn a_jam_in_the_recycler_leaves_the_rest_as_credit() {
    let mut set = paying(by_type);
    twenty(&mut set);
    set.run(4_000);
    set.bench.at(&set.bill, |v, now| {
        v.break_dispenser(now, DispenserFault::Jam)
    });
    set.bench.run_until_quiet(Micros::secs(3));
    assert_eq!(set.noted("recycler: jammed"), 1);
    let paid = set
        .bench
        .balance("board: paid by bill validator")
        .as_minor();
    assert!(paid > 0 && paid < 2_000, "{paid}");
    expect_paid(&mut set, paid);
    set.bench.at(&set.bill, |v, now| {
        v.repair_dispenser(now, DispenserFault::Jam)
    });
    set.run(3_000);
    set.bench.at(&set.bill, |v, now| v.press_filled_key(now));
    set.run(2_000);
    set.bench.press_return();
    set.bench.run_until_quiet(Micros::secs(5));
    expect_paid(&mut set, 2_000);
}

/// The last bill is missing in PAYOUT VALUE POLL: PAYOUT STATUS counts.
#[test]
fn payout_status_counts_and_not_the_value_polls() {
    let quirks = Quirks {
        last_bill_missing_in_value_poll: true,
        ..Quirks::default()
    };
    for how in [by_type, by_value] {
        let mut set = set(how, config(), quirks);
        twenty(&mut set);
        set.bench.run_until_quiet(Micros::secs(3));
        expect_paid(&mut set, 2_000);
    }
}

/// Lost ACKs in the middle of a payout: values and counts that are said twice count once.
#[test]
fn lost_words_during_a_payout_change_nothing() {
    for from in [Source::Master, Source::Peripheral] {
        for frame in [FrameKind::Ack, FrameKind::Block] {
            for skip in 0..12 {
                let mut set = paying(by_type);
                twenty(&mut set);
                let mut deaf = fault(FaultKind::Deaf, from, frame);
                deaf.skip = skip * 5;
                deaf.count = 2;
                set.bench.add_fault(deaf);
                set.run(25_000);
                set.bench.run_until_quiet(Micros::secs(5));
                expect_paid(&mut set, 2_000);
            }
        }
    }
}

/// Section 6.3, 33H, BILL TO RECYCLER is as good as BILL STACKED, and can be paid out again.
#[test]
fn a_bill_that_goes_to_the_recycler_is_credit_and_change() {
    let empty = RecyclerStore {
        bill_type: 1,
        count: 0,
        capacity: 8,
    };
    let config = BillConfig {
        level: 2,
        recycler: vec![empty],
        ..BillConfig::default()
    };
    let only_sandwich = |b: &mut BoardConfig| {
        by_type(b);
        b.items.remove(0);
    };
    let mut set = set(only_sandwich, config, Quirks::default());
    set.insert(1);
    set.run(4_000);
    assert_eq!(set.said("< BILL TO RECYCLER"), 1);
    set.expect(500, 0);
    set.bench.press_return();
    set.bench.run_until_quiet(Micros::secs(3));
    set.expect(0, 0);
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
}

/// Filling and emptying by hand, and moving to the cash box, are no credit (section 6.3, 33H).
#[test]
fn service_by_hand_is_no_credit() {
    let mut set = paying(by_type);
    set.bench.at(&set.bill, |v, now| {
        assert!(v.manual_fill(now, 1));
        assert!(v.manual_dispense(now, 0));
        assert_eq!(v.transfer_to_cash_box(now, 0, 2), 2);
    });
    set.run(2_000);
    set.expect(0, 200);
    for words in [
        "filled into the recycler by hand",
        "taken out of the recycler by hand",
    ] {
        assert_eq!(set.noted(words), 1);
    }
    assert_eq!(set.noted("moved from the recycler to the cash box"), 2);
}

/// Section 6.3, 33H, 21H: the recycler's own lever.
#[test]
fn the_escrow_lever_of_the_recycler_returns_the_bill_or_the_credit() {
    let mut set = set(
        |b| {
            by_type(b);
            b.hold_bills = true;
        },
        config(),
        Quirks::default(),
    );
    set.insert(3);
    let held = |b: &mut Bench<Controller>| b.noted("Credit 20.00");
    assert!(set.bench.run_until(held));
    set.bench.at(&set.bill, |v, now| v.press_return_lever(now));
    set.run(3_000);
    set.expect(0, 0);
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
}

fn with_coins(how: fn(&mut BoardConfig)) -> (Set, Plugged<Changer>) {
    let mut set = cold(
        |b| {
            how(b);
            b.expected.push(payrig_controller::Expected {
                name: "changer".to_owned(),
                kind: ExpectedKind::Changer,
            });
        },
        config(),
        Quirks::default(),
    );
    let changer = Changer::new(ChangerConfig::demo(), Default::default()).unwrap();
    let changer = set.bench.plug("changer", changer);
    set.bench.run_until_ready();
    set.run(500);
    (set, changer)
}

/// The recycler or the board loses power at each moment of a payout, and the customer presses return
/// meanwhile, again and again: coins do not pay what bills may have paid already.
#[test]
fn what_a_recycler_may_have_paid_is_not_paid_again_in_coins() {
    let mut bad = Vec::new();
    for (how, name) in [
        (by_type as fn(&mut BoardConfig), "by_type"),
        (by_value, "by_value"),
    ] {
        for cut in ["recycler", "board"] {
            for at in (0..20).map(|n| n * 300) {
                let (mut set, _changer) = with_coins(how);
                set.insert(1);
                set.run(5_000);
                assert_eq!(set.bench.credit(), Money(500));
                set.bench.press_return();
                set.run(at);
                let now = set.bench.now();
                match cut {
                    "board" => {
                        set.bench.master_mut().power(now, false);
                        set.run(15_000);
                        let now = set.bench.now();
                        set.bench.master_mut().power(now, true);
                        set.run(300);
                        // The customer presses until something happens.
                        for _ in 0..60 {
                            set.bench.press_return();
                            set.run(200);
                        }
                    }
                    _ => {
                        set.bench.power(&set.bill, false);
                        set.run(15_000);
                        set.bench.press_return();
                        set.run(15_000);
                        set.bench.power(&set.bill, true);
                    }
                }
                set.run(30_000);
                set.bench.press_return();
                set.run(20_000);
                let customer = set.bench.balance("customer").as_minor();
                // Never too much; and with both there again, nothing is missing either.
                if customer != 0 || !set.bench.discrepancies().is_empty() {
                    bad.push((
                        name,
                        cut,
                        at,
                        customer,
                        set.bench.credit().as_minor(),
                        set.bench.discrepancies(),
                    ));
                }
            }
        }
    }
    assert!(bad.is_empty(), "{bad:?}");
}

/// 6.3, 33H, 23H: a dispenser that answers no detailed command while a bill moves, and says so.
#[test]
fn a_dispenser_that_is_busy_is_waited_for() {
    for how in [by_type, by_value] {
        let busy = BillConfig {
            while_moving: WhileMoving::ReportsBusy,
            ..config()
        };
        let mut set = set(how, busy, Quirks::default());
        twenty(&mut set);
        set.bench.run_until_quiet(Micros::secs(3));
        let busy = |r: &bill::Report| *r == bill::Report::DispenserBusy;
        let spoken = set.bench.spoken();
        let told = spoken.iter().filter(|s| match &s.decoded.typed {
            Some(Typed::BillResponse(bill::Response::Poll(reports))) => reports.iter().any(busy),
            _ => false,
        });
        assert!(told.count() > 0);
        assert_eq!(set.said("> RESET"), 0);
        expect_paid(&mut set, 2_000);
    }
}
