//! `payrig float`, and whether the board on the bench agrees with it.

use payrig_tests::cli::{file, payrig, payrig_in};
use serde_json::Value;
use std::fs;
use std::path::Path;

/// A machine with three tubes, filled as said, bills of 1, 5 and 20, and two prices.
fn rig(nickels: u32, dimes: u32, quarters: u32, script: &str) -> String {
    format!(
        r#"
[bench]
name = "float"

[board]
kind = "controller"

[[board.item]]
number = 1
price = "0.65"

[[board.item]]
number = 2
price = "0.90"

[[device]]
kind = "changer"
name = "changer"
coin = [
  {{ value = "0.05", count = {nickels}, capacity = 80 }},
  {{ value = "0.10", count = {dimes}, capacity = 110 }},
  {{ value = "0.25", count = {quarters}, capacity = 75 }},
]

[[device]]
kind = "bill-validator"
name = "bill"
bills = ["1.00", "5.00", "20.00"]

{script}
"#
    )
}

fn asked(rig: &str, arguments: &[&str]) -> (i32, Vec<Value>) {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("rig.toml"), rig).unwrap();
    let all = [&["float", "rig.toml", "--format", "json"], arguments].concat();
    let ran = payrig_in(folder.path(), &all);
    assert!(ran.err.is_empty(), "{}", ran.err);
    (ran.code, ran.json())
}

fn last(lines: &[Value]) -> &Value {
    lines.last().unwrap()
}

fn bills(lines: &[Value]) -> Vec<&Value> {
    lines.iter().filter(|l| l["type"] == "bill").collect()
}

/// Runs a rig whose script expects something of the light; 0 when it was so.
fn bench_says(rig: &str) -> i32 {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("rig.toml"), rig).unwrap();
    payrig_in(folder.path(), &["run", "rig.toml", "--no-record"]).code
}

const LIGHT_ON: &str = r#"
[[script]]
do = "wait-ready"

[[script]]
expect = "exact-change"
on = true
"#;

/// Common practice, no source: an empty changer shows exact change at first power-up; filling
/// coins clears it; more coins let larger bills in.
#[test]
fn an_empty_changer_asks_for_exact_change_and_filling_clears_it() {
    let (code, lines) = asked(&rig(0, 0, 0, ""), &[]);
    assert_eq!(code, 1);
    assert_eq!(last(&lines)["exact_change_light"], true);
    assert_eq!(
        bench_says(&rig(0, 0, 0, LIGHT_ON)),
        0,
        "the board shows it too"
    );
    let welcome = |rig: &str| {
        let (_, lines) = asked(rig, &[]);
        let of = |b: &Value| b["welcome"].as_bool().unwrap();
        bills(&lines).into_iter().map(of).collect::<Vec<_>>()
    };
    assert_eq!(welcome(&rig(0, 0, 0, "")), [false, false, false]);
    assert_eq!(welcome(&rig(0, 1, 1, "")), [true, false, false]);
    assert_eq!(welcome(&rig(0, 1, 17, "")), [true, true, false]);
    assert_eq!(welcome(&rig(80, 110, 75, "")), [true, true, true]);
}

/// The smallest fill is enough on the bench, and one coin less of any kind is not.
#[test]
fn the_board_agrees_with_the_smallest_fill() {
    let (_, lines) = asked(&rig(0, 0, 0, ""), &["--sales", "1"]);
    let one = bills(&lines)[0];
    let coins = one["fills"][0]["from_empty"]["coins"].as_array().unwrap();
    let fill: Vec<u32> = coins
        .iter()
        .map(|c| c["count"].as_u64().unwrap() as u32)
        .collect();
    assert_eq!(fill, [0, 1, 1], "0.35 and 0.10 out of a dime and a quarter");
    let off = LIGHT_ON.replace("true", "false");
    assert_eq!(bench_says(&rig(0, 1, 1, &off)), 0);
    assert_eq!(bench_says(&rig(0, 0, 1, LIGHT_ON)), 0);
    assert_eq!(bench_says(&rig(0, 1, 0, LIGHT_ON)), 0);
}

#[test]
fn the_first_credit_and_price_to_fail_are_named() {
    let (code, lines) = asked(&rig(40, 30, 25, ""), &[]);
    assert_eq!(code, 1);
    // 2.00 + 3.00 + 6.25 = 11.25 in the tubes.
    assert_eq!(last(&lines)["first"]["credit"], 1_200);
    assert_eq!(last(&lines)["first"]["price"], 65);
    assert_eq!(last(&lines)["first"]["change"], 1_135);
    assert_eq!(lines[0]["kept_out"], true, "the bill would come back");
    let twenty = bills(&lines)[2];
    assert_eq!(twenty["welcome"], false);
    let (code, lines) = asked(&rig(80, 110, 75, ""), &[]);
    assert_eq!((code, &last(&lines)["passed"]), (0, &true.into()));
}

#[test]
fn a_way_the_board_does_not_take_is_pointed_out() {
    // 30 in change is paid as 25 + 5; then 25 has three dimes left. Three dimes first would do.
    let rig = rig(1, 3, 1, "")
        .replace("0.65", "0.70")
        .replace("0.90", "0.75");
    let (_, lines) = asked(&rig, &["--bill", "1.00"]);
    let bill = bills(&lines)[0];
    assert_eq!(
        (&bill["lasts"], &bill["another_way"]),
        (&1.into(), &true.into())
    );
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("rig.toml"), &rig).unwrap();
    let ran = payrig_in(folder.path(), &["float", "rig.toml", "--bill", "1.00"]);
    assert!(ran.out.contains("another way"), "{}", ran.out);
}

#[test]
fn the_embedded_rig_is_answered_in_plain_words() {
    let ran = payrig(&["float"]);
    assert_eq!(ran.code, 1);
    for seen in [
        "Float of \"First vend\"",
        "exact-change light  off",
        "not always paid",
        "credit 12.00, price 0.65: change of 11.35 cannot be paid",
        "Bill of 20.00: not taken now",
        "smallest fill: 1 x 0.10 + 1 x 0.25 (2 coins, 0.35)",
    ] {
        assert!(
            ran.out.contains(seen),
            "\"{seen}\" is missing in\n{}",
            ran.out
        );
    }
    let path = file("bench-rigs/first-vend.toml");
    assert_eq!(payrig(&["float", path.to_str().unwrap()]).out, ran.out);
}

const HOPPER: &str = r#"
[bench]
name = "hopper"

[board]
kind = "controller"

[[board.item]]
number = 1
price = "0.75"

[[device]]
kind = "pulse-hopper"
name = "hopper"
coin = "0.25"
count = 3

[[device]]
kind = "pulse-bill-validator"
name = "bill"
bills = ["1.00"]
"#;

/// A hopper on pulse lines pays where there is no changer; two of them, each by itself, are not
/// looked at.
#[test]
fn a_hopper_is_a_tube_where_there_is_no_changer() {
    let (code, lines) = asked(HOPPER, &["--bill", "1.00", "--sales", "2"]);
    assert_eq!(code, 0);
    let bill = bills(&lines)[0];
    assert_eq!(
        (&bill["lasts"], &bill["changes"][0]),
        (&3.into(), &25.into())
    );
    assert_eq!(bill["fills"][0]["from_empty"]["coins"][0]["count"], 2);
    let folder = tempfile::tempdir().unwrap();
    let again = HOPPER.split_once("[[device]]").unwrap().1;
    let again = again.split_once("[[device]]").unwrap().0;
    let two = format!(
        "{HOPPER}\n[[device]]{}",
        again.replace("name = \"hopper\"", "name = \"second\"")
    );
    fs::write(folder.path().join("two.toml"), two).unwrap();
    let ran = payrig_in(folder.path(), &["float", "two.toml"]);
    assert_eq!(ran.code, 2);
    assert!(ran.err.contains("pays by itself"), "{}", ran.err);
}

#[test]
fn wrong_questions_are_told_what_is_wrong() {
    for (arguments, says) in [
        (&["float", "none.toml"][..], "none.toml"),
        (
            &["float", "--bill", "5,00"],
            "\"5,00\" is not an amount of money",
        ),
        (&["float", "--bill", "0"], "must be above zero"),
        (&["float", "--sales", "0"], "--sales"),
        (
            &["float", "--max-credit", "99999999"],
            "too many to look at",
        ),
    ] {
        let ran = payrig(arguments);
        assert_eq!(ran.code, 2, "{arguments:?}");
        assert!(ran.err.contains(says), "{arguments:?}: {}", ran.err);
    }
    let text = rig(0, 0, 0, "");
    let rig = payrig_rig::parse(Path::new("rig.toml"), &text).unwrap();
    assert_eq!(rig.machine.selections.len(), 2);
}
