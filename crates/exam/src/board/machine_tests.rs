//! Machines of other shapes than the built-in one: a good board of none of them is accused, and what a
//! machine does not have is skipped and said.

use super::runner::run_check;
use super::*;
use crate::result::Outcome;
use crate::skip::Skip;
use payrig_units::Micros;
use proptest::prelude::*;
use std::path::Path;

fn setup(text: &str) -> BoardSetup {
    let rig = payrig_rig::parse(Path::new("machine.toml"), text);
    let rig = rig.unwrap_or_else(|e| panic!("{e}\n{text}"));
    BoardSetup::of_rig(&rig, false).unwrap()
}

/// What is wrong about a verdict on a good board, if anything.
fn wrong(check: &BoardCheck, setup: &BoardSetup) -> Option<String> {
    let (seen, _) = run_check(check, setup);
    let right = match (seen.outcome, &seen.skip) {
        (Outcome::Pass, _) => true,
        (Outcome::Skipped, Some(Skip::NotFitted(text))) => text.contains("needs "),
        _ => false,
    };
    let text = Kit::of(setup).text(check.expected);
    (!right).then(|| format!("{}: {:?} {} ({text})", check.id, seen.outcome, seen.text))
}

fn all_wrong(setup: &BoardSetup) -> Vec<String> {
    checks().filter_map(|check| wrong(check, setup)).collect()
}

const HARBOUR_LOOP: &str = include_str!("../../../../bench-rigs/harbour-loop.toml");

#[test]
fn the_machine_of_45_selections_is_examined_and_not_accused() {
    let setup = setup(HARBOUR_LOOP);
    assert!(!setup.fitted.bill && setup.fitted.pulse);
    let wrong = all_wrong(&setup);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let skipped = checks().filter(|check| run_check(check, &setup).0.skip.is_some());
    let skipped: Vec<&str> = skipped.map(|check| check.id).collect();
    // It has no bill validator on the bus.
    assert!(
        skipped.contains(&"bill-stacked-and-credited"),
        "{skipped:?}"
    );
    assert!(skipped.len() < 45, "{} {skipped:?}", skipped.len());
    assert!(!skipped.contains(&"several-dollars"), "{skipped:?}");
}

/// An acknowledgment may come 5 ms after the answer (3.2), also after one that was held back or is slow:
/// peripherals that are played so wait for it from when their answer is out.
#[test]
fn a_board_that_acknowledges_as_late_as_it_may_is_not_accused_beside_slow_peripherals() {
    for mut setup in [BoardSetup::good().unwrap(), setup(HARBOUR_LOOP)] {
        setup.board.timing.turnaround = Micros(4_800);
        let odd = |check: &&BoardCheck| !check.arranged(&setup).device_habits.is_empty();
        let odd: Vec<&BoardCheck> = checks().filter(odd).collect();
        assert!(odd.len() > 12, "{}", odd.len());
        let wrong: Vec<String> = odd.iter().filter_map(|c| wrong(c, &setup)).collect();
        assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    }
}

/// A machine whose coins count in pulses beside the changer: they are the money of the checks of pulses.
const COINS_ON_PULSES: &str = r#"
[bench]
name = "m"
[machine]
keys = "A1-B3"
price = "1.25"
[board]
kind = "controller"
[[device]]
kind = "changer"
name = "changer"
scaling = 5
coin = [{ value = "0.05", count = 40, capacity = 80 }, { value = "0.25", count = 40, capacity = 80 }]
[[device]]
kind = "pulse-coin-acceptor"
name = "old coins"
coins = ["0.50", "1.00", "2.00"]
pulse = { profile = "short", pulses = 1, per = "0.50", inhibits = "high" }
"#;

#[test]
fn coins_on_pulses_are_the_money_of_the_checks_of_pulses() {
    let good = setup(COINS_ON_PULSES);
    assert!(
        good.fitted.pulse && good.unused.is_empty(),
        "{:?}",
        good.unused
    );
    let wrong = all_wrong(&good);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    // What is done with them finds what it is about.
    let mut examined = 0;
    for check in checks() {
        let on_pulses = check.id.contains("pulse")
            || check.id == "several-dollars"
            || check.id.starts_with("held-off-")
            || check.id == "let-in-when-set-up";
        if !on_pulses || run_check(check, &good).0.outcome != Outcome::Pass {
            continue;
        }
        let mut bad = good.clone();
        (check.quirk.apply)(&mut bad);
        let (seen, _) = run_check(check, &bad);
        assert_eq!(seen.outcome, Outcome::Fail, "{}: {}", check.id, seen.text);
        examined += 1;
    }
    assert!(examined > 10, "{examined}");
    let kit = Kit::of(&good);
    assert_eq!(kit.text("a {money} of {pulse}"), "a coin of 0.50");
    // Beside a bill validator on pulses, that one is played.
    let both = COINS_ON_PULSES.to_owned()
        + "[[device]]\nkind = \"pulse-bill-validator\"\nname = \"old bill\"\nbills = [\"1.00\"]\n";
    let both = setup(&both);
    assert!(both.pulse_coins.is_none() && both.pulse.name == "old bill");
    assert!(
        both.unused.iter().any(|u| u.contains("\"old coins\"")),
        "{:?}",
        both.unused
    );
}

#[test]
fn texts_have_no_words_left_in_braces() {
    let kits = [
        Kit::of(&setup(COINS_ON_PULSES)),
        Kit::of(&BoardSetup::good().unwrap()),
        Kit::of(&setup(HARBOUR_LOOP)),
    ];
    for check in checks() {
        for kit in &kits {
            for text in [check.title, check.expected] {
                let said = kit.text(text);
                assert!(!said.contains(['{', '}']), "{}: {said}", check.id);
            }
        }
    }
}

/// A machine as somebody might describe one.
fn machines() -> impl Strategy<Value = String> {
    let coins = prop::collection::btree_set(
        prop::sample::select(vec![5i64, 10, 20, 25, 50, 100, 200]),
        1..6,
    );
    let tubes = prop::collection::vec((any::<bool>(), 0u16..60), 7);
    let bills = prop::collection::btree_set(
        prop::sample::select(vec![100i64, 200, 500, 1_000, 2_000, 5_000]),
        1..5,
    );
    let pulse = (
        prop::sample::select(vec!["short", "medium", "long"]),
        1u32..4,
        prop::sample::select(vec!["low", "high"]),
        prop::sample::select(vec!["low", "high"]),
    );
    let prices = (1i64..60, -3i64..8, prop::collection::vec(1i64..60, 0..4));
    let devices = (any::<bool>(), 0u8..4, any::<bool>(), 1u8..4, 1u8..3);
    (coins, tubes, bills, pulse, prices, devices, (1u8..6, 1u32..10), any::<[bool; 3]>()).prop_map(
        |(coins, tubes, bills, pulse, prices, devices, keys, habits)| {
            let show = |m: i64| format!("{}.{:02}", m / 100, m % 100);
            let (price, card, rows) = prices;
            let card = match card {
                0 => "same".to_owned(),
                n if n < 0 => format!("-{}", show((-n).min(price).min(-n) * 5)),
                n => format!("+{}", show(n * 5)),
            };
            let (trays, columns) = keys;
            let last = char::from(b'A' + trays - 1);
            let mut text = format!(
                "[bench]\nname = \"m\"\n[machine]\nkeys = \"A1-{last}{}\"\nprice = \"{}\"\ncard-price = \
                 \"{card}\"\n[machine.selections]\n",
                columns + 1,
                show(price * 5)
            );
            for (n, row) in rows.iter().enumerate().take(usize::from(trays)) {
                let tray = char::from(b'A' + n as u8);
                text += &format!("{tray} = {{ price = \"{}\", card-price = \"+0.00\" }}\n", show(row * 5));
            }
            let (changer, bill_kind, reader, level, validator_level) = devices;
            let [keep_credit, multi, escrow] = habits;
            text += &format!("[board]\nkeep-credit = {keep_credit}\nmulti-vend = {multi}\n");
            if changer {
                text += "[[device]]\nkind = \"changer\"\nname = \"coins\"\nscaling = 5\ncoin = [\n";
                for (coin, (tube, count)) in coins.iter().zip(&tubes) {
                    text += &match tube {
                        true => format!("{{ value = \"{}\", count = {count}, capacity = 90 }},\n", show(*coin)),
                        false => format!("{{ value = \"{}\" }},\n", show(*coin)),
                    };
                }
                text += "]\n";
            }
            let all: Vec<String> = bills.iter().map(|b| format!("\"{}\"", show(*b))).collect();
            let all = all.join(", ");
            if bill_kind & 1 != 0 {
                text += &format!(
                    "[[device]]\nkind = \"bill-validator\"\nname = \"bills\"\nlevel = {validator_level}\nescrow = \
                     {escrow}\nbills = [{all}]\n"
                );
            }
            if bill_kind & 2 != 0 {
                let (profile, count, active, inhibits) = pulse;
                text += &format!(
                    "[[device]]\nkind = \"pulse-bill-validator\"\nname = \"old\"\nbills = [{all}]\npulse = {{ \
                     profile = \"{profile}\", pulses = {count}, per = \"1.00\", active = \"{active}\", inhibits = \
                     \"{inhibits}\" }}\n"
                );
            }
            if reader || !changer && bill_kind == 0 {
                text += &format!("[[device]]\nkind = \"cashless\"\nname = \"cards\"\nscaling = 5\nlevel = {level}\n");
            }
            text
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { max_shrink_iters: 12, ..ProptestConfig::with_cases(24) })]

    /// A good board of a machine of any shape is never failed, by whatever check.
    #[test]
    fn a_good_board_of_any_machine_is_not_accused(
        text in machines(), picks in prop::collection::vec(any::<prop::sample::Index>(), 10)
    ) {
        let setup = setup(&text);
        let all: Vec<&BoardCheck> = checks().collect();
        for pick in picks {
            let wrong = wrong(pick.get::<&BoardCheck>(&all), &setup);
            prop_assert!(wrong.is_none(), "{}\n{text}", wrong.unwrap_or_default());
        }
    }
}
