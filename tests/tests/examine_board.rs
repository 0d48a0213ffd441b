//! `payrig examine board`, as its users run it.

use payrig_tests::cli::payrig;
use serde_json::Value;

fn lines(out: &str) -> Vec<Value> {
    out.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn our_controller_passes_more_than_sixty_checks() {
    let ran = payrig(&["examine", "board", "--unattended", "--format", "json"]);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    let lines = lines(&ran.out);
    let (verdict, checks) = lines.split_last().unwrap();
    assert!(checks.len() >= 60, "{}", checks.len());
    for check in checks {
        assert_eq!(
            (&check["type"], &check["outcome"]),
            (&"check".into(), &"pass".into()),
            "{check}"
        );
    }
    assert_eq!(verdict["type"], "verdict");
    assert_eq!(verdict["grade"], "fit");
    let looked_into = |c: &&Value| c["seen_by"] == "emulation";
    assert!(
        checks.iter().any(|c| looked_into(&c)),
        "the light was read from the emulated board, and nobody claims to have seen it"
    );
}

#[test]
fn a_board_that_pays_twice_is_found() {
    let only = ["examine", "board", "--only", "dispense-not-repeated"];
    let good = payrig(&only);
    assert_eq!(good.code, 0, "{}", good.out);
    let bad = payrig(&[&only[..], &["--quirk", "repeats-dispense"]].concat());
    assert_eq!(bad.code, 1, "{}", bad.out);
    assert!(bad.out.contains("what to do:"), "{}", bad.out);
}

#[test]
fn checks_are_listed_without_running_them() {
    let list = payrig(&["examine", "board", "--list", "--format", "json"]);
    assert_eq!(list.code, 0, "{}", list.err);
    assert!(lines(&list.out).len() >= 60);
}
