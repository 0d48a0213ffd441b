//! Remote vend: examples 18 and 19.

use super::*;

fn pick(s: &mut Scene, item: u16, options: u32, card: Card) {
    let taken = s
        .bench
        .at(&s.card, |d, now| d.select_item(now, item, options, card));
    assert!(taken);
    s.bench.run_for(Micros::ms(300));
    s.rest();
}

const SELECTION: &[&str] = &["> POLL", "< SELECTION REQUEST", "> ACK"];

#[test]
fn example_18_remote_vend_from_enabled() {
    let mut s = with(Options::REMOTE_VEND, straight, |_| {});
    pick(&mut s, 11, 1, Card::with(Money(150)));
    assert_eq!(s.state(), CashlessState::Enabled);
    pick(&mut s, 12, 0, Card::with(Money(50)));
    let vend = [SELECTION, REQUEST_APPROVED, SUCCESS, END_STRAIGHT].concat();
    let denied: &[&str] = &["> SELECTION DENIED", "< ACK"];
    assert_said(&s, &[&vend, SELECTION, denied]);
    let words = s.bench.words();
    let of = |start: &str| words.iter().find(|w| w.starts_with(start)).unwrap();
    assert!(
        of("> 13* 00").starts_with("> 13* 00 00 14 00 0B"),
        "item 11 for 1.00"
    );
    // Item 12, reason 0AH: insufficient credit.
    assert!(of("> 13* 07").starts_with("> 13* 07 00 0C 0A"));
    assert_eq!(s.state(), CashlessState::Enabled);
    assert_eq!((s.balance("card receipts"), s.sold()), (100, 1));
    s.bench.assert_books_agree();
}

#[test]
fn example_19_remote_vend_from_session_idle() {
    let mut s = with(Options::REMOTE_VEND, straight, multi_vend);
    s.present(Card::unknown());
    pick(&mut s, 11, 1, Card::unknown());
    pick(&mut s, 12, 0, Card::unknown());
    let vend = [SELECTION, REQUEST_APPROVED, SUCCESS].concat();
    assert_said(&s, &[BEGIN_SESSION, &vend, &vend]);
    assert_eq!(s.state(), CashlessState::SessionIdle);
    assert_eq!((s.balance("card receipts"), s.sold()), (200, 2));
    s.bench.assert_books_agree();
}

/// 7.4.12: what there is not, is denied with 01H; a busy machine with FFH.
#[test]
fn selections_that_cannot_be() {
    let mut s = with(Options::REMOTE_VEND, straight, |_| {});
    pick(&mut s, 99, 0, Card::unknown());
    let words = s.bench.words();
    assert!(words.iter().any(|w| w.starts_with("> 13* 07 00 63 01")));
    s.bench.forget();
    let now = s.bench.now();
    s.bench.master_mut().test_vend(now, 4);
    pick(&mut s, 11, 0, Card::unknown());
    let words = s.bench.words();
    assert!(words.iter().any(|w| w.starts_with("> 13* 07 00 0B FF")));
    assert_eq!(s.state(), CashlessState::Enabled);
}
