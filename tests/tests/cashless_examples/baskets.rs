//! Enhanced item numbers, partial refunds, baskets: examples 14 to 17d.

use super::*;
use payrig_controller::{BasketShares, Mishap};
use payrig_peripherals::cashless::Policy;

/// Values of the messages that carry some, in counts of 0.05.
fn values(s: &Scene, of: &[&str]) -> Vec<String> {
    let texts = s.texts();
    let wanted = |t: &&String| of.iter().any(|name| t.contains(name));
    texts.iter().filter(wanted).cloned().collect()
}

#[test]
fn example_14_dispensed_from_another_column() {
    let mut s = with(Options::NONE, straight, |b| {
        b.instead.insert(15, 16);
        multi_vend(b);
    });
    s.card(500);
    s.bench.master_mut().mishap(15, Mishap::Jam);
    s.bench.select(15);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST_APPROVED, SUCCESS]);
    let told = values(&s, &["VEND REQUEST", "VEND SUCCESS"]);
    assert!(told[0].contains("item 15"), "{told:?}");
    assert!(told[1].contains("item 16"), "{told:?}");
    assert_eq!(s.state(), CashlessState::SessionIdle);
    s.bench.assert_books_agree();
}

/// 7.4.7: with enhanced item number information both numbers are reported, with their names.
#[test]
fn example_14_with_enhanced_item_numbers() {
    let mut s = with(Options::ENHANCED_ITEMS, straight, |b| {
        b.instead.insert(15, 16);
        b.cashless.codes.insert(16, "B6".to_owned());
    });
    s.card(500);
    s.bench.master_mut().mishap(15, Mishap::Jam);
    s.bench.select(15);
    s.rest();
    let words = s.bench.words();
    let success = words.iter().find(|w| w.starts_with("> 13* 02")).unwrap();
    // Selected 15, dispensed 16, "15    ", "B6    ".
    let expected = "> 13* 02 00 0F 00 10 31 35 20 20 20 20 42 36 20 20 20 20";
    assert!(success.starts_with(expected), "{success}");
}

/// A reader with the basket option, and what the option does to each vend.
fn basket(approve_less: i64, shares: BasketShares) -> Scene {
    let less = Policy::ApproveLess(Money(approve_less));
    let reader = |c: &mut CashlessConfig| {
        straight(c);
        c.policy = less;
    };
    let mut s = with(Options::BASKET, reader, |b| {
        b.cards.basket = shares;
        multi_vend(b);
    });
    s.card(1000);
    s
}

#[test]
fn example_15_part_of_a_product() {
    let mut s = basket(0, BasketShares::Even);
    s.bench.master_mut().mishap(4, Mishap::Part(Money(75)));
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST_APPROVED, SUCCESS]);
    let words = s.bench.words();
    let of = |start: &str| words.iter().find(|w| w.starts_with(start)).unwrap().clone();
    // Price 1.00, item 4, skipped, item count 1, no options.
    assert!(of("> 13* 00").starts_with("> 13* 00 00 14 00 04 00 00 00 00 01 00 00"));
    assert!(of("< 05").starts_with("< 05 00 14 00 00"));
    // Amount 0.75 and nothing to come.
    assert!(of("> 13* 02").starts_with("> 13* 02 00 04 00 0F 00 00 00"));
    assert_eq!(s.balance("card card account"), 925);
    assert_eq!(s.state(), CashlessState::SessionIdle);
    s.bench.assert_books_agree();
}

/// Items 11, 12, 13 at 1.00 each; the reader gives a discount of 1.20.
fn three(mishaps: &[(u16, Mishap)], shares: BasketShares) -> Scene {
    let mut s = basket(120, shares);
    for (item, mishap) in mishaps {
        s.bench.master_mut().mishap(*item, *mishap);
    }
    let now = s.bench.now();
    s.bench.master_mut().select_basket(now, &[11, 12, 13]);
    s.bench.run_for(Micros::secs(1));
    s.rest();
    let words = s.bench.words();
    let request = words.iter().find(|w| w.starts_with("> 13* 00")).unwrap();
    // Price 3.00, item FFFFH, item count 3.
    assert!(
        request.starts_with("> 13* 00 00 3C FF FF 00 00 00 00 03 00 00"),
        "{request}"
    );
    assert!(
        words.iter().any(|w| w.starts_with("< 05 00 24 00 00")),
        "1.80 is approved"
    );
    assert_eq!(s.state(), CashlessState::SessionIdle);
    s.bench.assert_books_agree();
    s
}

/// VEND SUCCESS and VEND FAILURE: item, amount in counts, item count.
fn outcomes(s: &Scene) -> Vec<(bool, u16, u16, u8)> {
    let words = s.bench.words();
    let told = words
        .iter()
        .filter(|w| w.starts_with("> 13* 02") || w.starts_with("> 13* 03"));
    told.map(|w| {
        let bytes: Vec<u16> = w[2..]
            .split(' ')
            .map(|b| u16::from_str_radix(b.trim_end_matches('*'), 16).unwrap())
            .collect();
        let pair = |n: usize| bytes[n] << 8 | bytes[n + 1];
        (bytes[1] == 2, pair(2), pair(4), bytes[6] as u8)
    })
    .collect()
}

#[test]
fn example_16_the_discount_goes_to_the_failed_product() {
    let s = three(&[(12, Mishap::Jam)], BasketShares::OnFailures);
    let told = [(true, 11, 20, 2), (false, 12, 0, 1), (true, 13, 16, 0)];
    assert_eq!(outcomes(&s), told);
    assert_eq!((s.balance("card receipts"), s.sold()), (180, 2));
    let product = [SUCCESS, FAILURE, SUCCESS].concat();
    assert_said(&s, &[BEGIN_SESSION, REQUEST_APPROVED, &product]);
}

#[test]
fn example_17a_the_rest_of_the_basket_fails_one_by_one() {
    let s = three(&[(12, Mishap::Jam), (13, Mishap::Jam)], BasketShares::Even);
    let told = [(true, 11, 12, 2), (false, 12, 12, 1), (false, 13, 12, 0)];
    assert_eq!(outcomes(&s), told);
    assert_eq!(s.balance("card receipts"), 60, "1.20 is refunded");
}

#[test]
fn example_17b_the_rest_fails_at_once() {
    let s = three(&[(12, Mishap::Breakdown)], BasketShares::Even);
    assert_eq!(outcomes(&s), [(true, 11, 12, 2), (false, 0xFFFF, 24, 0)]);
    assert_eq!(s.balance("card receipts"), 60);
}

#[test]
fn example_17c_one_success_that_ends_the_vend() {
    let s = three(&[(11, Mishap::LastOne)], BasketShares::Even);
    assert_eq!(outcomes(&s), [(true, 11, 12, 0)]);
    assert_eq!(s.balance("card receipts"), 60);
}

#[test]
fn example_17d_everything_fails_at_once() {
    let s = three(&[(11, Mishap::Breakdown)], BasketShares::Even);
    assert_eq!(outcomes(&s), [(false, 0xFFFF, 36, 0)]);
    assert_eq!((s.balance("card receipts"), s.sold()), (0, 0));
}
