//! Text from outside in every field of everything that is read, through every command: nothing of it acts
//! on a terminal.

use super::command;
use payrig_tests::cli::payrig_in;
use payrig_units::is_hidden;
use serde_json::Value;
use std::fs;
use std::path::Path;

/// A title, a bell, a cleared screen, text from right to left, an 8-bit control, a tag, a line break.
const HOSTILE: &str =
    "Q\u{1b}]0;owned\u{7}\u{1b}[2J\u{202e}evil\u{9b}31m\u{200b}\u{feff}\u{e0041}\r\nZ";

/// The same for places that have no control characters of their own.
const TURNED: &str = "Q\u{202e}evil\u{200b}\u{feff}\u{e0041}Z";

/// What a terminal would be sent: colours are on, and our own are taken out.
fn shown(folder: &Path, arguments: &[&str]) -> String {
    let output = command(folder, arguments)
        .env("CLICOLOR_FORCE", "1")
        .env("TERM", "xterm-256color")
        .output()
        .unwrap();
    let text = [output.stdout, output.stderr].concat();
    let text = String::from_utf8(text).unwrap_or_else(|e| panic!("{arguments:?}: {e}"));
    let mut plain = String::new();
    let mut rest = text.as_str();
    while let Some(at) = rest.find("\u{1b}[") {
        let (before, sequence) = rest.split_at(at);
        plain.push_str(before);
        let body = &sequence[2..];
        let end = body
            .find(|c: char| !c.is_ascii_digit() && c != ';')
            .unwrap_or(body.len());
        // Only a colour is taken out.
        match body[end..].strip_prefix('m') {
            Some(after) => rest = after,
            None => {
                plain.push('\u{1b}');
                rest = &sequence[1..];
            }
        }
    }
    plain.push_str(rest);
    plain
}

/// Runs it; nothing hidden comes out, and what was hostile is there to be read where it is `seen`.
#[track_caller]
fn assert_harmless(folder: &Path, arguments: &[&str], seen: bool) {
    let text = shown(folder, arguments);
    let acts = text.chars().find(|c| is_hidden(*c) && *c != '\n');
    let line = text
        .lines()
        .find(|l| l.contains(is_hidden))
        .unwrap_or_default();
    assert!(acts.is_none(), "{arguments:?}: {acts:?} in {line:?}");
    let read = text.contains("\\u{202E}") || text.contains("\\u202e");
    assert!(!seen || read, "{arguments:?}: not to be read in {text}");
}

/// Puts hostile text into the texts of a JSON value, one after another: each copy has one.
fn each_text(value: &Value) -> Vec<Value> {
    match value {
        Value::String(text) => vec![
            Value::String(format!("{text}{HOSTILE}")),
            Value::String(HOSTILE.to_owned()),
        ],
        Value::Array(items) => {
            let one = |(index, item): (usize, &Value)| {
                let put = move |new: Value| {
                    let mut all = items.clone();
                    all[index] = new;
                    Value::Array(all)
                };
                each_text(item).into_iter().map(put)
            };
            items.iter().take(3).enumerate().flat_map(one).collect()
        }
        Value::Object(fields) => {
            let one = |(name, item): (&String, &Value)| {
                let name = name.clone();
                let put = move |new: Value| {
                    let mut all = fields.clone();
                    all.insert(name.clone(), new);
                    Value::Object(all)
                };
                each_text(item).into_iter().map(put)
            };
            fields.iter().flat_map(one).collect()
        }
        _ => Vec::new(),
    }
}

/// Every text in every kind of line of a recording, for every command that reads one.
#[test]
fn a_recording() {
    let folder = tempfile::tempdir().unwrap();
    let rig = payrig_tests::cli::file("bench-rigs/old-machine.toml");
    for (rig, name) in [(rig.to_str().unwrap(), "one.jsonl"), ("", "two.jsonl")] {
        let run = ["run", "--record", name, rig];
        let run = &run[..if rig.is_empty() { 3 } else { 4 }];
        payrig_in(folder.path(), run);
    }
    let mut kinds = std::collections::BTreeSet::new();
    let mut hostile = Vec::new();
    for name in ["one.jsonl", "two.jsonl"] {
        let text = fs::read_to_string(folder.path().join(name)).unwrap();
        for (number, line) in text.lines().enumerate() {
            let line: Value = serde_json::from_str(line).unwrap();
            let kind = (
                line["type"].to_string(),
                line.as_object()
                    .unwrap()
                    .keys()
                    .cloned()
                    .collect::<Vec<_>>(),
            );
            if kinds.insert(kind) {
                hostile.extend(each_text(&line).into_iter().map(|h| (name, number, h)));
            }
        }
    }
    let finding = serde_json::json!({
        "type": "finding", "rule": "money", "severity": "limit", "at": 5, "text": HOSTILE,
        "section": "the ledger", "origin": "the ledger",
    });
    hostile.extend(
        [&finding, &serde_json::json!({"type": HOSTILE})]
            .map(|f| ("two.jsonl", usize::MAX, f.clone())),
    );
    hostile.extend(
        each_text(&finding)
            .into_iter()
            .map(|f| ("two.jsonl", usize::MAX, f)),
    );
    assert!(hostile.len() > 30, "{}", hostile.len());
    for (name, number, value) in hostile {
        let text = fs::read_to_string(folder.path().join(name)).unwrap();
        let mut lines: Vec<String> = text
            .lines()
            .take(number.clamp(400, 4_000))
            .map(str::to_owned)
            .collect();
        match number < lines.len() {
            true => lines[number] = value.to_string(),
            false => lines.push(value.to_string()),
        }
        fs::write(
            folder.path().join("it.recording.jsonl"),
            lines.join("\n") + "\n",
        )
        .unwrap();
        for line in [
            &["read", "it.recording.jsonl", "--all"][..],
            &["read", "it.recording.jsonl", "--format", "json"],
            &[
                "pulse",
                "count",
                "it.recording.jsonl",
                "--pulses",
                "1",
                "--min-width",
                "20",
            ],
            &["pulse", "which", "it.recording.jsonl"],
        ] {
            assert_harmless(folder.path(), line, false);
        }
    }
}

/// The name of every line of a capture.
#[test]
fn a_capture() {
    let folder = tempfile::tempdir().unwrap();
    let csv =
        format!("Time [s],\"{HOSTILE}\",\"{TURNED}2\"\n0.0,1,1\n0.1,0,1\n0.16,1,0\n0.3,1,1\n");
    fs::write(folder.path().join("it.csv"), csv).unwrap();
    let vcd = format!(
        "$timescale 1 us $end\n$scope module {TURNED} $end\n$var wire 1 ! {TURNED} $end\n$upscope $end\n\
         $enddefinitions $end\n#0\n1!\n#100000\n0!\n#160000\n1!\n#300000\n"
    );
    fs::write(folder.path().join("it.vcd"), vcd).unwrap();
    for file in ["it.csv", "it.vcd"] {
        for line in [
            &["read", file][..],
            &["read", file, "--format", "json"],
            &["read", file, "--master", "none"],
            &["read", file, "--master", HOSTILE],
            &["read", file, "--profile", HOSTILE],
            &["pulse", "which", file],
            &["pulse", "which", file, "--line", HOSTILE],
            &["pulse", "which", file, "--format", "json"],
            &["pulse", "count", file, "--min-width", "20"],
        ] {
            assert_harmless(folder.path(), line, false);
        }
    }
    assert_harmless(folder.path(), &["read", "it.csv"], true);
}

/// Every text of a rig, and the rig's own name.
#[test]
fn a_rig() {
    let folder = tempfile::tempdir().unwrap();
    let rig = r#"
[bench]
name = "HERE1"
[board]
kind = "controller"
[[board.item]]
number = 11
price = "1.00"
name = "HERE2"
[[device]]
kind = "changer"
name = "HERE3"
[[device]]
kind = "pulse-bill-validator"
name = "HERE4"
bills = ["1.00"]
[[device]]
kind = "cashless"
name = "HERE5"
[[script]]
do = "wait-ready"
[[script]]
do = "insert-coin"
device = "HERE3"
value = "1.00"
[[script]]
do = "insert-bill"
device = "HERE4"
value = "1.00"
[[script]]
expect = "seen"
text = "HERE6"
within = "1 s"
[[script]]
expect = "display"
text = "HERE7"
within = "1 s"
[[script]]
do = "HERE8"
"#;
    let names: Vec<String> = (1..=8).map(|n| format!("HERE{n}")).collect();
    for hostile in &names {
        let mut text = rig.to_owned();
        for name in &names {
            let plain = if name == "HERE8" {
                "wait-ready".to_owned()
            } else {
                name.to_lowercase()
            };
            let toml: String = HOSTILE
                .chars()
                .map(|c| format!("\\U{:08X}", u32::from(c)))
                .collect();
            text = text.replace(name, if name == hostile { &toml } else { &plain });
        }
        fs::write(folder.path().join("it.toml"), text).unwrap();
        for line in [
            &["run", "it.toml", "--no-record", "--all", "--limit", "20"][..],
            &[
                "run",
                "it.toml",
                "--no-record",
                "--format",
                "json",
                "--limit",
                "20",
            ],
            &[
                "examine",
                "board",
                "--rig",
                "it.toml",
                "--only",
                "first-command",
            ],
            &["float", "it.toml"],
        ] {
            assert_harmless(folder.path(), line, false);
        }
    }
    let named = format!("{}.toml", HOSTILE.replace('\n', ""));
    fs::write(
        folder.path().join(&named),
        super::LONG.replace("3500 s", "1 s"),
    )
    .unwrap();
    assert_harmless(folder.path(), &["run", &named], true);
    assert_harmless(folder.path(), &["run", &named, "--link", HOSTILE], true);
    assert_harmless(folder.path(), &["run", &format!("{named}.none")], true);
}

/// Every text of a saved examination: on the terminal, as ticket, in comparison.
#[test]
fn an_examination() {
    let folder = tempfile::tempdir().unwrap();
    let example = payrig_in(folder.path(), &["report", "--example", "--json", "it.json"]);
    assert_eq!(example.err, "");
    let example: Value =
        serde_json::from_str(&fs::read_to_string(folder.path().join("it.json")).unwrap()).unwrap();
    for (number, hostile) in each_text(&example).into_iter().enumerate() {
        fs::write(folder.path().join("it.json"), hostile.to_string()).unwrap();
        assert_harmless(folder.path(), &["report", "it.json"], false);
        let db = format!("{}.sqlite", number % 8);
        assert_harmless(
            folder.path(),
            &["tickets", "--db", &db, "add", "it.json"],
            false,
        );
        let last = payrig_in(
            folder.path(),
            &["tickets", "--db", &db, "list", "--format", "json"],
        );
        let Some(id) = last
            .json()
            .last()
            .map(|l| l["id"].as_str().unwrap_or_default().to_owned())
        else {
            continue;
        };
        for line in [
            &["tickets", "--db", &db][..],
            &["tickets", "--db", &db, "list", "--format", "json"],
            &["tickets", "--db", &db, "show", &id],
            &["tickets", "--db", &db, "compare", &id],
            &["tickets", "--db", &db, "compare", &id, "--with", "1"],
            &[
                "tickets", "--db", &db, "compare", &id, "--with", "1", "--format", "json",
            ],
            &["tickets", "--db", &db, "export", "--csv", "-"],
        ] {
            assert_harmless(folder.path(), line, false);
        }
    }
    assert_harmless(
        folder.path(),
        &["tickets", "--db", "0.sqlite", "export", "--csv", "-"],
        true,
    );
    for line in [
        &["tickets", "--db", "0.sqlite", "list", "--serial", HOSTILE][..],
        &[
            "tickets", "--db", "0.sqlite", "compare", "--serial", HOSTILE,
        ],
        &["tickets", "--db", HOSTILE],
        &["report", HOSTILE],
        &["read", HOSTILE],
        &["examine", "board", "--only", HOSTILE],
        &["examine", "device", "--quirk", HOSTILE],
        &[
            "examine",
            "board",
            "--only",
            "first-command",
            "--serial",
            HOSTILE,
        ],
        &["examine", "board", "--html", HOSTILE, "--json", HOSTILE],
        &["ports", "--probe", HOSTILE],
        &["pulse", "listen", HOSTILE],
        &[HOSTILE],
        &["run", "--format", HOSTILE],
    ] {
        assert_harmless(folder.path(), line, false);
    }
}
