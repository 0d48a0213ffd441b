//! A run and the reading of its recording: the same findings, the same origins, the same exit code.

use super::{command, findings, lines_of, until};
use payrig_bench::Bench;
use payrig_bench::run::run_simulated;
use payrig_tests::cli::{file, payrig_in, pump};
use payrig_units::Micros;
use payrig_wire::reading::{ReadOptions, read_file};
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use proptest::prelude::*;
use std::path::Path;

/// What a run found and how it ended, held against the reading of its recording.
#[track_caller]
fn assert_reads_as_it_ran(folder: &Path, recording: &str, code: i32) -> Vec<String> {
    let lines = lines_of(&folder.join(recording));
    let read = payrig_in(folder, &["read", recording, "--format", "json"]);
    let found = findings(&lines);
    assert_eq!(findings(&read.json()), found, "{recording}");
    assert_eq!(read.code, code, "{recording}: {found:?}");
    found
}

/// Every rig of the repository that needs no port, and one that waits for a board nobody connects.
#[test]
fn every_rig_of_the_repository() {
    let folder = tempfile::tempdir().unwrap();
    let mut codes = Vec::new();
    for entry in std::fs::read_dir(file("bench-rigs")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "toml")
            || payrig_rig::load(&path).unwrap().is_live()
        {
            continue;
        }
        let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
        let optional = ["--peer-optional"];
        let ways = match name.as_str() {
            "outside-board" => vec![&[][..], &optional],
            _ => vec![&[][..]],
        };
        for more in ways {
            let recording = format!("{name}-{}.jsonl", more.len());
            let run = [
                "run",
                path.to_str().unwrap(),
                "--record",
                &recording,
                "--limit",
                "120",
            ];
            let ran = payrig_in(folder.path(), &[&run, more].concat());
            assert_reads_as_it_ran(folder.path(), &recording, ran.code);
            codes.push((name.clone(), more.len(), ran.code));
        }
    }
    let of = |optional| ("outside-board".to_owned(), optional, 1 - optional as i32);
    assert!(
        codes.contains(&of(0)) && codes.contains(&of(1)),
        "{codes:?}"
    );
}

/// Two benches, each the other's real side: a board of ours, and a changer of ours that answers after
/// 7 ms where 5 ms are the limit (MDB/ICP 4.3, section 3.2). Each run speaks for its own side; which it
/// was is in the header, and decides who is accused when the recording is read.
#[test]
fn live_runs_on_both_ends_of_a_link() {
    const CHANGER: &str = "[[device]]\nkind = \"changer\"\nname = \"changer\"\nanswer = \"7 ms\"\n";
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    let bench = "[bench]\nname = \"one end\"\n[link]\nport = \"pty\"\n";
    write(
        "devices.toml",
        &format!("{bench}[board]\nkind = \"outside\"\n{CHANGER}"),
    );
    let board = "outside = \"devices\"\n[board]\nkind = \"controller\"\n";
    write("board.toml", &format!("{bench}{board}{CHANGER}"));
    let before = wall_clock();
    let start = |rig: &str, limit: &str| {
        let arguments = ["run", rig, "--limit", limit];
        let mut child = command(folder.path(), &arguments).spawn().unwrap();
        let (line, rest) = until(child.stdout.take().unwrap(), "/dev/pts/");
        let path = line[line.find("/dev/pts/").unwrap()..].to_owned();
        (child, path, rest)
    };
    let (mut devices, far, of_devices) = start("devices.toml", "9");
    let (mut board, near, of_board) = start("board.toml", "6");
    pump(&far, &near);
    pump(&near, &far);
    let ended = |child: &mut std::process::Child| child.wait().unwrap().code().unwrap();
    let (board, devices) = (ended(&mut board), ended(&mut devices));
    let (of_board, of_devices) = (of_board.join().unwrap(), of_devices.join().unwrap());
    let late = |found: &[String]| found.iter().filter(|f| f.contains("\"response\"")).count();

    let found = assert_reads_as_it_ran(folder.path(), "board.recording.jsonl", board);
    assert!(late(&found) > 3, "{of_board}");
    assert_eq!(board, 1, "a late changer outside falls short: {of_board}");

    let found = assert_reads_as_it_ran(folder.path(), "devices.recording.jsonl", devices);
    assert!(late(&found) > 3, "{of_devices}");
    // A machine that stalls may make the board break limits of its own; our changer's are no accusation.
    let accused = |f: &&String| {
        let finding: serde_json::Value = serde_json::from_str(f).unwrap();
        (&finding["who"], &finding["severity"]) == (&"changer".into(), &"limit".into())
    };
    assert_eq!(found.iter().find(accused), None);

    for (name, ours) in [("board", "master"), ("devices", "peripheral")] {
        let header = &lines_of(&folder.path().join(format!("{name}.recording.jsonl")))[0];
        assert_eq!(header["ours"]["bus"], ours, "{header}");
        assert_eq!(header["live"], true);
        let started = header["started"].as_str().unwrap();
        assert!(
            (before.as_str()..=wall_clock().as_str()).contains(&started),
            "{header}"
        );
    }
}

/// The wall clock, as date(1) of coreutils says it.
fn wall_clock() -> String {
    let date = std::process::Command::new("date")
        .args(["-u", "+%Y-%m-%dT%H:%M:%SZ"])
        .output();
    String::from_utf8(date.unwrap().stdout)
        .unwrap()
        .trim()
        .to_owned()
}

/// A run by the clock says when it began; one in simulated time has no clock, so that the same seed
/// gives the same file.
#[test]
fn only_a_run_by_the_clock_says_when_it_began() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("it.toml"), super::LONG).unwrap();
    for (pace, says) in [("simulated", false), ("real", true)] {
        let record = format!("{pace}.jsonl");
        let run = [
            "run", "it.toml", "--limit", "1", "--pace", pace, "--record", &record,
        ];
        let ran = payrig_in(folder.path(), &run);
        let header = &lines_of(&folder.path().join(&record))[0];
        assert_eq!(header["started"].is_string(), says, "{header}");
        assert_reads_as_it_ran(folder.path(), &record, ran.code);
    }
}

/// Devices that keep to the standard and that do not, some of them behind a bridge.
const DEVICES: [&str; 9] = [
    "kind = \"changer\"\nname = \"changer\"\n",
    "kind = \"changer\"\nname = \"changer\"\nanswer = \"7 ms\"\n",
    "kind = \"changer\"\nname = \"changer\"\ngap = \"2 ms\"\nquirks = [\"duplicate-report-after-ack\"]\n",
    "kind = \"bill-validator\"\nname = \"bill\"\n",
    "kind = \"bill-validator\"\nname = \"bill\"\nanswer = \"6 ms\"\n",
    "kind = \"cashless\"\nname = \"reader\"\n",
    "kind = \"pulse-bill-validator\"\nname = \"old\"\nbills = [\"1.00\"]\n",
    "kind = \"pulse-bill-validator\"\nname = \"old\"\nbills = [\"1.00\"]\n[device.fault]\nwidth-percent = -50\n",
    "kind = \"pulse-bill-validator\"\nname = \"old\"\nbills = [\"1.00\"]\n[[device]]\nkind = \"bridge\"\n\
     name = \"bridge\"\nfrom = \"old\"\n",
];

/// What happens; what a rig has no device for is left out by its reader, with an error.
const STEPS: [&str; 16] = [
    "do = \"wait-ready\"\nwithin = \"5 s\"\n",
    "do = \"wait\"\nfor = \"700 ms\"\n",
    "do = \"insert-coin\"\ndevice = \"changer\"\nvalue = \"0.25\"\n",
    "do = \"insert-bill\"\ndevice = \"bill\"\nvalue = \"1.00\"\n",
    "do = \"insert-bill\"\ndevice = \"old\"\nvalue = \"1.00\"\n",
    "do = \"present-card\"\ndevice = \"reader\"\nbalance = \"5.00\"\n",
    "do = \"select\"\nitem = 11\n",
    "do = \"press-return\"\n",
    "do = \"bus-reset\"\n",
    "do = \"power\"\ndevice = \"changer\"\non = false\n",
    "do = \"power\"\nboard = true\non = false\n",
    "do = \"power\"\nboard = true\non = true\n",
    "do = \"fault\"\nkind = \"flip\"\nfrom = \"peripheral\"\nword = 0\nbit = 8\ncount = 3\n",
    "do = \"fault\"\nkind = \"lose\"\nfrom = \"board\"\nframe = \"ack\"\ncount = 2\n",
    "expect = \"credit\"\nvalue = \"0.25\"\nwithin = \"1 s\"\n",
    "expect = \"sold\"\ncount = 1\nwithin = \"1 s\"\n",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(96)))]

    /// Any rig: with a board of ours or one that nobody connects, with and without a peer that need not
    /// be there, at rest and in the middle of a sale when it ends.
    #[test]
    fn any_rig(
        devices in proptest::sample::subsequence(DEVICES.to_vec(), 0..=3),
        steps in proptest::collection::vec(proptest::sample::select(STEPS.to_vec()), 0..12),
        ours in proptest::bool::weighted(0.8),
        optional in any::<bool>(),
        seed in 0u64..1_000,
        limit_ms in 1u64..20_000,
    ) {
        let board = match ours {
            true => "kind = \"controller\"\n[[board.item]]\nnumber = 11\nprice = \"1.00\"\n",
            false => "kind = \"outside\"\n",
        };
        let devices: String = devices.iter().map(|d| format!("[[device]]\n{d}")).collect();
        let top = format!("[bench]\nname = \"any\"\nseed = {seed}\n[board]\n{board}{devices}");
        // What this rig cannot do is refused when it is read: such steps are left out.
        let mut text = top;
        for step in steps {
            let more = format!("{text}[[script]]\n{step}");
            if payrig_rig::parse(Path::new("any.toml"), &more).is_ok() {
                text = more;
            }
        }
        let Ok(plan) = payrig_rig::parse(Path::new("any.toml"), &text) else {
            // Two of a kind at one address.
            return Ok(());
        };
        let mut bench = Bench::of(&plan);
        if optional {
            bench.peer_optional();
        }
        let header = Header::new("payrig test", "any", Some(seed)).with_peer_optional(optional);
        let mut writer = RecordingWriter::start(Vec::new(), &header).unwrap();
        let mut log = Vec::new();
        run_simulated(&mut bench, Micros::ms(limit_ms), |_, entry| {
            writer.entry(&entry)?;
            log.push(entry);
            Ok::<_, std::io::Error>(())
        })
        .unwrap();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("any.recording.jsonl");
        std::fs::write(&path, writer.into_inner()).unwrap();
        let reading = read_file(&path, &ReadOptions::default()).unwrap();
        let found = |entries: &[Entry]| {
            let findings = entries.iter().filter(|e| matches!(e, Entry::Finding(_)));
            let mut found: Vec<String> = findings.map(|f| serde_json::to_string(f).unwrap()).collect();
            found.sort();
            found
        };
        let passed = matches!(log.last(), Some(Entry::Verdict { passed: true, .. }));
        prop_assert_eq!(found(&reading.entries), found(&log), "{}", text);
        prop_assert_eq!(reading.passed, passed, "{}", text);
    }
}
