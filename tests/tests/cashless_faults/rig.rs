//! The rig that shows what level 3 can do.

use payrig_bench::Bench;
use payrig_tests::cli::file;
use payrig_wire::recording::Entry;
use std::path::Path;

#[test]
fn the_rig_of_cards_passes() {
    let path = file("bench-rigs/cards.toml");
    let mut stage = Bench::of(&payrig_rig::load(&path).unwrap());
    let mut verdict = None;
    while !stage.ended() {
        stage.advance(stage.next_deadline());
        for entry in stage.take_entries() {
            match entry {
                Entry::Verdict { passed, text, .. } => verdict = Some((passed, text)),
                Entry::Finding(finding) => panic!("{finding:?}"),
                Entry::Step {
                    passed: Some(false),
                    text,
                    why,
                    ..
                } => panic!("{text}: {why:?}"),
                _ => {}
            }
        }
    }
    let (passed, text) = verdict.expect("a verdict");
    assert!(passed, "{text}");
}

/// What a rig can say of prices, reasons and makers' bytes reaches the wire.
const FORMS: &str = r#"
[bench]
name = "forms"
[board]
cashless-options = ["basket", "remote-vend"]
announce-prices = false
[[board.item]]
number = 11
price = "1.00"
[[board.list-price]]
list = 2
item = 11
price = "0.80"
[[board.discount-group]]
number = 4
percent = 50
[[device]]
kind = "cashless"
name = "card"
options = ["basket", "remote-vend"]
diagnostics = "AB CD"
[[script]]
do = "wait-ready"
[[script]]
do = "present-member-card"
balance = "5.00"
terms = "price-list"
number = 2
[[script]]
after = "1 s"
do = "select"
item = 11
[[script]]
expect = "balance"
place = "card receipts"
value = "0.80"
[[script]]
after = "5 s"
do = "present-member-card"
balance = "5.00"
terms = "discount-group"
number = 4
[[script]]
after = "1 s"
do = "select-with-options"
item = 11
value = "0.20"
[[script]]
expect = "balance"
place = "card receipts"
value = "1.40"
[[script]]
after = "5 s"
do = "set-price"
item = 11
value = "2.00"
[[script]]
do = "present-card"
balance = "5.00"
[[script]]
after = "1 s"
do = "fail-item"
item = 11
why = "used-up"
[[script]]
do = "select"
item = 11
[[script]]
after = "10 s"
do = "close-item"
item = 11
why = "sold-out"
[[script]]
do = "remote-select"
item = 11
options = 28
[[script]]
after = "2 s"
do = "open-item"
item = 11
[[script]]
do = "diagnose"
device = "card"
bytes = "01 A0"
[[script]]
after = "2 s"
expect = "balance"
place = "card receipts"
value = "1.40"
"#;

#[test]
fn prices_reasons_and_makers_bytes_of_a_rig() {
    let rig = payrig_rig::parse(Path::new("forms.toml"), FORMS).unwrap();
    let mut stage = Bench::of(&rig);
    let (mut passed, mut bytes) = (None, String::new());
    while !stage.ended() {
        stage.advance(stage.next_deadline());
        for entry in stage.take_entries() {
            match entry {
                Entry::Verdict { passed: all, .. } => passed = Some(all),
                Entry::Block(block) => {
                    let words = block.words();
                    bytes.extend(words.iter().map(|w| format!("{:02X} ", w.word.byte)));
                }
                Entry::Step {
                    passed: Some(false),
                    text,
                    why,
                    ..
                } => panic!("{text}: {why:?}"),
                _ => {}
            }
        }
    }
    assert_eq!(passed, Some(true));
    for said in [
        // Prices not known; 0.80 by list 2; 1.20 less half, 0.20 of it options.
        "11 01 FF FF 00 00",
        "13 00 00 10 00 0B 00 00 00 00 01 00 00",
        "13 00 00 0C 00 0B 00 00 00 00 01 00 04",
        // 2.00, not delivered: ingredient used up.
        "13 03 00 0B 00 28 00 00 00 04",
        "13 07 00 0B 02",
        "17 FF 01 A0",
        "FF AB CD",
    ] {
        assert!(bytes.contains(said), "{said} is not in {bytes}");
    }
}
