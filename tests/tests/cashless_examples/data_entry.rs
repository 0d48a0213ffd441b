//! The three data entry sessions of section 7.7.

use super::*;

/// A display of 16 characters: with more than 31, request and prompt do not fit one block.
fn entry() -> Scene {
    with(
        Options::DATA_ENTRY,
        |_| {},
        |b| (b.cashless.columns, b.cashless.rows) = (16, 1),
    )
}

fn prompted(s: &mut Scene, keys: u8) {
    s.bench.at(&s.card, |d, now| {
        assert!(d.ask_for_keys(now, keys));
        assert!(d.show(now, "Your number?", 50));
    });
    s.bench.run_for(Micros::ms(400));
    assert_eq!(s.bench.master().vending().display(), "Your number?");
}

/// A key is pressed, and the reader shows one more asterisk.
fn key(s: &mut Scene, key: u8, shown: &str) {
    let now = s.bench.now();
    s.bench.master_mut().press_key(now, key);
    s.bench.run_for(Micros::ms(200));
    s.bench.at(&s.card, |d, now| d.show(now, shown, 50));
    s.bench.run_for(Micros::ms(400));
    assert_eq!(s.bench.master().vending().display(), shown);
}

/// One answer with two messages: the name is that of the first (7.3.1).
const PROMPT: &[&str] = &["> POLL", "< DATA ENTRY REQUEST", "> ACK"];
const KEY: &[&str] = &["> DATA ENTRY RESPONSE", "< ACK"];
const SHOW: &[&str] = &["> POLL", "< DISPLAY REQUEST", "> ACK"];

#[test]
fn data_entry_1_three_keys_with_prompt_and_asterisks() {
    let mut s = entry();
    prompted(&mut s, 3);
    key(&mut s, b'1', "Your number? *");
    key(&mut s, b'2', "Your number? **");
    key(&mut s, b'3', "Entry OK");
    assert_eq!(s.state(), CashlessState::Enabled);
    // "After Display Request Time expires, VMC regains control of display."
    let shown = |s: &Scene| s.bench.master().vending().display().to_owned();
    s.bench.run_for(Micros::secs(3));
    assert_eq!(shown(&s), "Entry OK");
    s.bench.run_for(Micros::secs(3));
    assert_ne!(shown(&s), "Entry OK");
    s.card(500);
    let entry = [KEY, SHOW].concat();
    assert_said(&s, &[PROMPT, &entry, &entry, &entry, BEGIN_SESSION]);
    assert!(s.bench.noted("keys entered: 123"));
    let texts = s.texts();
    assert!(texts[1].contains("DISPLAY REQUEST"), "{}", texts[1]);
}

#[test]
fn data_entry_2_cancelled_by_the_reader() {
    let mut s = entry();
    prompted(&mut s, 4);
    key(&mut s, b'1', "Your number? *");
    let now = s.bench.now();
    s.bench.master_mut().press_key(now, b'9');
    s.bench.run_for(Micros::ms(200));
    s.bench.at(&s.card, |d, now| d.press_cancel(now));
    s.bench.run_for(Micros::ms(400));
    s.bench.at(&s.card, |d, now| d.show(now, "Error", 20));
    s.bench.run_for(Micros::ms(400));
    let cancel: &[&str] = &["> POLL", "< DATA ENTRY CANCEL", "> ACK"];
    assert_said(&s, &[PROMPT, KEY, SHOW, KEY, cancel, SHOW]);
    // The key that comes too late goes nowhere.
    s.bench.forget();
    let now = s.bench.now();
    s.bench.master_mut().press_key(now, b'1');
    s.rest();
    assert_said(&s, &[]);
}

#[test]
fn data_entry_3_given_up_by_the_controller() {
    let mut s = entry();
    prompted(&mut s, 3);
    key(&mut s, b'1', "Your number? *");
    // The customer walks away: 30 s without a key.
    s.bench.run_for(Micros::secs(31));
    s.bench.at(&s.card, |d, now| d.show(now, "Try again", 20));
    s.bench.run_for(Micros::ms(400));
    assert_said(&s, &[PROMPT, KEY, SHOW, KEY, SHOW]);
    let words = s.bench.words();
    let last = words.iter().rfind(|w| w.starts_with("> 14* 03")).unwrap();
    assert!(
        last.starts_with("> 14* 03 FF FF FF FF FF FF FF FF"),
        "{last}"
    );
    assert_eq!(s.state(), CashlessState::Enabled);
}

/// 7.4.17: keys pressed fast go together, eight at the most.
#[test]
fn data_entry_keys_that_wait_go_together() {
    let mut s = entry();
    prompted(&mut s, 10);
    let now = s.bench.now();
    for key in b"1234567890" {
        s.bench.master_mut().press_key(now, *key);
    }
    s.bench.run_for(Micros::secs(1));
    assert!(s.bench.noted("keys entered: 1234567890"));
    assert!(
        s.said()
            .iter()
            .filter(|n| *n == "> DATA ENTRY RESPONSE")
            .count()
            <= 3
    );
}
