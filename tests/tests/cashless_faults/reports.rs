//! Reports that are no part of a vend: errors, the time, user files, session cancel in every state.

use super::*;
use payrig_controller::Clock;
use payrig_mdb::cashless::Malfunction;

/// 7.4.4: transient errors once; lasting ones are reported at every POLL and said once.
#[test]
fn malfunctions_in_plain_words() {
    let mut s = scene(Options::NONE);
    s.bench.at(&s.card, |d, now| d.fail(now, Malfunction(0x10)));
    s.bench.run_for(Micros::secs(1));
    s.bench.at(&s.card, |d, now| d.fail(now, Malfunction(0x50)));
    s.bench.run_for(Micros::secs(2));
    let said = |s: &Scene, text: &str| {
        let notes = s.bench.notes();
        notes.iter().filter(|n| n.contains(text)).count()
    };
    assert_eq!(said(&s, "invalid payment media"), 1);
    assert_eq!(said(&s, "reader requires service"), 1);
    s.bench.at(&s.card, |d, _| d.repair());
    s.bench.run_for(Micros::secs(1));
    s.bench.at(&s.card, |d, now| d.fail(now, Malfunction(0x50)));
    s.bench.run_for(Micros::secs(1));
    assert_eq!(said(&s, "reader requires service"), 2, "it is news again");
}

/// 7.4.23: ten BCD bytes; what the board does not know is FFH.
#[test]
fn the_time_is_sent_when_asked_for() {
    let clock = Clock::new([26, 12, 31], [23, 59, 0]);
    for (clock, expected) in [
        (clock, "> 17* 03 27 01 01 00 0"),
        (None, "> 17* 03 FF FF FF FF FF FF FF FF FF FF"),
    ] {
        let mut s = with(Options::NONE, |_| {}, |b| b.cashless.clock = clock);
        s.bench.run_for(Micros::secs(60));
        s.bench.forget();
        assert!(s.bench.at(&s.card, |d, now| d.ask_time(now)));
        s.bench.run_for(Micros::ms(400));
        let told: &[&str] = &["> POLL", "< TIME/DATE REQUEST", "> ACK"];
        let write: &[&str] = &["> WRITE TIME/DATE FILE", "< ACK"];
        assert_said(&s, &[told, write]);
        let words = s.bench.words();
        assert!(words.iter().any(|w| w.starts_with(expected)), "{words:?}");
        assert!(s.card.borrow().device().time().is_some());
    }
}

/// 7.4.21 and 7.4.22 are for level 02 readers.
#[test]
fn user_files_are_written_and_read_at_level_2_only() {
    for level in 1..=3 {
        let s = with(
            Options::NONE,
            |c| c.level = Level(level),
            |b| {
                b.cashless.write_files = vec![(2, b"HARBOUR LOOP".to_vec())];
                b.cashless.read_files = vec![2];
            },
        );
        assert_eq!(s.bench.noted("user file 2: \"HARBOUR LOOP\""), level == 2);
    }
}

/// 7.4.4 SESSION CANCEL REQUEST, 7.3.2: in Session Idle, before the decision, while the item falls.
#[test]
fn the_card_is_taken_away_at_any_moment() {
    for after in [0, 100, 250, 400, 700, 1500, 2200] {
        let slow = |c: &mut CashlessConfig| c.approve_delay = Micros::ms(300);
        let mut s = with(Options::NONE, slow, multi_vend);
        s.card(500);
        s.bench.select(4);
        s.bench.run_for(Micros::ms(after));
        s.bench.at(&s.card, |d, now| d.remove_card(now));
        s.bench.run_for(Micros::secs(3));
        s.rest();
        assert_eq!(s.state(), CashlessState::Enabled, "{after} ms");
        let sold = s.sold() as i64;
        assert_eq!(s.balance("card receipts"), 100 * sold, "{after} ms");
        assert!(!s.bench.master().vending().in_session());
        s.bench.assert_books_agree();
    }
}

/// 7.4.14: READER DISABLE lets a session come to its end; no card is taken after it.
#[test]
fn disabled_readers_take_no_cards() {
    let mut s = scene(Options::NONE);
    s.card(500);
    let now = s.bench.now();
    s.bench.master_mut().welcome_cards(now, false);
    s.bench.select(4);
    s.rest();
    assert_eq!((s.state(), s.sold()), (CashlessState::Disabled, 1));
    let card = Card::with(Money(500));
    assert!(!s.bench.at(&s.card, |d, now| d.present_card(now, card)));
    let now = s.bench.now();
    s.bench.master_mut().welcome_cards(now, true);
    s.rest();
    assert_eq!(s.state(), CashlessState::Enabled);
    s.bench.assert_books_agree();
}

/// A price the reader's scale factor cannot express is an error that names it, and nothing is sold.
#[test]
fn a_price_that_cannot_be_expressed() {
    let odd = |b: &mut BoardConfig| b.items = vec![item(4, "Water", 103)];
    let mut s = with(Options::NONE, |_| {}, odd);
    s.card(500);
    s.bench.select(4);
    s.rest();
    assert!(s.bench.noted("103"), "{:?}", s.bench.notes());
    assert_eq!((s.balance("card receipts"), s.sold()), (0, 0));
}

/// 7.2.4: a session nobody uses is completed.
#[test]
fn a_session_nobody_uses_ends() {
    let mut s = scene(Options::NONE);
    s.card(500);
    s.bench.run_for(Micros::secs(31));
    assert_said(&s, &[BEGIN_SESSION, END]);
}
