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

/// Of each kind of check one quirk: the exit code says that it was found, and what to do is said.
#[test]
fn what_a_board_does_wrong_is_told_with_what_to_do() {
    for (quirk, check) in [
        ("repeats-without-poll", "coin-type-in-turn-with-poll"),
        ("pays-again-after-reset", "reset-in-payout"),
        ("lets-in-without-change", "held-off-without-change"),
        ("waits-3-ms", "accepts-answers-at-5-ms"),
        ("reads-first-bill-only", "several-bills-credited"),
        ("asks-in-16-bits", "money-of-32-bits"),
        ("revalues-half", "revalue-in-full"),
        ("pays-again-after-cut", "cut-in-payout"),
    ] {
        let ran = payrig(&[
            "examine",
            "board",
            "--unattended",
            "--only",
            check,
            "--quirk",
            quirk,
        ]);
        assert_eq!(ran.code, 1, "{quirk}: {}{}", ran.out, ran.err);
        assert!(ran.out.contains("what to do:"), "{quirk}: {}", ran.out);
    }
}

/// The lines of the acceptor are in the recording: what reads it knows a pulse from an inhibit.
#[test]
fn the_recording_of_pulse_checks_is_read_with_its_profile() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("it.jsonl");
    let file = file.to_str().unwrap();
    for (only, trains) in [
        ("several-dollars", "1 pulse train"),
        ("inhibit-line-steady", "blocks, 0 findings"),
    ] {
        let record = ["--only", only, "--record", file];
        let examined = payrig(&[&["examine", "board", "--unattended"][..], &record].concat());
        assert_eq!(examined.code, 0, "{}", examined.err);
        let read = payrig(&["read", file]);
        let last = read.out.lines().last().unwrap();
        assert!(last.contains(trains), "{last}");
        assert!(!read.out.contains("pulse-"), "{}", read.out);
        assert!(read.out.contains("holds the acceptor off"));
    }
}
