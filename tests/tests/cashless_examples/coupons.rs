//! Coupons: examples 21 to 23.

use super::*;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::cashless::Coupon;
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};

fn scan(s: &mut Scene, options: u8) {
    let coupon = Coupon {
        item: Some(14),
        options,
        value: Some(Money(200)),
        id: 7,
    };
    assert!(s.bench.at(&s.card, |d, now| d.scan_coupon(now, coupon)));
    s.bench.run_for(Micros::ms(400));
}

const REPORT: &[&str] = &["> POLL", "< COUPON REPORT", "> ACK"];
const REPLY: &[&str] = &["> COUPON REPLY", "< ACK"];

/// "Machine price for selection 14 is 3.90", in counts of 0.05: coupon 40, rest 38.
#[test]
fn example_21_coupon_and_cashless() {
    let mut s = with(Options::COUPON | Options::ALWAYS_IDLE, straight, |_| {});
    scan(&mut s, 1);
    s.bench.select(14);
    s.bench.at(&s.card, |d, now| {
        d.present_card(now, Card::with(Money(500)))
    });
    s.rest();
    assert_said(
        &s,
        &[REPORT, REQUEST_APPROVED, SUCCESS, END_STRAIGHT, REPLY],
    );
    let words = s.bench.words();
    let of = |start: &str| words.iter().find(|w| w.starts_with(start)).unwrap();
    assert!(of("< 15").starts_with("< 15 00 0E 01 00 28 00 00 00 07"));
    assert!(of("> 13* 00").starts_with("> 13* 00 00 26 00 0E"), "1.90");
    assert!(of("> 13* 08").starts_with("> 13* 08 01 00 0E 00 28"));
    assert_eq!((s.balance("card receipts"), s.sold()), (390, 1));
    s.bench.assert_books_agree();
}

/// A board with a changer of its own, for cash.
fn with_changer() -> (Scene, Plugged<Changer>) {
    let mut expected = board(&[
        ("card", ExpectedKind::Cashless(Unit::One)),
        ("changer", ExpectedKind::Changer),
    ]);
    expected.cashless.options = Options::DEFINED;
    expected.items = vec![item(14, "Coffee", 390)];
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let config = CashlessConfig {
        name: "card".to_owned(),
        level: Level::THREE,
        options: Options::COUPON | Options::ALWAYS_IDLE,
        ..CashlessConfig::default()
    };
    let card = bench.plug("card", CashlessDevice::new(config));
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    bench.forget();
    (Scene { bench, card }, changer)
}

/// One dollar coins, of type 3 in the demonstration.
fn dollars(s: &mut Scene, changer: &Plugged<Changer>, count: i64) {
    for n in 1..=count {
        s.bench
            .at(changer, |d, now| d.insert_coin(now, CoinType::of(3)));
        assert!(s.bench.run_until(|b| b.credit() == Money(100 * n)));
    }
}

#[test]
fn example_22_coupon_refused_because_of_cash() {
    let (mut s, changer) = with_changer();
    dollars(&mut s, &changer, 1);
    scan(&mut s, 1);
    s.rest();
    assert_said(&s, &[REPORT, REPLY]);
    let words = s.bench.words();
    let reply = words.iter().find(|w| w.starts_with("> 13* 08")).unwrap();
    assert!(reply.starts_with("> 13* 08 00 00 0E 00 28"), "{reply}");
    assert!(s.bench.noted("coupon rejected"));
    s.bench.assert_books_agree();
}

#[test]
fn example_23_coupon_and_cash() {
    let (mut s, changer) = with_changer();
    scan(&mut s, 0);
    dollars(&mut s, &changer, 2);
    s.bench.select(14);
    s.rest();
    let sale: &[&str] = &["> CASH SALE", "< ACK"];
    assert_said(&s, &[REPORT, REPLY, sale]);
    let words = s.bench.words();
    let of = |start: &str| words.iter().find(|w| w.starts_with(start)).unwrap();
    assert!(of("> 13* 08").starts_with("> 13* 08 01 00 0E 00 28"));
    assert!(of("> 13* 05").starts_with("> 13* 05 00 26 00 0E"), "1.90");
    assert_eq!((s.bench.credit(), s.sold()), (Money::ZERO, 1));
    assert_eq!(s.balance("customer"), -190, "0.10 came back");
    s.bench.assert_books_agree();
}

/// 7.4.4: one coupon at a time; one that is not used goes back at last.
#[test]
fn a_coupon_nobody_uses_is_refused_in_time() {
    let mut s = scene(Options::COUPON);
    scan(&mut s, 0);
    s.bench.run_for(Micros::secs(31));
    assert_said(&s, &[REPORT, REPLY]);
    assert!(s.bench.noted("coupon rejected"));
}
