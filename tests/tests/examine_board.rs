//! `payrig examine board`, as its users run it.

use payrig_tests::cli::payrig;
use serde_json::Value;

fn lines(out: &str) -> Vec<Value> {
    payrig_tests::cli::json_lines(out)
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
fn what_a_board_does_wrong_is_reported_with_what_to_do() {
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
        let record = ["--only", only, "--record", file, "--overwrite"];
        let examined = payrig(&[&["examine", "board", "--unattended"][..], &record].concat());
        assert_eq!(examined.code, 0, "{}", examined.err);
        let read = payrig(&["read", file]);
        let last: Vec<&str> = read.out.lines().rev().take(2).collect();
        assert!(last[1].contains(trains), "{last:?}");
        assert!(last[0].contains("recording of an examination of the board"));
        assert!(!read.out.contains("pulse-"), "{}", read.out);
        assert!(read.out.contains("holds the acceptor off"));
    }
}

/// A rig may say where a real subject is; what cannot be is refused before anything is opened.
#[test]
fn a_rig_says_where_the_real_one_is() {
    const BENCH: &str = "[bench]\nname = \"real\"\n";
    const OURS: &str = "[board]\nkind = \"controller\"\n";
    const OUTSIDE: &str = "[board]\nkind = \"outside\"\n";
    const CHANGER: &str = "[[device]]\nkind = \"changer\"\nname = \"changer\"\n";
    const LINK: &str = "[link]\nport = \"/dev/no-bus\"\n";
    const DEVICES: &str = "outside = \"devices\"\n";
    const PULSE: &str = "[[device]]\nkind = \"pulse-bill-validator\"\nname = \"old bill\"\n\
        bills = [\"1.00\"]\n[device.link]\nport = \"/dev/no-lines\"\n";
    let device = "outside = \"device\"\n";
    let real_devices = [BENCH, LINK, DEVICES, OURS, CHANGER, PULSE, device].concat();
    let real_board = [BENCH, LINK, OUTSIDE, CHANGER].concat();
    let on_lines = [BENCH, LINK, OUTSIDE, PULSE].concat();
    let nowhere = [BENCH, OUTSIDE, CHANGER].concat();
    let cases: [(&str, &[&str], &str); 9] = [
        (&real_devices, &["device"], "name its kind with --kind"),
        (
            &real_devices,
            &["device", "--kind", "changer"],
            "/dev/no-bus",
        ),
        (
            &real_devices,
            &["device", "--kind", "pulse-bill-validator"],
            "/dev/no-lines",
        ),
        (&real_devices, &["board", "--link", "pty"], "is our own"),
        (&real_board, &["board"], "/dev/no-bus"),
        (&on_lines, &["board"], "/dev/no-lines"),
        (&nowhere, &["board"], "does not say where"),
        (
            &nowhere,
            &["board", "--link", "/dev/no-other"],
            "/dev/no-other",
        ),
        (&nowhere, &["device", "--probe"], "--probe is about a link"),
    ];
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("rig.toml");
    let path = file.to_str().unwrap();
    for (rig, arguments, told) in cases {
        std::fs::write(&file, rig).unwrap();
        let more = ["--rig", path, "--unattended"];
        let ran = payrig(&[&["examine"], arguments, &more].concat());
        assert!(ran.code > 1, "{arguments:?}: {}", ran.out);
        let last = ran.err.lines().last().unwrap_or_default();
        assert!(last.contains(told), "{arguments:?}: {}", ran.err);
    }
}

/// Habits are said of a real board; our own has them from its rig.
#[test]
fn habits_of_a_real_board_are_no_matter_of_our_own() {
    for (option, key) in [
        (&["--keep-credit"][..], "keep-credit = true"),
        (&["--delivery", "12s"][..], "motor"),
    ] {
        let ran = payrig(&[&["examine", "board"], option].concat());
        assert_eq!(ran.code, 2, "{}", ran.err);
        assert!(
            ran.err.contains(option[0]) && ran.err.contains(key),
            "{}",
            ran.err
        );
    }
    let ran = payrig(&["examine", "board", "--link", "pty", "--delivery", "400s"]);
    assert_eq!(ran.code, 2, "{}", ran.err);
    assert!(ran.err.contains("--delivery"), "{}", ran.err);
}

#[test]
fn the_list_says_which_habits_of_a_board_a_check_works_from() {
    let list = payrig(&[
        "examine",
        "board",
        "--list",
        "--format",
        "json",
        "--only",
        "change-right",
    ]);
    assert_eq!(list.code, 0, "{}", list.err);
    assert_eq!(
        list.json()[0]["works_from"],
        serde_json::json!(["after a sale", "delivery"])
    );
}

const SOME: [&str; 4] = [
    "examine",
    "board",
    "--only",
    "change-right,coin-to-*,several-coins-credited",
];

/// A cause stands before the verdict with what fails because of it, in JSON, text and JUnit XML; what is
/// emulated says so.
#[test]
fn what_fails_because_of_something_else_is_folded_under_it() {
    let bad = [&SOME[..], &["--quirk", "pays-no-change"]].concat();
    let ran = payrig(&[&bad[..], &["--format", "json"]].concat());
    let lines = lines(&ran.out);
    let causes: Vec<&Value> = lines.iter().filter(|l| l["type"] == "cause").collect();
    assert_eq!(causes.len(), 1, "{causes:?}");
    assert_eq!(causes[0]["id"], "change-right");
    assert_eq!(causes[0]["weight"], "money");
    let because = serde_json::json!([
        "coin-to-tube-credited",
        "coin-to-cash-box-credited",
        "several-coins-credited"
    ]);
    assert_eq!(causes[0]["consequences"], because);
    let [.., cause, verdict] = lines.as_slice() else {
        panic!("{lines:?}");
    };
    assert_eq!(
        (&cause["type"], &verdict["type"]),
        (&"cause".into(), &"verdict".into())
    );
    assert_eq!(verdict["emulated"], true);
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (xml, page, saved) = (file("a.xml"), file("a.html"), file("a.json"));
    let written = ["--junit", &xml, "--html", &page, "--json", &saved];
    let ran = payrig(&[&bad[..], &written].concat());
    assert!(
        ran.out.contains("3 more checks fail because of this"),
        "{}",
        ran.out
    );
    assert!(
        ran.out
            .contains("Emulated: no real unit was examined\nnot fit"),
        "{}",
        ran.out
    );
    let xml = std::fs::read_to_string(xml).unwrap();
    assert!(xml.contains("because of change-right: "), "{xml}");
    assert!(xml.contains("Emulated: no real unit was examined"), "{xml}");
    let page = std::fs::read_to_string(page).unwrap();
    assert!(page.contains("Emulated: no real unit was examined"));
    assert!(page.contains("3 more checks fail because of this"));
    // Read again it is the same.
    assert!(
        payrig(&["report", &saved])
            .out
            .contains("3 more checks fail because of this")
    );
    let read = payrig(&["read", &saved]);
    assert_eq!(read.code, 2);
    assert!(read.err.contains("`payrig report"), "{}", read.err);
}

#[test]
fn several_checks_are_asked_for_by_names_and_patterns() {
    let ran = payrig(&[&SOME[..], &["--format", "json"]].concat());
    let lines = lines(&ran.out);
    let ids: Vec<&str> = lines.iter().filter_map(|l| l["id"].as_str()).collect();
    let wanted = [
        "coin-to-tube-credited",
        "coin-to-cash-box-credited",
        "several-coins-credited",
        "change-right",
    ];
    assert_eq!(ids, wanted);
    let verdict = lines.last().unwrap();
    assert_eq!(verdict["grade"], "partial");
    assert!(verdict["left_out"].as_array().unwrap().len() > 100);
    let wrong = payrig(&["examine", "board", "--only", "change-right,cup-*"]);
    assert_eq!(wrong.code, 2);
    assert!(
        wrong.err.contains("no check matches \"cup-*\""),
        "{}",
        wrong.err
    );
    let kind = payrig(&["examine", "device", "--kind", "card-reader"]);
    assert!(kind.err.contains("'cashless'"), "{}", kind.err);
    let listed = payrig(&["examine", "board", "--short", "--list", "--format", "json"]);
    assert_eq!(listed.json().len(), 20);
}

/// A missed margin is a remark: fit, with it.
#[test]
fn a_missed_margin_looks_like_a_remark() {
    let bad = ["examine", "board", "--quirk", "rather-slow-commands"];
    let ran = payrig(&[&bad[..], &["--only", "command-byte-*"]].concat());
    assert!(ran.out.contains("remark"), "{}", ran.out);
    assert!(ran.out.contains("1 pass, 1 remark"), "{}", ran.out);
}
