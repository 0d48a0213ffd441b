//! Different scaling factors on one bus (Appendix 3, section 4): a validator with 100, a changer
//! with 5 and cashless devices with 1 and 10, all of two decimals. Every amount is exact.

use super::*;
use payrig_mdb::cashless::Unit;
use payrig_peripherals::cashless::{Card, CashlessConfig, CashlessDevice};
use payrig_peripherals::changer::{Changer, ChangerConfig};
use payrig_tests::item;

struct Mixed {
    bench: Bench<Controller>,
    bill: Plugged<BillValidator>,
    card: Plugged<CashlessDevice>,
}

/// Coffee (21) for 1.35 and cocoa (22) for 1.20.
fn mixed(card_scale: u8) -> Mixed {
    let mut board = board(&[
        ("changer", ExpectedKind::Changer),
        (BILL, ExpectedKind::BillValidator),
        ("card", ExpectedKind::Cashless(Unit::One)),
    ]);
    board.items = vec![item(21, "Coffee", 135), item(22, "Cocoa", 120)];
    let mut bench = Bench::new(Controller::new(board, Micros::ZERO));
    let changer = ChangerConfig {
        name: "changer".to_owned(),
        scaling_factor: 5,
        ..ChangerConfig::demo()
    };
    bench.plug(
        "changer",
        Changer::new(changer, Default::default()).unwrap(),
    );
    let validator = BillValidator::new(BillConfig::default(), Quirks::default()).unwrap();
    let bill = bench.plug(BILL, validator);
    let card = bench.plug(
        "card",
        CashlessDevice::new(CashlessConfig {
            name: "card".to_owned(),
            scale: card_scale,
            ..CashlessConfig::default()
        }),
    );
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    Mixed { bench, bill, card }
}

#[test]
fn a_bill_of_100_counts_and_change_in_counts_of_5() {
    let mut set = mixed(1);
    set.bench.at(&set.bill, |v, now| v.insert_bill(now, 1));
    set.bench.run_for(Micros::secs(5));
    assert_eq!(set.bench.credit(), Money(500), "type 1 is 5 counts of 1.00");
    set.bench.select(21);
    set.bench.run_for(Micros::secs(3));
    set.bench.run_until_quiet(Micros::secs(5));
    set.bench.assert_books_agree();
    assert_eq!(set.bench.credit(), Money::ZERO);
    assert_eq!(set.bench.balance("customer"), Money(-135));
    assert_eq!(set.bench.balance("board: paid by changer"), Money(365));
    assert_eq!(set.bench.balance("bill validator stacker"), Money(500));
}

/// Section 7.4.6: the item price is scaled; 1.35 is 135 counts of 1, 1.20 is 12 counts of 10.
#[test]
fn a_card_pays_exactly_at_either_factor() {
    for (scale, item, words, price) in [
        (1, 21, "> 13* 00 00 87 00 15", 135),
        (1, 22, "> 13* 00 00 78 00 16", 120),
        (10, 22, "> 13* 00 00 0C 00 16", 120),
    ] {
        let mut set = mixed(scale);
        set.bench.at(&set.card, |c, now| {
            c.present_card(now, Card::with(Money(1_000)))
        });
        set.bench.run_for(Micros::secs(2));
        set.bench.select(item);
        set.bench.run_for(Micros::secs(8));
        let asked = set.bench.words();
        let asked = asked.iter().filter(|w| w.starts_with(words));
        assert_eq!(asked.count(), 1, "{words} with factor {scale}");
        set.bench.assert_books_agree();
        assert_eq!(set.bench.balance("card receipts"), Money(price));
    }
}

/// A price the factor cannot express is not rounded: the vend is refused and the price named.
#[test]
fn a_price_that_cannot_be_expressed_is_named_and_not_sold() {
    let mut set = mixed(10);
    set.bench.at(&set.card, |c, now| {
        c.present_card(now, Card::with(Money(1_000)))
    });
    set.bench.run_for(Micros::secs(2));
    set.bench.select(21);
    set.bench.run_for(Micros::secs(8));
    assert!(!set.bench.names().contains(&"> VEND REQUEST".to_owned()));
    assert!(
        set.bench
            .noted("135 minor units cannot be sent with scaling factor 10")
    );
    assert_eq!(set.bench.balance("card receipts"), Money::ZERO);
    set.bench.assert_books_agree();
    // Cash still buys it.
    set.bench.at(&set.card, |c, now| c.remove_card(now));
    set.bench.run_for(Micros::secs(3));
    set.bench.at(&set.bill, |v, now| v.insert_bill(now, 1));
    set.bench.run_for(Micros::secs(6));
    set.bench.select(21);
    set.bench.run_for(Micros::secs(6));
    set.bench.run_until_quiet(Micros::secs(3));
    assert_eq!(set.bench.balance("customer"), Money(-135));
    set.bench.assert_books_agree();
}

/// The 1.00 that is 20 counts of 5, one of 100, ten of 10 and 100 of 1: what the display shows is
/// the same money whoever reports it.
#[test]
fn what_is_credited_does_not_depend_on_who_counts() {
    let mut set = mixed(10);
    set.bench.at(&set.card, |c, now| {
        c.present_card(now, Card::with(Money(100)))
    });
    set.bench.run_for(Micros::secs(2));
    assert!(set.bench.noted("Card: 1.00"), "{:?}", set.bench.notes());
    set.bench.at(&set.card, |c, now| c.remove_card(now));
    set.bench.run_for(Micros::secs(3));
    set.bench.at(&set.bill, |v, now| v.insert_bill(now, 0));
    set.bench.run_for(Micros::secs(5));
    assert!(set.bench.noted("Credit 1.00"));
    set.bench.press_return();
    set.bench.run_until_quiet(Micros::secs(5));
    assert_eq!(set.bench.balance("board: paid by changer"), Money(100));
    assert_eq!(set.bench.balance("customer"), Money::ZERO);
    set.bench.assert_books_agree();
}
