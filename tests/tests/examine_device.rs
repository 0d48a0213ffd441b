//! `payrig examine device`, as its users run it.

use payrig_exam::device::Setup;
use payrig_tests::cli::{file, payrig};
use serde_json::Value;

fn lines(out: &str) -> Vec<Value> {
    payrig_tests::cli::json_lines(out)
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
    assert_eq!(verdicts, payrig_exam::device::Kind::ALL.len());
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

/// The rigs that come with the tool hold good devices: each of them is fit as it stands there. One
/// that is real is left out, for nothing is plugged in here.
#[test]
fn every_device_of_every_rig_that_comes_along_is_fit() {
    let folder = file("bench-rigs");
    let mut verdicts = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let rig = payrig_rig::load(&path).unwrap();
        let path = path.to_str().unwrap();
        let emulated = rig.devices.iter().filter(|d| {
            let is_real = d.link.as_ref().is_some_and(|l| l.device_outside());
            !is_real && Setup::of_rig(&rig, d).is_some()
        });
        let expected = emulated.count();
        if expected == 0 {
            continue;
        }
        let ran = payrig(&["examine", "device", "--rig", path, "--format", "json"]);
        assert_eq!(ran.code, 0, "{path}\n{}\n{}", ran.out, ran.err);
        let lines = lines(&ran.out);
        let of_all = lines.iter().filter(|l| l["type"] == "verdict");
        let fit = of_all.filter(|l| l["grade"] == "fit").count();
        assert_eq!(fit, expected, "{path}\n{}", ran.out);
        verdicts += fit;
    }
    assert!(verdicts >= 12, "{verdicts}");
}

/// There are two addresses for card readers: `--unit` says which is meant.
#[test]
fn the_second_card_reader_is_named_by_its_unit() {
    let examine = |more: &[&str]| {
        let all = ["examine", "device", "--format", "json"];
        payrig(&[all.as_slice(), more].concat())
    };
    let only = |out: &str| {
        let lines = lines(out);
        let last = lines.last().unwrap();
        assert_eq!(
            (&last["type"], &last["grade"]),
            (&"verdict".into(), &"fit".into())
        );
        (
            lines.iter().filter(|l| l["type"] == "verdict").count(),
            last["name"].clone(),
        )
    };
    // The unit alone says that a card reader is meant.
    let ran = examine(&["--unit", "2"]);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    assert_eq!(only(&ran.out), (1, "cashless".into()));

    let cards = file("bench-rigs/cards.toml");
    let cards = cards.to_str().unwrap();
    for (unit, name) in [("1", "card"), ("2", "phone")] {
        let ran = examine(&["--rig", cards, "--kind", "cashless", "--unit", unit]);
        assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
        assert_eq!(only(&ran.out), (1, name.into()));
    }
    for (wrong, says) in [
        (["--kind", "changer", "--unit", "2"], "--kind cashless"),
        (["--kind", "cashless", "--unit", "3"], "1..=2"),
    ] {
        let ran = examine(&wrong);
        assert_eq!(ran.code, 2, "{}", ran.out);
        assert!(ran.err.contains(says), "{}", ran.err);
    }
    let first = file("bench-rigs/first-vend.toml");
    let first = first.to_str().unwrap();
    let ran = examine(&["--rig", first, "--unit", "2"]);
    assert_eq!(ran.code, 2, "{}", ran.out);
    assert!(ran.err.contains("unit = 2"), "{}", ran.err);
}
