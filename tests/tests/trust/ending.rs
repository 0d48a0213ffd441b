//! Being ended: by SIGTERM and SIGHUP as by Ctrl-C, and by readers who go away.

use super::{DEVICES, LONG, command, lines_of, signal, until, verdicts};
use payrig_tests::cli::{binary, payrig_in};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::Command;

const SIGNALS: [(&str, &str); 3] = [
    ("INT", "by hand"),
    ("TERM", "by SIGTERM"),
    ("HUP", "by SIGHUP"),
];

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("devices.toml"), DEVICES).unwrap();
    std::fs::write(folder.path().join("long.toml"), LONG).unwrap();
    folder
}

#[test]
fn every_signal_ends_every_kind_of_run_with_verdict_and_recording() {
    // A script that was not played to its end fell short, and says which steps were not reached.
    let kinds: [(&str, &[&str], i32, &str); 3] = [
        ("long", &["--pace", "real"], 1, "Fell short"),
        ("long", &["--all"], 1, "Fell short"),
        (
            "devices",
            &["--link", "pty", "--peer-optional"],
            0,
            "Passed",
        ),
    ];
    for (name, says) in SIGNALS {
        for (rig, more, ends_with, verdict) in kinds {
            let folder = folder();
            let file = format!("{rig}.toml");
            let run = [&["run", &file], more].concat();
            let mut child = command(folder.path(), &run).spawn().unwrap();
            let (_, rest) = until(child.stdout.take().unwrap(), "meaning");
            let (_, live) = (child.id(), more.contains(&"pty"));
            if live {
                std::thread::sleep(std::time::Duration::from_millis(100));
            }
            signal(&child, name);
            let code = child.wait().unwrap().code();
            let out = rest.join().unwrap();
            let tail: String = out
                .chars()
                .rev()
                .take(800)
                .collect::<Vec<_>>()
                .into_iter()
                .rev()
                .collect();
            assert_eq!(code, Some(ends_with), "{name} {run:?}\n{tail}");
            assert!(
                out.contains(&format!("stopped {says}")),
                "{name} {run:?}\n{tail}"
            );
            assert!(
                out.lines().last().unwrap().starts_with(verdict),
                "{name} {run:?}\n{tail}"
            );
            let recording = format!("{rig}.recording.jsonl");
            assert_eq!(verdicts(&lines_of(&folder.path().join(&recording))), 1);
            let read = payrig_in(folder.path(), &["read", &recording]);
            assert!(!read.out.contains("did not end"), "{name} {run:?}");
        }
    }
}

/// Report, ticket and recording of what was found until then.
#[test]
fn every_signal_ends_an_examination_with_all_its_papers() {
    for (name, _) in SIGNALS {
        let folder = folder();
        let examine = [
            "examine",
            "board",
            "--unattended",
            "--format",
            "json",
            "--record",
            "it.jsonl",
            "--html",
            "it.html",
            "--json",
            "it.json",
            "--junit",
            "it.xml",
            "--ticket",
            "--db",
            "tickets.sqlite",
        ];
        let mut child = command(folder.path(), &examine).spawn().unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        out.read_line(&mut String::new()).unwrap();
        signal(&child, name);
        let mut rest = String::new();
        out.read_to_string(&mut rest).unwrap();
        assert_eq!(child.wait().unwrap().code(), Some(1), "{name}: {rest}");
        assert!(
            rest.lines()
                .any(|l| l.contains("\"verdict\"") && l.contains("\"stopped\":true")),
            "{name}: {rest}"
        );
        let text = |file: &str| std::fs::read_to_string(folder.path().join(file)).unwrap();
        assert!(text("it.html").contains("</html>") && text("it.xml").contains("</testsuites>"));
        assert_eq!(
            verdicts(&lines_of(&folder.path().join("it.jsonl"))),
            1,
            "{name}"
        );
        let shown = payrig_in(folder.path(), &["report", "it.json"]);
        assert_eq!(shown.code, 1, "{}", shown.err);
        let tickets = payrig_in(folder.path(), &["tickets", "--db", "tickets.sqlite"]);
        assert!(
            tickets.out.contains("not examined in full"),
            "{}",
            tickets.out
        );
    }
}

/// What nohup(1) starts goes on after a hang-up.
#[test]
fn who_ignores_a_hang_up_goes_on_after_it() {
    let folder = folder();
    let script = format!(
        "trap '' HUP; exec {} run long.toml --pace real --limit 2",
        binary().display()
    );
    let mut child = Command::new("sh")
        .args(["-c", &script])
        .current_dir(folder.path())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let (_, rest) = until(child.stdout.take().unwrap(), "meaning");
    signal(&child, "HUP");
    child.wait().unwrap();
    let out = rest.join().unwrap();
    assert!(!out.contains("stopped by"), "{out}");
}

#[test]
fn the_second_signal_ends_at_once_with_the_code_of_a_shell() {
    for (name, code) in [("TERM", 143), ("HUP", 129)] {
        let folder = tempfile::tempdir().unwrap();
        // A report that nobody takes: writing it waits for ever.
        let made = Command::new("mkfifo")
            .arg(folder.path().join("it.html"))
            .status();
        assert!(made.unwrap().success());
        let examine = [
            "examine",
            "board",
            "--only",
            "first-command",
            "--format",
            "json",
            "--html",
            "it.html",
        ];
        let mut child = command(folder.path(), &examine).spawn().unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        for _ in 0..3 {
            out.read_line(&mut String::new()).unwrap();
        }
        signal(&child, name);
        let (_, _) = until(child.stderr.take().unwrap(), "Once more");
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), Some(code));
    }
}

/// A reader that takes `lines` lines and goes; how the command ended all the same.
fn left_after(folder: &Path, lines: usize, arguments: &[&str]) -> i32 {
    let mut child = command(folder, arguments).spawn().unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    for _ in 0..lines {
        out.read_line(&mut String::new()).unwrap();
    }
    drop(out);
    let mut error = String::new();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_string(&mut error)
        .unwrap();
    assert!(
        !error.contains("cannot be written"),
        "{arguments:?}: {error}"
    );
    child.wait().unwrap().code().expect("not by SIGPIPE")
}

#[test]
fn a_reader_that_goes_away_changes_no_verdict_and_cuts_no_recording() {
    let folder = folder();
    let fails =
        format!("{LONG}[[script]]\nexpect = \"credit\"\nvalue = \"9.00\"\nwithin = \"1 s\"\n")
            .replace("3500 s", "100 s");
    let passes = LONG.replace("3500 s", "100 s");
    for (rig, text, code) in [("fails", fails, 1), ("passes", passes, 0)] {
        let (file, recording) = (format!("{rig}.toml"), format!("{rig}.jsonl"));
        std::fs::write(folder.path().join(&file), text).unwrap();
        for format in ["text", "json"] {
            for lines in [0, 1, 5] {
                let run = [
                    "run",
                    &file,
                    "--all",
                    "--format",
                    format,
                    "--record",
                    &recording,
                    "--overwrite",
                ];
                assert_eq!(
                    left_after(folder.path(), lines, &run),
                    code,
                    "{run:?} {lines}"
                );
                assert_eq!(
                    verdicts(&lines_of(&folder.path().join(&recording))),
                    1,
                    "{run:?}"
                );
                let read = ["read", &recording, "--all", "--format", format];
                assert_eq!(
                    left_after(folder.path(), lines, &read),
                    code,
                    "{read:?} {lines}"
                );
            }
        }
    }
    let examine = [
        "examine",
        "board",
        "--only",
        "first-command",
        "--json",
        "it.json",
    ];
    assert_eq!(left_after(folder.path(), 0, &examine), 0);
    for others in [
        &["examine", "board", "--list"][..],
        &["report", "it.json"],
        &["report", "--example"],
        &["ports"],
        &["pulse", "profiles"],
    ] {
        let whole = payrig_in(folder.path(), others).code;
        assert_eq!(left_after(folder.path(), 0, others), whole, "{others:?}");
    }
}
