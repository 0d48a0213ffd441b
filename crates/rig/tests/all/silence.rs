//! Silence and faults on every device and every bus of a bench, from the rig to what is on the wire.

use payrig_bench::Bench;
use payrig_bench::run::run_simulated;
use payrig_units::Micros;
use payrig_wire::reading::{ReadOptions, read_file};
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use std::convert::Infallible;
use std::path::Path;

fn played(devices: &str, script: &str) -> Vec<Entry> {
    let text = format!(
        "[bench]\nname = \"b\"\n[board]\n[[board.item]]\nnumber = 11\nprice = \"1.00\"\n{devices}\n{script}\n"
    );
    let plan = payrig_rig::parse(Path::new("t.toml"), &text).unwrap_or_else(|e| panic!("{e}"));
    let (mut bench, mut log) = (Bench::of(&plan), Vec::new());
    let keep = |_: &Bench, entry| -> Result<(), Infallible> {
        log.push(entry);
        Ok(())
    };
    run_simulated(&mut bench, Micros::secs(120), keep).unwrap();
    log
}

fn passed(log: &[Entry]) -> bool {
    let mut steps = log.iter().filter_map(|entry| match entry {
        Entry::Step { passed, why, .. } => Some((passed, why)),
        _ => None,
    });
    steps.all(|(passed, why)| *passed != Some(false) && why.is_none())
}

/// Silent for longer than any non-response time (section 2.4): the board takes a device for gone,
/// and finds it again.
#[test]
fn a_device_on_the_bus_is_gone_while_it_is_silent_and_is_found_again() {
    for (kind, name) in [("changer", "c"), ("bill-validator", "b"), ("cashless", "r")] {
        let device = format!("[[device]]\nkind = \"{kind}\"\nname = \"{name}\"\n");
        let script = format!(
            "[[script]]\ndo = \"wait-ready\"\n\
             [[script]]\ndo = \"silent\"\nfor = \"12 s\"\n\
             [[script]]\nexpect = \"ready\"\ndevice = \"{name}\"\non = false\nwithin = \"11 s\"\n\
             [[script]]\nexpect = \"ready\"\ndevice = \"{name}\"\nwithin = \"40 s\"\n"
        );
        let log = played(&device, &script);
        assert!(passed(&log), "{kind}: {log:#?}");
    }
}

/// The edges of a line while its device is silent: none but the end of a pulse that had begun.
#[test]
fn a_device_on_pulse_lines_sends_no_pulse_while_it_is_silent() {
    let device =
        "[[device]]\nkind = \"pulse-coin-acceptor\"\nname = \"coins\"\ncoins = [\"1.00\"]\n";
    let coin = "[[script]]\ndo = \"insert-coin\"\nvalue = \"1.00\"\n";
    let edges = |log: &[Entry]| {
        let of = |entry: &&Entry| matches!(entry, Entry::Edge { line, .. } if line.starts_with("coins credit"));
        log.iter().filter(of).count()
    };
    let quiet = played(
        device,
        &format!(
            "[[script]]\ndo = \"silent\"\nfor = \"5 s\"\n{coin}[[script]]\ndo = \"wait\"\nfor = \"6 s\"\n"
        ),
    );
    assert_eq!(edges(&quiet), 0, "{quiet:#?}");
    let both = played(
        device,
        &format!(
            "{coin}[[script]]\ndo = \"wait\"\nfor = \"3 s\"\n[[script]]\ndo = \"silent\"\nfor = \"1 s\"\n[[script]]\ndo = \"wait\"\nfor = \"2 s\"\n{coin}[[script]]\ndo = \"wait\"\nfor = \"3 s\"\n"
        ),
    );
    let one = played(
        device,
        &format!("{coin}[[script]]\ndo = \"wait\"\nfor = \"3 s\"\n"),
    );
    assert!(
        edges(&one) > 0 && edges(&both) == 2 * edges(&one),
        "{both:#?}"
    );
}

/// A fault that names a device strikes on that device's bus, also on one behind a bridge.
#[test]
fn a_fault_strikes_on_the_bus_of_the_device_it_names() {
    let devices = "[[device]]\nkind = \"bill-validator\"\nname = \"behind\"\n\
                   [[device]]\nkind = \"bridge\"\nname = \"bridge\"\nfrom = \"behind\"\n\
                   [[device]]\nkind = \"changer\"\nname = \"changer\"\n";
    for (device, on_the_board) in [("changer", true), ("behind", false)] {
        let script = format!(
            "[[script]]\ndo = \"wait-ready\"\n[[script]]\ndo = \"fault\"\nkind = \"late\"\n\
             by = \"9 ms\"\nfrom = \"peripheral\"\ndevice = \"{device}\"\n\
             [[script]]\ndo = \"wait\"\nfor = \"2 s\"\n"
        );
        let log = played(devices, &script);
        let late: Vec<bool> = log
            .iter()
            .filter_map(|entry| match entry {
                Entry::Finding(finding) if finding.rule == "response" => {
                    Some(!finding.text.starts_with("on the bus of "))
                }
                _ => None,
            })
            .collect();
        assert!(!late.is_empty(), "{device}: {log:#?}");
        for on_boards_bus in late {
            assert_eq!(on_boards_bus, on_the_board, "{device}");
        }
    }
}

/// Silence that the script asked for is reported as asked for, by the run and by reading alike; the
/// same silence without a script is not.
#[test]
fn silence_that_was_asked_for_is_reported_as_asked_for() {
    let silent = |log: &[Entry]| -> Vec<String> {
        let findings = log.iter().filter_map(|entry| match entry {
            Entry::Finding(f) if f.rule == "silent" => Some(format!("{} [{}]", f.text, f.origin)),
            _ => None,
        });
        findings.collect()
    };
    let device = "[[device]]\nkind = \"changer\"\nname = \"c\"\n";
    let ready = "[[script]]\ndo = \"wait-ready\"\n";
    let rest = "[[script]]\ndo = \"wait\"\nfor = \"3 s\"\n";
    let asked = played(
        device,
        &format!("{ready}[[script]]\ndo = \"silent\"\nfor = \"2 s\"\n{rest}"),
    );
    let found = silent(&asked);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0].contains("as asked") && found[0].ends_with("[the rig]"),
        "{found:?}"
    );
    let power = |on| format!("[[script]]\ndo = \"power\"\ndevice = \"c\"\non = {on}\n");
    let dead = played(
        device,
        &format!("{ready}{}{rest}{}{rest}", power(false), power(true)),
    );
    assert!(
        silent(&dead).iter().any(|text| !text.contains("as asked")),
        "{dead:#?}"
    );
    let header = Header::new("payrig", "b", None);
    let mut writer = RecordingWriter::start(Vec::new(), &header).unwrap();
    for entry in &asked {
        writer.entry(entry).unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("silence.jsonl");
    std::fs::write(&path, writer.into_inner()).unwrap();
    let read = read_file(&path, &ReadOptions::default()).unwrap();
    assert_eq!(silent(&read.entries), found);
}
