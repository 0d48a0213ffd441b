//! `payrig run`, as its users run it.

use payrig_tests::cli::{file, payrig, payrig_in};
use serde_json::Value;
use std::fs;

fn of_type<'a>(lines: &'a [Value], kind: &str) -> Vec<&'a Value> {
    lines.iter().filter(|l| l["type"] == kind).collect()
}

#[test]
fn the_embedded_rig_sells_a_snack_and_accounts_for_every_cent() {
    let folder = tempfile::tempdir().unwrap();
    let ran = payrig_in(folder.path(), &["run"]);
    assert_eq!(ran.code, 0, "{}\n{}", ran.out, ran.err);
    for seen in [
        "JUST RESET",
        "ESCROW POSITION",
        "BILL STACKED",
        "VEND APPROVED",
        "SESSION COMPLETE",
        "DISPENSE 1 of coin type 2",
        "DISPENSE 1 of coin type 1",
        "coin type 0 returned: not enabled",
        "5 pulses on credit",
        "Passed",
    ] {
        assert!(
            ran.out.contains(seen),
            "\"{seen}\" is missing in\n{}",
            ran.out
        );
    }
    assert!(!ran.out.contains('\u{1b}'), "no colour when nobody looks");
    assert!(folder.path().join("first-vend.recording.jsonl").exists());
}

#[test]
fn the_file_and_the_embedded_rig_are_the_same() {
    let rig = file("bench-rigs/first-vend.toml");
    let rig = rig.to_str().unwrap();
    let of_file = payrig(&["run", rig, "--format", "json", "--no-record"]);
    let embedded = payrig(&["run", "--format", "json", "--no-record"]);
    assert_eq!(of_file.out, embedded.out);
}

#[test]
fn same_rig_and_seed_same_recording_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let record = |name: &str, seed: &str| {
        let ran = payrig_in(
            folder.path(),
            &["run", "--record", name, "--overwrite", "--seed", seed],
        );
        assert_eq!(ran.code, 0, "{}", ran.err);
        fs::read(folder.path().join(name)).unwrap()
    };
    assert_eq!(record("a", "7"), record("b", "7"));
    assert_ne!(record("a", "7"), record("c", "8"));
}

/// The initialization sequences that MDB/ICP 4.3 recommends: sections 5.3, 6.3 and 7.4.1 (and, for
/// the first TUBE STATUS, the 500 ms of note 1 in 5.3).
#[test]
fn devices_are_set_up_in_the_recommended_order() {
    let ran = payrig(&["run", "--format", "json", "--no-record"]);
    let lines = ran.json();
    let commands = |device: &str| -> Vec<(String, u64)> {
        of_type(&lines, "block")
            .iter()
            .filter(|b| b["source"] == "master" && b["device"] == device)
            .map(|b| {
                (
                    b["name"].as_str().unwrap().to_owned(),
                    b["start_us"].as_u64().unwrap(),
                )
            })
            .filter(|(name, _)| name != "ACK" && name != "POLL")
            .collect()
    };
    let begins = |device: &str, sequence: &[&str]| {
        let all = commands(device);
        let names: Vec<&str> = all.iter().map(|(n, _)| n.as_str()).collect();
        assert_eq!(&names[..sequence.len()], sequence, "{device}");
    };
    let changer = [
        "SETUP",
        "IDENTIFICATION",
        "FEATURE ENABLE",
        "SEND DIAGNOSTIC STATUS",
        "TUBE STATUS",
        "COIN TYPE",
    ];
    begins("changer", &changer);
    let bill = ["SETUP", "EXPANSION IDENTIFICATION", "STACKER", "BILL TYPE"];
    begins("bill validator", &bill);
    let cashless = [
        "SETUP CONFIG DATA",
        "SETUP MAX/MIN PRICES",
        "EXPANSION REQUEST ID",
        "READER ENABLE",
    ];
    begins("cashless 1", &cashless);
    let just_reset = of_type(&lines, "block")
        .iter()
        .find(|b| b["device"] == "changer" && b["name"] == "JUST RESET")
        .unwrap()["end_us"]
        .as_u64()
        .unwrap();
    let tube_status = commands("changer")
        .iter()
        .find(|(n, _)| n == "TUBE STATUS")
        .unwrap()
        .1;
    assert!(tube_status >= just_reset + 500_000);
}

#[test]
fn json_lines_carry_what_scripts_need_and_end_with_the_verdict() {
    let ran = payrig(&["run", "--format", "json", "--no-record"]);
    let lines = ran.json();
    let last = lines.last().unwrap();
    assert_eq!(
        (last["type"].as_str(), last["passed"].as_bool()),
        (Some("verdict"), Some(true))
    );
    let starts: Vec<u64> = of_type(&lines, "block")
        .iter()
        .map(|b| b["start_us"].as_u64().unwrap())
        .collect();
    assert!(starts.is_sorted(), "blocks in order of start");
    assert!(starts.len() > 100);
    let moved: i64 = of_type(&lines, "movement")
        .iter()
        .filter(|m| m["from"] == "customer")
        .map(|m| m["amount"].as_i64().unwrap())
        .sum();
    assert_eq!(moved, 600, "a dollar bill and five dollars in pulses");
}

#[test]
fn a_recording_is_read_and_judged_like_a_capture() {
    let folder = tempfile::tempdir().unwrap();
    let run = payrig_in(
        folder.path(),
        &["run", "--record", "r.jsonl", "--format", "json"],
    );
    let read = payrig_in(folder.path(), &["read", "r.jsonl", "--format", "json"]);
    assert_eq!(read.code, 0, "{}", read.err);
    let strip = |ran: &[Value]| -> Vec<(Value, Value, Value)> {
        of_type(ran, "block")
            .iter()
            .map(|b| (b["start_us"].clone(), b["bytes"].clone(), b["text"].clone()))
            .collect()
    };
    let (run, read) = (run.json(), read.json());
    assert_eq!(strip(&run), strip(&read));
    assert_eq!(of_type(&run, "movement"), of_type(&read, "movement"));
    let trains = of_type(&read, "train");
    assert_eq!(
        (trains.len(), &trains[0]["pulses"], &trains[0]["profile"]),
        (1, &5.into(), &"short".into())
    );
}

#[test]
fn a_recording_that_was_torn_is_read_up_to_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.jsonl");
    assert_eq!(
        payrig_in(folder.path(), &["run", "--record", "r.jsonl"]).code,
        0
    );
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let read = payrig_in(folder.path(), &["read", "r.jsonl"]);
    // What it holds is read; a run that did not end has no verdict, and passes nothing.
    assert_eq!(read.code, 1, "{}", read.err);
    assert!(read.out.contains("torn"), "{}", read.out);
    assert!(read.out.contains("did not end"), "{}", read.out);
}

/// What the script expects and does not come about is a finding and an exit code, with the line.
#[test]
fn a_script_that_is_not_met_falls_short() {
    let folder = tempfile::tempdir().unwrap();
    let rig = fs::read_to_string(file("bench-rigs/first-vend.toml")).unwrap();
    let rig = rig.replacen("value = \"6.00\"", "value = \"6.25\"", 1);
    let line = rig[..rig.find("value = \"6.25\"").unwrap()]
        .matches('\n')
        .count()
        - 2;
    fs::write(folder.path().join("r.toml"), &rig).unwrap();
    let ran = payrig_in(folder.path(), &["run", "r.toml"]);
    assert_eq!(ran.code, 1);
    let expected = format!("line {line}: changer tube 2 holds 6.00, not 6.25");
    assert!(ran.out.contains(&expected), "{expected}\n{}", ran.out);
}

#[test]
fn errors_in_a_rig_name_file_line_and_the_nearest_name() {
    let folder = tempfile::tempdir().unwrap();
    let good = fs::read_to_string(file("bench-rigs/first-vend.toml")).unwrap();
    let wrong = [
        ("[bench]", "[bench", true, "not TOML"),
        ("seed = 1", "sede = 1", true, "did you mean `seed`?"),
        (
            "kind = \"changer\"",
            "kind = \"chnager\"",
            true,
            "did you mean \"changer\"?",
        ),
        (
            "price = \"0.65\"",
            "price = \"0.655\"",
            true,
            "at most 2 decimals",
        ),
        (
            "do = \"wait-ready\"",
            "do = \"wait-redy\"",
            false,
            "did you mean \"wait-ready\"?",
        ),
        (
            "place = \"bill stacker\"",
            "plase = \"bill stacker\"",
            false,
            "needs `place`",
        ),
        (
            "item = 11",
            "item = 13",
            false,
            "no [[board.item]] has number 13",
        ),
        (
            "device = \"old bill\"",
            "device = \"old bil\"",
            false,
            "did you mean \"old bill\"?",
        ),
        (
            "value = \"0.25\"\ncount",
            "value = \"0.27\"\ncount",
            false,
            "scaling factor 5",
        ),
        (
            "name = \"reader\"",
            "name = \"bill\"",
            false,
            "two devices are called \"bill\"",
        ),
    ];
    for (from, to, at_the_word, says) in wrong {
        let rig = good.replacen(from, to, 1);
        assert_ne!(rig, good, "{from} is in the rig");
        // The line of the wrong word itself; other errors are about the table it is missing from.
        let line = rig[..rig.find(to).unwrap()].matches('\n').count() + 1;
        let place = if at_the_word {
            format!("r.toml:{line}: ")
        } else {
            "r.toml:".to_owned()
        };
        fs::write(folder.path().join("r.toml"), rig).unwrap();
        let ran = payrig_in(folder.path(), &["run", "r.toml"]);
        assert_eq!(ran.code, 2, "{from}: {}", ran.err);
        assert!(
            ran.err.contains(&place) && ran.err.contains(says),
            "{to}: {}",
            ran.err
        );
    }
    let missing = payrig(&["run", "no-such-rig.toml"]);
    assert_eq!(missing.code, 2);
    assert!(missing.err.contains("no-such-rig.toml"), "{}", missing.err);
}

/// Of a run the steps are shown, or money, or everything; the verdict stands under each.
#[test]
fn what_of_a_run_is_shown_is_what_was_asked_for() {
    let shown = |what: &str| payrig(&["run", "--no-record", "--show", what]).out;
    let (steps, money, all) = (shown("steps"), shown("money"), shown("all"));
    assert!(
        steps.contains("script step 3") && steps.contains("Credit 1.00"),
        "{steps}"
    );
    assert!(!steps.contains("POLL"), "{steps}");
    assert!(
        money.contains("from customer to bill escrow") && !money.contains("script step"),
        "{money}"
    );
    assert!(all.contains("script step 3") && all.contains("JUST RESET"));
    assert!(
        [&steps, &money, &all]
            .into_iter()
            .all(|out| out.contains("Passed:"))
    );
}
