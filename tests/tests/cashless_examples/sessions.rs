//! Sessions that begin with a card: examples 1 to 6 and 9.

use super::*;
use payrig_controller::Mishap;
use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};

#[test]
fn example_1_valid_single_vend() {
    let mut s = scene(Options::NONE);
    s.card(500);
    assert_eq!(s.state(), CashlessState::SessionIdle);
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST, APPROVED, SUCCESS, END]);
    assert_eq!(s.state(), CashlessState::Enabled);
    assert_eq!((s.balance("card receipts"), s.sold()), (100, 1));
    s.bench.assert_books_agree();
}

/// The same at every level both sides may have: 1 to 3 of the reader, 1 to 3 of the board.
#[test]
fn example_1_at_every_level() {
    for reader in 1..=3 {
        for vmc in 1..=3 {
            let level = |config: &mut CashlessConfig| config.level = Level(reader);
            let mut s = with(Options::MONEY_32, level, |b| b.cashless_level = vmc);
            s.card(500);
            s.bench.select(4);
            s.rest();
            assert_said(&s, &[BEGIN_SESSION, REQUEST, APPROVED, SUCCESS, END]);
            let wide = s.card.borrow().device().mode().expanded();
            assert_eq!(wide, reader == 3 && vmc == 3);
            s.bench.assert_books_agree();
        }
    }
}

#[test]
fn example_2_valid_multiple_vend() {
    let mut s = with(Options::NONE, |_| {}, multi_vend);
    s.card(500);
    for sold in 1..=2 {
        s.bench.select(4);
        assert!(
            s.bench
                .run_until(|b| b.master().vending().sold().len() == sold)
        );
        s.bench.run_for(Micros::ms(300));
    }
    s.bench.press_return();
    s.rest();
    let vend = [REQUEST, APPROVED, SUCCESS].concat();
    assert_said(&s, &[BEGIN_SESSION, &vend, &vend, END]);
    assert_eq!(s.balance("card receipts"), 200);
    s.bench.assert_books_agree();
}

/// 7.4.2, Z8 b1: only where the reader allows it.
#[test]
fn example_2_is_not_tried_where_the_reader_does_not_allow_it() {
    let mut s = with(Options::NONE, |c| c.multivend = false, multi_vend);
    s.card(500);
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST, APPROVED, SUCCESS, END]);
}

#[test]
fn example_3_cancelled_with_the_readers_return_button() {
    let mut s = scene(Options::NONE);
    s.card(500);
    s.bench.at(&s.card, |d, now| d.press_cancel(now));
    s.rest();
    let cancel: &[&str] = &["> POLL", "< SESSION CANCEL REQUEST", "> ACK"];
    assert_said(&s, &[BEGIN_SESSION, cancel, END]);
    assert_eq!(s.balance("card receipts"), 0);
}

/// A changer beside the reader, for its escrow return lever.
fn with_lever() -> (Scene, Plugged<Changer>) {
    let mut expected = board(&[
        ("card", ExpectedKind::Cashless(Unit::One)),
        ("changer", ExpectedKind::Changer),
    ]);
    expected.items = vec![item(4, "Water", 100)];
    let mut bench = Bench::new(Controller::new(expected, Micros::ZERO));
    let config = CashlessConfig {
        name: "card".to_owned(),
        approve_delay: Micros::secs(2),
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

#[test]
fn example_4a_cancelled_with_the_escrow_return_before_a_selection() {
    let (mut s, changer) = with_lever();
    s.card(500);
    s.bench.at(&changer, |d, now| d.press_escrow_lever(now));
    s.bench.run_for(Micros::secs(1));
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, END]);
}

#[test]
fn example_4b_cancelled_with_the_escrow_return_after_a_selection() {
    let (mut s, changer) = with_lever();
    s.card(500);
    s.bench.select(4);
    s.bench.run_for(Micros::ms(200));
    s.bench.at(&changer, |d, now| d.press_escrow_lever(now));
    s.bench.run_for(Micros::secs(1));
    s.rest();
    let cancel: &[&str] = &["> VEND CANCEL", "< ACK"];
    assert_said(&s, &[BEGIN_SESSION, REQUEST, cancel, DENIED, END]);
    assert_eq!((s.balance("card receipts"), s.sold()), (0, 0));
    s.bench.assert_books_agree();
}

#[test]
fn example_5_product_not_dispensed_refund_positive() {
    let refund = |c: &mut CashlessConfig| c.refund_delay = Micros::ms(400);
    let mut s = with(Options::NONE, refund, |_| {});
    s.card(500);
    s.bench.master_mut().mishap(4, Mishap::Jam);
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST, APPROVED, FAILURE, END]);
    // After VEND FAILURE: POLLs that meet silence, then one that meets ACK, and only then SESSION
    // COMPLETE.
    let names = s.bench.names();
    let failure = names.iter().position(|n| n == "> VEND FAILURE").unwrap();
    let complete = names
        .iter()
        .position(|n| n == "> SESSION COMPLETE")
        .unwrap();
    let between = &names[failure + 2..complete];
    let (last, silent) = between.split_at(between.len() - 2);
    assert!(
        !last.is_empty() && last.iter().all(|n| n == "> POLL"),
        "{between:?}"
    );
    assert_eq!(silent, ["> POLL", "< ACK"]);
    assert_eq!((s.balance("card card account"), s.sold()), (500, 0));
    s.bench.assert_books_agree();
}

#[test]
fn example_5a_product_not_dispensed_refund_fails() {
    for (level, told) in [(1, false), (2, true), (3, true)] {
        let no_refund = |c: &mut CashlessConfig| {
            c.restores_funds = false;
            c.refund_delay = Micros::ms(400);
        };
        let mut s = with(Options::NONE, no_refund, |b| b.cashless_level = level);
        s.card(500);
        s.bench.master_mut().mishap(4, Mishap::Jam);
        s.bench.select(4);
        s.rest();
        let malfunction: &[&str] = match told {
            true => &["> POLL", "< MALFUNCTION/ERROR", "> ACK"],
            false => &[],
        };
        let vend = [REQUEST, APPROVED, FAILURE].concat();
        assert_said(&s, &[BEGIN_SESSION, &vend, malfunction, END]);
        assert_eq!(s.bench.noted("refund failed, credit lost"), told);
        // The customer paid for nothing, and the books say so.
        assert_eq!(s.balance("card receipts"), 100);
        let found = s.bench.discrepancies();
        assert!(found[0].contains("the customer lost it"), "{found:?}");
    }
}

/// Insufficient funds are the reader's to find: the board asks whatever BEGIN SESSION said.
#[test]
fn example_6_vend_denied_by_the_reader() {
    let mut s = scene(Options::NONE);
    s.card(50);
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST, DENIED, END]);
    assert_eq!((s.balance("card receipts"), s.sold()), (0, 0));
}

/// Appendix 3, section 4: FFFFH is no obstacle.
#[test]
fn example_1_with_a_balance_that_is_not_known() {
    let mut s = scene(Options::NONE);
    s.present(Card::unknown());
    assert_eq!(
        s.bench.master().vending().display(),
        "Please make a selection"
    );
    s.bench.select(4);
    s.rest();
    assert_said(&s, &[BEGIN_SESSION, REQUEST, APPROVED, SUCCESS, END]);
    s.bench.assert_books_agree();
}

#[test]
fn example_9_reader_cancel_before_begin_session() {
    let mut s = scene(Options::NONE);
    s.bench.press_return();
    s.rest();
    let cancel: &[&str] = &["> READER CANCEL", "< ACK"];
    let cancelled: &[&str] = &["> POLL", "< CANCELLED", "> ACK"];
    assert_said(&s, &[cancel, cancelled]);
    assert_eq!(s.state(), CashlessState::Enabled);
}

/// Example 9 as it is drawn: a card is being dealt with when the customer gives up.
#[test]
fn example_9_gives_the_card_back() {
    let mut s = scene(Options::NONE);
    let card = Card::with(Money(500));
    s.bench.at(&s.card, |d, now| d.present_card(now, card));
    s.bench.press_return();
    s.rest();
    let cancel: &[&str] = &["> READER CANCEL", "< ACK", "> POLL", "< CANCELLED", "> ACK"];
    assert_said(&s, &[cancel]);
    assert!(s.bench.noted("card given back"));
}
