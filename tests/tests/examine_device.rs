//! `payrig examine device`, as its users run it.

use payrig_tests::cli::payrig;
use serde_json::Value;

fn lines(out: &str) -> Vec<Value> {
    out.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn the_built_in_devices_are_fit_by_more_than_forty_checks() {
    let ran = payrig(&["examine", "device", "--unattended", "--format", "json"]);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    let lines = lines(&ran.out);
    let mut ids: Vec<&str> = Vec::new();
    let mut verdicts = 0;
    for line in &lines {
        match line["type"].as_str() {
            Some("check") => {
                assert_eq!(line["outcome"], "pass", "{line}");
                assert!(!line["seen"].as_str().unwrap().is_empty());
                assert!(!line["section"].as_str().unwrap().is_empty());
                ids.push(line["id"].as_str().unwrap());
            }
            Some("verdict") => {
                assert_eq!(
                    (&line["passed"], &line["grade"]),
                    (&Value::Bool(true), &"fit".into())
                );
                verdicts += 1;
            }
            other => panic!("{other:?}"),
        }
    }
    ids.sort_unstable();
    ids.dedup();
    assert!(ids.len() >= 40, "{}", ids.len());
    // One of each kind.
    assert_eq!(verdicts, payrig_examine::device::Kind::ALL.len());
}

#[test]
fn a_quirk_is_found_and_the_exit_code_says_so() {
    let ran = payrig(&[
        "examine",
        "device",
        "--kind",
        "changer",
        "--quirk",
        "wrong-tube-count",
    ]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    assert!(ran.out.contains("tube-counts-honest"), "{}", ran.out);
    assert!(ran.out.contains("not fit"), "{}", ran.out);
    assert!(ran.out.contains("what to do:"), "{}", ran.out);
}

#[test]
fn list_names_what_is_run() {
    let list = payrig(&["examine", "device", "--list", "--format", "json"]);
    assert_eq!(list.code, 0, "{}", list.err);
    let listed = lines(&list.out);
    assert!(listed.len() > 100);
    assert!(
        listed
            .iter()
            .all(|l| l["quirk"].as_str().is_some_and(|q| !q.is_empty()))
    );
}

#[test]
fn a_name_that_is_none_is_met_with_the_nearest() {
    for option in ["--only", "--quirk"] {
        let ran = payrig(&["examine", "device", option, "wrong-tube-cout"]);
        assert_eq!(ran.code, 2, "{}", ran.out);
        assert!(
            ran.err.contains("did you mean") || ran.err.contains("--list"),
            "{}",
            ran.err
        );
    }
}

/// A rig's recycler and its acceptor above a hopper are examined as what they are, under the rig's
/// name for them and under their own.
#[test]
fn what_a_device_of_a_rig_has_besides_is_examined_too() {
    let rig = r#"
        [bench]
        name = "Harbour Loop shelf"
        currency = 840
        decimals = 2

        [board]
        kind = "controller"

        [[board.item]]
        number = 11
        name = "Crisps"
        price = "0.75"

        [[device]]
        kind = "bill-validator"
        name = "bills"
        level = 2
        scaling = 100
        bills = ["1.00", "5.00"]

        [[device.store]]
        bill = "1.00"
        count = 12
        capacity = 30

        [[device]]
        kind = "pulse-coin-acceptor"
        name = "coins"
        coins = ["0.25"]

        [device.pulse]
        pulses = 1
        per = "0.25"

        [device.hopper]
        coin = "0.25"
        count = 50

        [device.faults]
        stays-inhibited = true
    "#;
    let file = tempfile::NamedTempFile::with_suffix(".toml").unwrap();
    std::fs::write(file.path(), rig).unwrap();
    let path = file.path().to_str().unwrap();
    for (kind, subject, code) in [
        ("bill-validator", "bill-recycler", 0),
        ("bill-recycler", "bill-recycler", 0),
        ("pulse-coin-acceptor", "pulse-coin-hopper", 1),
    ] {
        let arguments = ["--rig", path, "--kind", kind, "--format", "json"];
        let ran = payrig(&[&["examine", "device"], arguments.as_slice()].concat());
        assert_eq!(ran.code, code, "{kind}\n{}\n{}", ran.out, ran.err);
        let checks = lines(&ran.out);
        assert!(
            checks
                .iter()
                .all(|c| c["subject"].as_str() == Some(subject)),
            "{}",
            ran.out
        );
        let failed = checks.iter().filter(|c| c["outcome"] == "fail");
        let failed: Vec<&str> = failed.filter_map(|c| c["id"].as_str()).collect();
        let expected: &[&str] = if code == 0 {
            &[]
        } else {
            &["takes-again-after-inhibit"]
        };
        assert_eq!(failed, expected);
    }
}
