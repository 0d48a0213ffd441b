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
    assert_eq!(verdicts, 4);
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
            ran.err.contains("did you mean") || ran.err.contains("there are"),
            "{}",
            ran.err
        );
    }
}
