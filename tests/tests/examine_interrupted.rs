//! Ctrl-C during an examination of an emulated subject. Over a link: `live/examine.rs`.
#![cfg(unix)]

use payrig_tests::cli::{binary, interrupt, json_lines};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStderr, ChildStdout, Command, Stdio};

type Running = (Child, BufReader<ChildStdout>, BufReader<ChildStderr>);

fn examine(folder: &Path, more: &[&str]) -> Running {
    let mut child = Command::new(binary())
        .args(["examine", "board", "--format", "json", "--html", "it.html"])
        .args(more)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let out = BufReader::new(child.stdout.take().unwrap());
    let error = BufReader::new(child.stderr.take().unwrap());
    (child, out, error)
}

#[test]
fn the_rest_is_skipped_and_the_reports_are_written() {
    let folder = tempfile::tempdir().unwrap();
    let (mut child, mut out, _error) = examine(folder.path(), &["--unattended"]);
    let mut text = String::new();
    out.read_line(&mut text).unwrap();
    interrupt(&child);
    out.read_to_string(&mut text).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(1), "{text}");
    let lines = json_lines(&text);
    assert_eq!(lines[0]["outcome"], "pass", "{text}");
    let (verdict, checks) = lines.split_last().unwrap();
    assert_eq!(checks.len(), payrig_exam::board::checks().count());
    assert_eq!(checks.last().unwrap()["outcome"], "skipped");
    assert_eq!(
        (&verdict["stopped"], &verdict["failed"]),
        (&true.into(), &0.into())
    );
    let html = std::fs::read_to_string(folder.path().join("it.html")).unwrap();
    assert!(html.contains("</html>"));
}

#[test]
fn the_second_ends_at_once() {
    let folder = tempfile::tempdir().unwrap();
    // A report that nobody takes: writing it waits for ever.
    let made = Command::new("mkfifo")
        .arg(folder.path().join("it.html"))
        .status();
    assert!(made.unwrap().success());
    let (mut child, mut out, mut error) = examine(folder.path(), &["--only", "first-command"]);
    // The header, the check and the verdict have been printed, the report is next.
    for _ in 0..3 {
        out.read_line(&mut String::new()).unwrap();
    }
    interrupt(&child);
    let mut said = String::new();
    error.read_line(&mut said).unwrap();
    assert!(said.starts_with("Ctrl-C: "), "{said}");
    interrupt(&child);
    assert_eq!(child.wait().unwrap().code(), Some(130));
}
