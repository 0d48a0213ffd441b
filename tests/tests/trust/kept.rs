//! What cannot be kept is said by name, and kept elsewhere if it can be.

use super::{LONG, command, lines_of, signal, verdicts};
use payrig_tests::cli::{binary, payrig_in};
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Command;

#[test]
fn a_full_disk_is_said_by_the_name_of_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    for line in [
        &["run", "--record", "/dev/full"][..],
        &[
            "examine",
            "board",
            "--only",
            "first-command",
            "--record",
            "/dev/full",
        ],
    ] {
        let ran = payrig_in(folder.path(), line);
        assert_eq!(ran.code, 2, "{line:?}");
        assert!(
            ran.err
                .contains("/dev/full: the recording cannot be written"),
            "{}",
            ran.err
        );
    }
    let report = payrig_in(
        folder.path(),
        &["report", "--example", "--html", "/dev/full"],
    );
    assert_eq!(report.code, 2);
    assert!(
        report.err.contains("/dev/full: cannot be written"),
        "{}",
        report.err
    );
}

/// A disk that fills up in the middle: a limit on the size of files stands for it. The bench runs to its
/// end, what was recorded is whole lines, and the rest is in a file that is named.
#[test]
fn a_disk_that_fills_up_stops_no_run_and_the_rest_is_kept_elsewhere() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("it.toml"), LONG.replace("3500 s", "6 s")).unwrap();
    fs::create_dir(folder.path().join("tmp")).unwrap();
    let run = |blocks: &str| {
        let script = format!(
            "trap '' XFSZ; ulimit -f {blocks}; exec {} run it.toml --record it.jsonl --overwrite",
            binary().display()
        );
        let temp = folder.path().join("tmp");
        let mut run = Command::new("sh");
        run.args(["-c", &script])
            .current_dir(folder.path())
            .env("TMPDIR", temp);
        run.output().unwrap()
    };
    assert!(run("unlimited").status.success());
    let whole = lines_of(&folder.path().join("it.jsonl"));
    let size = fs::metadata(folder.path().join("it.jsonl")).unwrap().len();
    // In blocks of 512 or 1024 bytes, as the shell has them: a little more than half.
    let half = (size / 2 / 512 + 8).to_string();
    let block = Command::new("sh")
        .args([
            "-c",
            "ulimit -f 1; ulimit -f; trap '' XFSZ; head -c 900 /dev/zero > b; wc -c < b",
        ])
        .current_dir(folder.path())
        .output()
        .unwrap();
    let takes_kilobytes = String::from_utf8(block.stdout).unwrap().contains("900");
    let half = match takes_kilobytes {
        true => (size / 2 / 1024 + 4).to_string(),
        false => half,
    };
    let full = run(&half);
    assert_eq!(full.status.code(), Some(2));
    let (out, error) = (
        String::from_utf8(full.stdout).unwrap(),
        String::from_utf8(full.stderr).unwrap(),
    );
    assert!(out.lines().last().unwrap().starts_with("Passed"), "{out}");
    assert!(
        error.contains("it.jsonl: the recording cannot be written any further"),
        "{error}"
    );
    let rest: Vec<_> = fs::read_dir(folder.path().join("tmp"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    assert_eq!(rest.len(), 1, "{error}");
    assert!(error.contains(rest[0].to_str().unwrap()), "{error}");
    // Every line of the whole recording, in its order, is in one or the other; each has a header.
    let (mut first, second) = (
        lines_of(&folder.path().join("it.jsonl")),
        lines_of(&rest[0]),
    );
    assert_eq!((verdicts(&first), verdicts(&second)), (0, 1));
    assert_eq!(first[0], second[0]);
    first.extend_from_slice(&second[1..]);
    assert_eq!(first, whole);
}

/// Another program holds the file of tickets while an hour's examination ends.
#[test]
fn a_ticket_whose_database_is_locked_goes_to_a_file_that_tickets_add_takes() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("tmp")).unwrap();
    let examine = [
        "examine",
        "board",
        "--unattended",
        "--format",
        "json",
        "--ticket",
        "--db",
        "db",
    ];
    let mut child = command(folder.path(), &examine)
        .env("TMPDIR", folder.path().join("tmp"))
        .spawn()
        .unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    out.read_line(&mut String::new()).unwrap();
    let holder = rusqlite::Connection::open(folder.path().join("db")).unwrap();
    holder.execute_batch("BEGIN EXCLUSIVE").unwrap();
    signal(&child, "INT");
    let ended = child.wait_with_output().unwrap();
    let error = String::from_utf8(ended.stderr).unwrap();
    assert_eq!(ended.status.code(), Some(2), "{error}");
    assert!(
        error.contains("another program is writing to it"),
        "{error}"
    );
    drop(holder);
    let kept: Vec<_> = fs::read_dir(folder.path().join("tmp"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    assert_eq!(kept.len(), 1, "{error}");
    let kept = kept[0].to_str().unwrap();
    assert!(
        error.contains(&format!("payrig tickets add {kept}")),
        "{error}"
    );
    let added = payrig_in(folder.path(), &["tickets", "--db", "db", "add", kept]);
    assert_eq!(added.code, 0, "{}", added.err);
    let list = payrig_in(folder.path(), &["tickets", "--db", "db"]);
    assert!(list.out.contains("not examined in full"), "{}", list.out);
}

#[test]
fn a_file_of_tickets_in_memory_is_refused_before_anybody_works() {
    let folder = tempfile::tempdir().unwrap();
    payrig_in(folder.path(), &["report", "--example", "--json", "it.json"]);
    for db in [":memory:", "file::memory:", "file:x?mode=memory"] {
        for line in [
            &["examine", "board", "--ticket", "--db", db][..],
            &["tickets", "--db", db, "add", "it.json"],
        ] {
            let ran = payrig_in(folder.path(), line);
            assert_eq!(ran.code, 2, "{line:?}: {}", ran.out);
            assert!(
                ran.err.contains(db) && ran.err.contains("names no file"),
                "{}",
                ran.err
            );
            assert!(ran.out.is_empty(), "{}", ran.out);
        }
    }
}

/// A writer that is killed in the middle of a transaction leaves its journal: the file opens, and is as
/// it was before.
#[test]
fn a_file_of_tickets_left_by_a_killed_writer_opens() {
    let folder = tempfile::tempdir().unwrap();
    let examine = [
        "examine",
        "board",
        "--only",
        "first-command",
        "--ticket",
        "--db",
        "db",
    ];
    assert_eq!(payrig_in(folder.path(), &examine).code, 0);
    let at = |name: &str| folder.path().join(name);
    let writer = rusqlite::Connection::open(at("db")).unwrap();
    writer
        .execute_batch(
            "PRAGMA cache_size = 1; PRAGMA cache_spill = 1; BEGIN; \
             WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 400) \
             INSERT INTO ticket (examined, kind, name, maker, serial, model, version, grade, passed, failed, \
             cannot_tell, skipped, recording_sha256, examination) SELECT examined, kind, name, maker, serial, \
             model, version, grade, passed, failed, cannot_tell, skipped, recording_sha256, examination \
             FROM ticket, n",
        )
        .unwrap();
    // What a kill leaves: the file and its journal as they are now.
    let copies = [("db", "killed"), ("db-journal", "killed-journal")];
    for (from, to) in copies {
        fs::copy(at(from), at(to)).unwrap();
    }
    assert!(fs::metadata(at("killed-journal")).unwrap().len() > 0);
    drop(writer);
    let list = payrig_in(
        folder.path(),
        &["tickets", "--db", "killed", "list", "--format", "json"],
    );
    let add = payrig_in(
        folder.path(),
        &[
            "examine",
            "board",
            "--only",
            "first-command",
            "--ticket",
            "--db",
            "killed",
        ],
    );
    assert_eq!(add.code, 0, "{}", add.err);
    let list_after = payrig_in(
        folder.path(),
        &["tickets", "--db", "killed", "list", "--format", "json"],
    );
    assert_eq!(list_after.json().len(), 2, "{}", list_after.err);
    assert_eq!((list.code, list.json().len()), (0, 1), "{}", list.err);
}

/// An examination records check by check, and one that was killed can be distinguished from a whole one.
#[test]
fn a_killed_examination_is_told_from_a_whole_one() {
    let folder = tempfile::tempdir().unwrap();
    let examine = [
        "examine",
        "board",
        "--unattended",
        "--format",
        "json",
        "--record",
    ];
    let mut child = command(folder.path(), &[&examine[..], &["killed.jsonl"]].concat())
        .spawn()
        .unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let steps = |path: &Path| {
        lines_of(path)
            .iter()
            .filter(|l| l["type"] == "step")
            .count()
    };
    // The header, and three checks.
    for _ in 0..4 {
        out.read_line(&mut String::new()).unwrap();
    }
    // What was printed is recorded.
    assert!(steps(&folder.path().join("killed.jsonl")) >= 3);
    signal(&child, "KILL");
    child.wait().unwrap();
    let whole = payrig_in(
        folder.path(),
        &[
            "examine",
            "board",
            "--only",
            "first-command",
            "--record",
            "whole.jsonl",
        ],
    );
    assert_eq!(whole.code, 0, "{}", whole.err);
    let killed = payrig_in(folder.path(), &["read", "killed.jsonl"]);
    assert!(
        killed.code == 1 && killed.out.contains("this run did not end"),
        "{}",
        killed.out
    );
    let whole = payrig_in(folder.path(), &["read", "whole.jsonl"]);
    assert!(!whole.out.contains("did not end"), "{}", whole.out);
}
