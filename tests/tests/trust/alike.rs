//! A run and the reading of its recording: the same findings, the same origins, the same exit code.

use super::{command, findings, lines_of, until};
use payrig_tests::cli::{file, payrig_in, pump};
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
