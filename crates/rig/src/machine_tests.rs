//! `[machine]` read and refused.

use super::{Machine, RigError};
use payrig_controller::CardPrice;
use payrig_units::Money;
use proptest::prelude::*;
use std::path::Path;

fn text(machine: &str, board: &str, rest: &str) -> String {
    format!(
        "[bench]\nname = \"b\"\n[machine]\n{machine}\n[board]\n{board}\n[[device]]\nkind = \
         \"cashless\"\nname = \"card\"\n{rest}\n"
    )
}

fn read(machine: &str, board: &str, rest: &str) -> Result<Machine, RigError> {
    let plan = super::parse(Path::new("r.toml"), &text(machine, board, rest))?;
    Ok(plan.machine)
}

fn machine(text: &str) -> Machine {
    read(text, "", "").unwrap()
}

/// Key, number, cash price, card price.
fn row(machine: &Machine, key: &str) -> (u16, i64, i64) {
    let key = super::Key::parse(key).unwrap();
    let s = machine.by_key(&key).unwrap();
    (s.number, s.price.as_minor(), s.card_price().as_minor())
}

#[test]
fn the_more_particular_price_holds_for_cash_and_card_apart() {
    let m = machine(
        "keys = \"A1-B4\"\nprice = \"1.50\"\ncard-price = \"+0.10\"\n[machine.selections]\n\
         A = { price = \"1.25\", card-price = \"same\" }\nA2-A3 = \"1.30\"\n\
         \"A3, b4\" = { card-price = \"2.00\" }\nB1 = { price = \"0.50\", card-price = \"-0.05\" }",
    );
    assert_eq!(m.selections.len(), 8);
    assert_eq!(row(&m, "A1"), (101, 125, 125));
    assert_eq!(row(&m, "A2"), (102, 130, 130));
    assert_eq!(row(&m, "A3"), (103, 130, 200));
    assert_eq!(row(&m, "B1"), (201, 50, 45));
    assert_eq!(row(&m, "B2"), (202, 150, 160));
    assert_eq!(row(&m, "B4"), (204, 150, 200));
    assert!(m.has_two_prices());
    let trays = m.trays();
    let names: Vec<&str> = trays.iter().map(|t| t.name.as_str()).collect();
    assert_eq!(names, ["A", "B"]);
    assert_eq!(m.key_of(203), "B3");
    assert_eq!(m.key_of(999), "999");
}

#[test]
fn a_machine_has_texts_names_and_numbers_of_its_own() {
    let m = machine(
        "site = \"quay 3\"\nasset = \"HL-1\"\nmodel = \"ZZZ\"\nboard = \"b\"\ntechnician = \"t\"\n\
         notes = \"\"\"\none\ntwo\n\"\"\"\nkeys = [\"10-12\", \"A1\"]\nprice = \"1.00\"\n\
         [machine.selections]\n\"1*\" = \"2.00\"\n12 = { name = \"Juice\", number = 7, code = \"JUICE\", instead = \"A1\" }",
    );
    assert_eq!(m.about.site.as_deref(), Some("quay 3"));
    assert_eq!(m.about.notes.as_deref(), Some("one\ntwo"));
    assert_eq!(row(&m, "10"), (10, 200, 200));
    assert_eq!(row(&m, "12"), (7, 200, 200));
    assert_eq!(row(&m, "A1"), (101, 100, 100));
    let juice = m.selection(7).unwrap();
    assert_eq!((juice.name.as_str(), juice.instead), ("Juice", Some(101)));
    assert_eq!(juice.code.as_deref(), Some("JUICE"));
    assert_eq!(m.selection(101).unwrap().name, "selection A1");
}

#[test]
fn items_have_keys_and_card_prices_too_and_stand_beside_a_machine() {
    let m = read(
        "keys = \"A1\"\nprice = \"1.00\"",
        "[[board.item]]\nnumber = 11\nprice = \"0.65\"\ncard-price = \"+0.05\"\n\
         [[board.item]]\nkey = \"b2\"\nprice = \"0.80\"\ninstead = 11",
        "",
    )
    .unwrap();
    assert_eq!(row(&m, "11"), (11, 65, 70));
    assert_eq!(row(&m, "B2"), (202, 80, 80));
    assert_eq!(m.selection(202).unwrap().instead, Some(11));
    assert_eq!(m.selection(11).unwrap().name, "item 11");
}

#[test]
fn steps_name_selections_by_their_keys() {
    let rig = text(
        "keys = \"A1-A3\"\nprice = \"1.00\"",
        "",
        "[[script]]\ndo = \"select\"\nitem = \"a2\"\n[[script]]\ndo = \"select\"\nitem = 103\n\
         [[script]]\ndo = \"select-several\"\nitems = [\"A1\", 102]\n\
         [[script]]\ndo = \"set-card-price\"\nitem = \"A1\"\nvalue = \"-0.10\"",
    );
    let plan = super::parse(Path::new("r.toml"), &rig).unwrap();
    let keys = super::Keys::of(&plan.machine);
    let texts: Vec<String> = plan
        .script
        .iter()
        .map(|s| s.what.text(plan.decimals, &keys))
        .collect();
    assert_eq!(
        texts,
        [
            "select A2",
            "select A3",
            "select A1, A2",
            "A1 has a new price on cards"
        ]
    );
}

#[test]
fn errors_name_the_line_and_the_nearest_key() {
    let usual = "keys = \"A1-A3\"\nprice = \"1.00\"";
    for (machine, board, rest, line, says) in [
        ("keys = \"A1-A3\"", "", "", 3, "A1 has no price"),
        ("keys = \"A3-A1\"\nprice = \"1.00\"", "", "", 4, "no range"),
        ("keys = \"A1, a1\"\nprice = \"1.00\"", "", "", 4, "A1 twice"),
        (
            "keys = 7\nprice = \"1.00\"",
            "",
            "",
            4,
            "keys as they stand",
        ),
        (
            "keys = [\"A1-A9\", 7]\nprice = \"1.00\"",
            "",
            "",
            4,
            "keys as they stand",
        ),
        (
            "keys = \"A1-A3\"\nprice = \"1.00\"\n[machine.selections]\nA4 = \"1.00\"",
            "",
            "",
            7,
            "did you mean A",
        ),
        (
            "keys = \"A1-A3\"\nprice = \"1.00\"\n[machine.selections]\nA1-A2 = \"1.00\"\nA2-A3 = \"2.00\"",
            "",
            "",
            8,
            "`price` here and in line 7",
        ),
        (
            "keys = \"A1-A3\"\nprice = \"1.00\"\n[machine.selections]\nA1-A2 = { number = 4 }",
            "",
            "",
            7,
            "one selection",
        ),
        (
            "keys = \"A1-A3\"\nprice = \"1.00\"\n[machine.selections]\nA1 = { prise = \"1.00\" }",
            "",
            "",
            7,
            "did you mean `price`",
        ),
        (
            "keys = \"A1\"\nprice = \"1.00\"\ncard-price = \"0.10 more\"",
            "",
            "",
            6,
            "\"+0.10\"",
        ),
        (
            "keys = \"A1\"\nprice = \"1.00\"\ncard-price = \"-1.05\"",
            "",
            "",
            3,
            "below zero",
        ),
        (
            "keys = \"A1, 101\"\nprice = \"1.00\"",
            "",
            "",
            3,
            "both item 101",
        ),
        (
            "keys = \"A100\"\nprice = \"1.00\"",
            "",
            "",
            3,
            "no number on the bus",
        ),
        ("site = \"a\\u0007b\"", "", "", 4, "one line"),
        ("sites = \"a\"", "", "", 4, "did you mean `site`"),
        (
            usual,
            "",
            "[[script]]\ndo = \"select\"\nitem = \"A9\"",
            13,
            "did you mean \"A",
        ),
        (
            usual,
            "",
            "[[script]]\ndo = \"select\"\nitem = 9",
            13,
            "101",
        ),
        (
            usual,
            "[[board.list-price]]\nlist = 1\nitem = \"B1\"\nprice = \"1.00\"",
            "",
            9,
            "no selection has the keys",
        ),
    ] {
        let error = read(machine, board, rest).unwrap_err();
        assert!(error.to_string().contains(says), "{machine}: {error}");
        assert_eq!(error.line, line, "{machine}: {error}");
    }
}

/// A machine of any shape, and how its rig says it.
fn shapes() -> impl Strategy<Value = (u8, u32, u32, i64, Option<i64>)> {
    (
        1u8..8,
        1u32..10,
        1u32..20,
        5i64..500,
        proptest::option::of(-5i64..100),
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_machine_of_any_shape_is_read_whole((trays, from, more, price, card) in shapes()) {
        let last = char::from(b'A' + trays - 1);
        let to = from + more;
        let show = |minor: i64| Money(minor).show(payrig_units::Decimals(2)).to_string();
        let card_text = match card {
            None => "same".to_owned(),
            Some(n) if n < 0 => format!("-{}", show(-n)),
            Some(n) => format!("+{}", show(n)),
        };
        let m = machine(&format!(
            "keys = \"A{from}-{last}{to}\"\nprice = \"{}\"\ncard-price = \"{card_text}\"", show(price)
        ));
        prop_assert_eq!(m.selections.len(), usize::from(trays) * (more as usize + 1));
        prop_assert_eq!(m.trays().len(), usize::from(trays));
        for s in &m.selections {
            prop_assert_eq!(s.price, Money(price));
            prop_assert_eq!(s.card_price(), Money(price + card.unwrap_or(0)));
            let tray = u16::from(s.key.letters().as_bytes()[0] - b'A' + 1);
            prop_assert_eq!(u32::from(s.number), u32::from(tray) * 100 + s.key.column());
            prop_assert_eq!(m.selection(s.number), Some(s));
            prop_assert_eq!(m.by_key(&s.key), Some(s));
        }
    }

    #[test]
    fn any_text_is_a_card_price_or_none(text in "[+0-9. a-z-]{0,8}") {
        if let Some(CardPrice::Fixed(price)) = super::parse_card_price(&text, payrig_units::Decimals(2)) {
            prop_assert!(price >= Money::ZERO);
        }
    }

    /// Any line of the machine in a page left out, doubled or cut.
    #[test]
    fn a_damaged_machine_is_read_or_refused_with_its_line(
        line in 0usize..60, what in 0u8..3, cut in 0usize..60
    ) {
        let text = include_str!("../../../bench-rigs/harbour-loop.toml");
        let mut lines: Vec<&str> = text.lines().collect();
        let line = line.min(lines.len() - 1);
        match what {
            0 => {
                lines.remove(line);
            }
            1 => lines.insert(line, lines[line]),
            _ => lines[line] = lines[line].get(..cut).unwrap_or(lines[line]),
        }
        if let Err(error) = super::parse(Path::new("r.toml"), &lines.join("\n")) {
            prop_assert!(error.line > 0 && !error.message.is_empty());
        }
    }
}
