//! Answers become rigs that read and run.

use super::questions::QUESTIONS;
use super::{Draft, Facts};
use payrig_bench::Bench;
use payrig_bench::plan::{Kind, PulsePlan};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use proptest::prelude::*;
use std::path::Path;

const HARBOUR_LOOP: &str = r#"
name = "Harbour Loop 17"
site = "Harbour Loop, ferry hall, quay 3"
asset = "HL-0017"
board = "ZZZ board, program 2.4"
technician = "J. Invented"
coins = "changer"
coin-values = "0.05 40/80, 0.10 40/110, 0.25 60/75, 1.00"
bills = "pulses"
bill-values = "1.00, 5.00"
bill-pulses = "medium 1 1.00"
bill-switches = "1 on, 2 off, 3 off, 4 on"
cards = "yes"
selections = "A1-E9"
price = "1.50"
prices = "A 1.25; C7-C9 1.75; E 2.50 same; E9 3.00 2.75"
card-price = "+0.10"
"#;

fn answered(text: &str) -> Result<String, String> {
    let mut draft = Draft::default();
    let read = draft.read_answers(Path::new("a.toml"), text);
    read.map_err(|e| e.to_string())?;
    draft.text()
}

/// A rig that reads is set up and runs for a while.
fn runs(text: &str) -> payrig_bench::Plan {
    let plan = crate::parse(Path::new("new.toml"), text).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let mut bench = Bench::of(&plan);
    for _ in 0..2_000 {
        let at = bench.next_deadline();
        if at > Micros::secs(60) || bench.ended() {
            break;
        }
        bench.advance(at);
    }
    plan
}

#[test]
fn the_machine_of_45_selections_is_a_page() {
    let text = answered(HARBOUR_LOOP).unwrap();
    let lines = text.lines().count();
    assert!(lines < 60, "{lines} lines:\n{text}");
    let plan = runs(&text);
    assert_eq!(plan.machine.selections.len(), 45);
    // The same prices as the rig of the guide.
    let page = include_str!("../../../../bench-rigs/harbour-loop.toml");
    let page = crate::parse(Path::new("page.toml"), page).unwrap();
    for (a, b) in plan.machine.selections.iter().zip(&page.machine.selections) {
        assert_eq!((&a.key, a.number), (&b.key, b.number));
        assert_eq!(
            (a.price, a.card_price()),
            (b.price, b.card_price()),
            "{}",
            a.key
        );
    }
    assert_eq!(text.matches("CHECK: not said").count(), 1, "{text}");
}

#[test]
fn what_nobody_said_is_marked() {
    let text = Draft::default().text().unwrap();
    runs(&text);
    for key in [
        "name = ",
        "keys = ",
        "price = ",
        "coin = ",
        "bills = ",
        "scaling = ",
    ] {
        let marked = |l: &&str| l.starts_with(key) && l.contains("CHECK");
        assert!(text.lines().any(|l| marked(&l)), "{key}");
    }
}

#[test]
fn answers_that_cannot_be_are_errors_with_their_line() {
    for (text, line, says) in [
        ("name = \"a\"\nnaem = \"b\"", 2, "did you mean `name`"),
        ("name = 3", 1, "in quotes"),
        ("coins = \"changr\"", 1, "did you mean changer"),
        ("\ncoin-values = \"0.05 90/80\"", 2, "no coin"),
        (
            "bills = \"none\"\nbill-values = \"1.00\"",
            2,
            "is for a machine that takes bills",
        ),
        (
            "bills = \"pulses\"\nbill-pulses = \"quick 1 1.00\"",
            2,
            "short, medium or long",
        ),
        ("selections = \"A9-A1\"", 1, "no range"),
        ("prices = \"A cheap\"", 1, "no amount"),
        ("price = \"1,50\"", 1, "no amount"),
        ("card-price = \"more\"", 1, "no card price"),
        ("name = ", 1, "not TOML"),
    ] {
        let error = answered(text).unwrap_err();
        assert!(
            error.starts_with(&format!("a.toml:{line}: ")),
            "{text}: {error}"
        );
        assert!(error.contains(says), "{text}: {error}");
    }
    let error = answered("selections = \"A1-A3\"\nprices = \"B1 1.00\"").unwrap_err();
    assert!(
        error.contains("do not go together") && error.contains("B1"),
        "{error}"
    );
}

#[test]
fn every_question_takes_what_is_usual_and_says_what_it_expects() {
    for coins in ["changer", "pulses", "none"] {
        for bills in ["bus", "pulses", "none"] {
            let mut draft = Draft::default();
            let mut asked = Vec::new();
            while let Some(question) = draft.next(&asked) {
                let usual = match question.id {
                    "coins" => coins.to_owned(),
                    "bills" => bills.to_owned(),
                    _ => draft.usual(question),
                };
                draft.answer(question, &usual).unwrap();
                asked.push(question.id);
            }
            assert!(asked.len() >= 12 && asked.len() <= QUESTIONS.len());
            if (coins, bills) != ("none", "none") {
                runs(&draft.text().unwrap());
            }
        }
    }
}

/// What the devices of a bench say of themselves makes a rig with devices like them.
#[test]
fn a_rig_from_a_recording_has_the_devices_of_the_recording() {
    let page = include_str!("../../../../bench-rigs/harbour-loop.toml");
    let plan = crate::parse(Path::new("page.toml"), page).unwrap();
    let mut bench = Bench::of(&plan);
    let mut entries: Vec<Entry> = Vec::new();
    while !bench.ended() {
        let at = bench.next_deadline();
        bench.advance(at);
        entries.extend(bench.take_entries());
    }
    let text = Draft::of(Facts::of(&entries)).text().unwrap();
    let again = runs(&text);
    let kinds = |plan: &payrig_bench::Plan| {
        let mut found = (None, None, None);
        for device in &plan.devices {
            match &device.kind {
                Kind::Changer(c, _) => {
                    let coins: Vec<_> = c.coins.iter().flatten().map(|c| c.worth).collect();
                    found.0 = Some((c.level, c.scaling_factor, coins));
                }
                Kind::Cashless(c) => {
                    found.1 = Some((
                        c.level,
                        c.scale,
                        c.multivend,
                        c.restores_funds,
                        c.response_time,
                    ));
                }
                Kind::Pulse(pulse) => {
                    if let PulsePlan::Bill(bill) = &**pulse {
                        found.2 = Some((bill.bills.clone(), bill.pulse.name.clone()));
                    }
                }
                _ => {}
            }
        }
        found
    };
    assert_eq!(kinds(&again), kinds(&plan));
    assert!(
        text.contains("The board announced card prices from 1.35 to 2.75"),
        "{text}"
    );
    assert!(
        text.contains("item 102 for 1.35, item 509 for 2.75"),
        "{text}"
    );
    assert!(
        text.contains("# Measured on old bill credit: pulses of 100.000 ms"),
        "{text}"
    );
    assert!(text.contains("serial"), "{text}");
}

fn words(all: &'static [&'static str]) -> impl Strategy<Value = String> {
    prop::sample::select(all).prop_map(str::to_owned)
}

fn show(minor: i64) -> String {
    format!("{}.{:02}", minor / 100, minor % 100)
}

/// Answers that could be somebody's.
fn answers() -> impl Strategy<Value = Vec<(&'static str, String)>> {
    let coins = prop::collection::btree_set(1i64..40, 1..7).prop_flat_map(|values| {
        let n = values.len();
        (
            Just(values),
            prop::collection::vec(proptest::option::of((0u16..80, 80u16..120)), n),
        )
    });
    let bills = prop::collection::btree_set(1i64..30, 1..6);
    let profile = words(&["short", "medium", "long"]);
    let selections = (1u8..7, 1u32..10, 0u32..4);
    let prices = (1i64..100, -1i64..40, prop::collection::vec(1i64..100, 0..5));
    (
        (
            words(&["changer", "pulses", "none"]),
            words(&["bus", "pulses", "none"]),
            words(&["yes", "no"]),
        ),
        coins,
        bills,
        (profile, 1u32..4, words(&["high", "low"])),
        selections,
        prices,
        "[ -~]{0,30}",
    )
        .prop_map(|(kinds, coins, bills, pulse, selections, prices, prose)| {
            let (coin_kind, bill_kind, cards) = kinds;
            let tubes = coin_kind == "changer";
            let coin = |(value, tube): (&i64, &Option<(u16, u16)>)| match tube {
                Some((count, room)) if tubes => format!("{} {count}/{room}", show(value * 5)),
                _ => show(value * 5),
            };
            let coin_values: Vec<String> = coins.0.iter().zip(&coins.1).map(coin).collect();
            let bill_values: Vec<String> = bills.iter().map(|b| show(b * 100)).collect();
            let (trays, from, more) = selections;
            let last = char::from(b'A' + trays - 1);
            let keys = format!("A{from}-{last}{}", from + more);
            let (price, card, rows) = prices;
            let rows: Vec<String> = (0..rows.len().min(usize::from(trays)))
                .map(|n| format!("{} {}", char::from(b'A' + n as u8), show(rows[n] * 5)))
                .collect();
            let rows = match rows.is_empty() {
                true => "none".to_owned(),
                false => rows.join("; "),
            };
            let mut all = vec![
                ("name", "A machine".to_owned()),
                ("site", prose),
                ("coins", coin_kind.clone()),
                ("bills", bill_kind.clone()),
                ("cards", cards.clone()),
                ("selections", keys),
                ("price", show(price * 5)),
                ("prices", rows),
            ];
            if coin_kind != "none" {
                all.push(("coin-values", coin_values.join(", ")));
            }
            if coin_kind == "pulses" {
                all.push(("coin-pulses", format!("{} {} 0.05", pulse.0, pulse.1)));
            }
            if bill_kind != "none" {
                all.push(("bill-values", bill_values.join(", ")));
            }
            if bill_kind == "pulses" {
                all.push(("bill-pulses", format!("{} {} 1.00", pulse.0, pulse.1)));
                all.push(("bill-inhibit", pulse.2));
            }
            if cards == "yes" {
                let card = match card {
                    -1 => "same".to_owned(),
                    n => format!("+{}", show(n * 5)),
                };
                all.push(("card-price", card));
            }
            all
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Whatever is answered, the rig reads and runs; without any device there is none.
    #[test]
    fn any_answers_make_a_rig_that_runs(all in answers()) {
        let quote = |t: &str| t.replace('\\', "\\\\").replace('"', "\\\"");
        let file: Vec<String> = all.iter().map(|(k, v)| format!("{k} = \"{}\"", quote(v))).collect();
        match answered(&file.join("\n")) {
            Ok(text) => {
                runs(&text);
            }
            Err(error) => {
                let none = ["coins = \"none\"", "bills = \"none\"", "cards = \"no\""];
                let nothing = none.iter().all(|n| file.iter().any(|l| l == n));
                prop_assert!(nothing && error.contains("at least one"), "{}\n{}", error, file.join("\n"));
            }
        }
    }

    #[test]
    fn any_text_is_answers_or_an_error(text in ".{0,120}") {
        let _ = answered(&text);
    }

    #[test]
    fn any_answer_is_one_or_says_what_is_expected(at in 0..QUESTIONS.len(), text in ".{0,40}") {
        let mut draft = Draft::default();
        let question = &QUESTIONS[at];
        match draft.answer(question, &text) {
            Ok(()) => {
                let _ = draft.text();
            }
            Err(why) => prop_assert!(why.contains("; expected ")),
        }
    }
}
