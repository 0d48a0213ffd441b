//! Always Idle and Ask Begin Session: examples 11 to 13 and 20.

use super::*;
use payrig_mdb::cashless::PaymentMedia;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};

#[test]
fn example_11_always_idle() {
    let mut s = scene(Options::ALWAYS_IDLE);
    s.bench.select(4);
    s.bench.run_for(Micros::secs(1));
    assert_eq!(s.state(), CashlessState::Vend);
    let card = Card::with(Money(500));
    s.bench.at(&s.card, |d, now| d.present_card(now, card));
    s.bench.run_for(Micros::secs(1));
    s.rest();
    assert_said(&s, &[REQUEST, APPROVED, SUCCESS, END]);
    assert_eq!((s.state(), s.sold()), (CashlessState::AlwaysIdle, 1));
    s.bench.assert_books_agree();
}

/// 7.2.3: a session may begin with a card all the same.
#[test]
fn example_11_with_a_session_that_begins_by_itself() {
    let mut s = scene(Options::ALWAYS_IDLE);
    s.card(500);
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST, APPROVED, SUCCESS, END]);
}

#[test]
fn example_12_cancelled_because_cash_is_inserted() {
    let mut expected = board(&[
        ("card", ExpectedKind::Cashless(Unit::One)),
        ("changer", ExpectedKind::Changer),
    ]);
    expected.cashless.options = Options::ALWAYS_IDLE;
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let config = CashlessConfig {
        name: "card".to_owned(),
        level: Level::THREE,
        options: Options::ALWAYS_IDLE,
        ..CashlessConfig::default()
    };
    let card = bench.plug("card", CashlessDevice::new(config));
    let changer = Changer::new(ChangerConfig::demo(), Quirks::default()).unwrap();
    let changer = bench.plug("changer", changer);
    bench.run_until_ready();
    bench.run_for(Micros::secs(1));
    bench.forget();
    let mut s = Scene { bench, card };
    s.bench.select(11);
    s.bench.run_for(Micros::secs(1));
    s.bench
        .at(&changer, |d, now| d.insert_coin(now, CoinType::of(2)));
    assert!(s.bench.run_until(|b| b.credit() > Money::ZERO));
    s.rest();
    let cancel: &[&str] = &["> VEND CANCEL", "< ACK"];
    assert_said(&s, &[REQUEST, cancel, DENIED, END]);
    assert_eq!(s.state(), CashlessState::AlwaysIdle);
    s.bench.assert_books_agree();
}

#[test]
fn example_13_nobody_presents_a_card() {
    let mut s = scene(Options::ALWAYS_IDLE);
    s.bench.select(4);
    let asked = s.bench.now();
    assert!(
        s.bench
            .run_until(|b| b.master().vending().display() == "Declined")
    );
    assert!(s.bench.now().since(asked) >= Micros::secs(7), "Z7 is 7 s");
    s.rest();
    assert_said(&s, &[REQUEST, DENIED, END]);
    assert_eq!((s.state(), s.sold()), (CashlessState::AlwaysIdle, 0));
}

/// A card with a discount of 20 % that the board is to give (payment type 3, 7.4.4).
fn discount_card() -> Card {
    let media = PaymentMedia {
        kind: 3,
        data: [0, 20],
        ..PaymentMedia::UNKNOWN
    };
    Card {
        media,
        ..Card::with(Money(500))
    }
}

/// Selection first; the card is in the reader when the request comes.
fn asked_with_card() -> Scene {
    let mut s = with(
        Options::ALWAYS_IDLE | Options::ASK_BEGIN_SESSION,
        straight,
        |_| {},
    );
    s.bench.select(4);
    s.bench
        .at(&s.card, |d, now| d.present_card(now, discount_card()));
    s
}

#[test]
fn example_20a_ask_begin_session() {
    let mut s = asked_with_card();
    s.rest();
    let texts = s.texts();
    // Counts of 0.05: 1.00 is 20, 0.80 is 16.
    let requests: Vec<&String> = texts
        .iter()
        .filter(|t| t.contains("VEND REQUEST"))
        .collect();
    assert!(requests[0].contains("price 20"), "{requests:?}");
    assert!(requests[1].contains("price 16"), "{requests:?}");
    let begin: &[&str] = &["> VEND REQUEST", "< BEGIN SESSION", "> ACK"];
    assert_said(&s, &[begin, REQUEST_APPROVED, SUCCESS, END_STRAIGHT]);
    // A POLL goes between BEGIN SESSION and the second request, as it is drawn.
    let names = s.bench.names();
    let begin = names.iter().position(|n| n == "< BEGIN SESSION").unwrap();
    let drawn = [
        "< BEGIN SESSION",
        "> ACK",
        "> POLL",
        "< ACK",
        "> VEND REQUEST",
    ];
    assert_eq!(names[begin..begin + 5], drawn);
    assert_eq!((s.balance("card receipts"), s.sold()), (80, 1));
    s.bench.assert_books_agree();
}

#[test]
fn example_20b_cancelled_by_the_controller_after_begin_session() {
    let mut s = asked_with_card();
    assert!(
        s.bench
            .run_until(|b| b.names().contains(&"< BEGIN SESSION".to_owned()))
    );
    s.bench.run_for(Micros::ms(5));
    s.bench.press_return();
    s.rest();
    let begin: &[&str] = &["> VEND REQUEST", "< BEGIN SESSION", "> ACK"];
    let cancel: &[&str] = &["> VEND CANCEL", "< VEND DENIED", "> ACK"];
    assert_said(&s, &[begin, cancel, END_STRAIGHT]);
    assert_eq!((s.balance("card receipts"), s.sold()), (0, 0));
}

#[test]
fn example_20c_cancelled_by_the_device_after_begin_session() {
    let mut s = asked_with_card();
    assert!(
        s.bench
            .run_until(|b| b.names().contains(&"< BEGIN SESSION".to_owned()))
    );
    s.bench.run_for(Micros::ms(5));
    s.bench.at(&s.card, |d, now| d.press_cancel(now));
    s.rest();
    let begin: &[&str] = &["> VEND REQUEST", "< BEGIN SESSION", "> ACK"];
    let denied = s.said();
    let drawn = [begin, &["> POLL", "< VEND DENIED"]].concat();
    assert_eq!(denied[..drawn.len()], drawn);
    assert_eq!(denied[denied.len() - 3..], *END_STRAIGHT);
    assert_eq!((s.state(), s.sold()), (CashlessState::AlwaysIdle, 0));
    assert_eq!(s.balance("card receipts"), 0);
}
