//! What may be trusted of the command line: verdicts, files, and what it writes to a terminal.

mod alike;
mod ending;
mod hostile;
mod kept;
mod outputs;
mod silence;
mod watching;

use payrig_tests::cli::binary;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;

/// A changer for a board outside.
const DEVICES: &str = r#"
[bench]
name = "devices, Harbour Loop"
[board]
kind = "outside"
[[device]]
kind = "changer"
name = "changer"
"#;

/// A board and its changer, for an hour of bench time.
const LONG: &str = r#"
[bench]
name = "long"
[board]
kind = "controller"
[[device]]
kind = "changer"
name = "changer"
[[script]]
do = "wait-ready"
[[script]]
do = "wait"
for = "3500 s"
"#;

/// The command line in a folder, without waiting for it.
pub(crate) fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(binary());
    command
        .args(arguments)
        .current_dir(folder)
        .env_remove("PAYRIG_LOG")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

pub(crate) fn signal(process: &Child, name: &str) {
    let command = format!("kill -{name} {}", process.id());
    let sent = Command::new("sh").args(["-c", &command]).status();
    assert!(sent.unwrap().success());
}

/// Reads lines until one has this in it; what is left is read aside, so that nobody waits for a full
/// pipe, and all of it is given back at the end.
fn until(from: impl Read + Send + 'static, what: &str) -> (String, JoinHandle<String>) {
    let mut lines = BufReader::new(from).lines().map_while(Result::ok);
    let mut said = Vec::new();
    let found = lines.find(|line| {
        said.push(line.clone());
        line.contains(what)
    });
    let found = found.unwrap_or_else(|| panic!("no {what} in {}", said.join("\n")));
    let rest = std::thread::spawn(move || {
        said.extend(lines);
        said.join("\n")
    });
    (found, rest)
}

/// A recording's lines.
pub(crate) fn lines_of(path: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(path).unwrap();
    let parse = |l: &str| serde_json::from_str(l).unwrap_or_else(|e| panic!("{l}: {e}"));
    text.lines().map(parse).collect()
}

/// The findings among JSON lines, in an order that does not depend on when they were made.
fn findings(lines: &[Value]) -> Vec<String> {
    let found = lines.iter().filter(|l| l["type"] == "finding");
    let mut found: Vec<String> = found.map(Value::to_string).collect();
    found.sort();
    found
}

pub(crate) fn verdicts(lines: &[Value]) -> usize {
    lines.iter().filter(|l| l["type"] == "verdict").count()
}
