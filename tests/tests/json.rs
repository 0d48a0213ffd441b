//! One JSON for all: the schemas are those of the code, a wrong line is refused, and what older versions
//! wrote is read.

use payrig_exam::CheckResult;
use payrig_exam::person::SeenBy;
use payrig_report::read_json;
use payrig_tests::cli::{Ran, against, file, json_lines, payrig, payrig_in};
use serde_json::{Value, json};
use std::fs;

#[test]
fn the_schemas_are_those_of_the_code() {
    let documents = payrig::json::documents();
    for document in &documents {
        let name = format!("docs/src/schema/{}", document.file());
        assert!(
            fs::read_to_string(file(&name)).is_ok_and(|text| text == document.text()),
            "{name} is out of date: cargo run -p payrig --example json_schemas docs/src/schema"
        );
    }
    let files = fs::read_dir(file("docs/src/schema")).unwrap().count();
    assert_eq!(files, documents.len());
}

/// Every object that has named fields has no others.
fn assert_closed(at: &str, schema: &Value) {
    match schema {
        Value::Object(fields) => {
            if fields.contains_key("properties") {
                let closed = ["additionalProperties", "unevaluatedProperties"];
                let closed = closed.iter().any(|c| fields.get(*c) == Some(&json!(false)));
                assert!(closed, "{at} takes any field");
            }
            for (name, inner) in fields.iter().filter(|(name, _)| *name != "examples") {
                assert_closed(&format!("{at}/{name}"), inner);
            }
        }
        Value::Array(all) => all
            .iter()
            .enumerate()
            .for_each(|(n, inner)| assert_closed(&format!("{at}/{n}"), inner)),
        _ => {}
    }
}

#[test]
fn no_schema_takes_a_field_that_it_does_not_name() {
    for document in payrig::json::documents() {
        assert_closed(document.name, document.schema.as_value());
    }
}

fn lines(arguments: &[&str]) -> (Ran, Vec<Value>) {
    let folder = tempfile::tempdir().unwrap();
    let ran = payrig_in(folder.path(), &[arguments, &["--format", "json"]].concat());
    let _ = ran.json();
    let lines = ran.out.lines();
    let lines = lines.map(|l| serde_json::from_str(l).unwrap()).collect();
    (ran, lines)
}

/// One more field, another type, another schema: none is taken.
#[test]
fn a_wrong_line_is_refused() {
    let capture = file("captures/pulses-1.vcd").display().to_string();
    let window = ["--min-width", "30", "--max-width", "120"];
    for arguments in [
        &["run", "--no-record"][..],
        &["read", &capture],
        &["report", "--example"],
        &["float"],
        &["pulse", "profiles"],
        &["pulse", "which", &capture],
        &[&["pulse", "count", &capture], &window[..]].concat(),
        &[&["pulse", "map"], &window[..]].concat(),
        &["examine", "board", "--list"],
        &[
            "examine",
            "device",
            "--kind",
            "changer",
            "--only",
            "just-reset-said",
        ],
        &["new", "-"],
        &["run", "--nonsense"],
    ] {
        let (_, lines) = lines(arguments);
        let schema = lines[0]["schema"].as_str().unwrap().to_owned();
        for line in lines {
            let mut more = line.clone();
            more["of_no_schema"] = json!(1);
            assert!(!against(&schema, &more).is_empty(), "{more}");
            let mut other = line.clone();
            other["type"] = json!("of-no-type");
            assert!(!against(&schema, &other).is_empty(), "{other}");
            for field in line.as_object().unwrap().keys() {
                let mut wrong = line.clone();
                wrong[field] = json!({"of_no_schema": 1.5});
                assert!(!against(&schema, &wrong).is_empty(), "{wrong}");
            }
        }
    }
}

/// A mistake in a rig: where, what was expected, and what to do, on standard output.
#[test]
fn an_error_says_where_and_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let rig = "[bench]\nname = \"x\"\n[[device]]\nkind = \"changr\"\n";
    fs::write(folder.path().join("bad.toml"), rig).unwrap();
    let ran = payrig_in(folder.path(), &["run", "bad.toml", "--format", "json"]);
    assert_eq!(ran.code, 2);
    let errors = ran.json();
    assert_eq!(errors.len(), 1, "{errors:?}");
    assert_eq!(errors[0]["type"], "error");
    assert_eq!(
        (&errors[0]["file"], &errors[0]["line"]),
        (&json!("bad.toml"), &json!(4))
    );
    assert!(
        errors[0]["advice"].as_str().unwrap().contains("changer"),
        "{errors:?}"
    );
    let first: Value = serde_json::from_str(ran.out.lines().next().unwrap()).unwrap();
    assert_eq!(first["schema"], "payrig-recording");
}

/// What `run` writes to standard output is a recording with a few lines beside it.
#[test]
fn what_run_writes_can_be_read_again() {
    let folder = tempfile::tempdir().unwrap();
    let ran = payrig_in(folder.path(), &["run", "--format", "json"]);
    fs::write(folder.path().join("out.jsonl"), &ran.out).unwrap();
    let of_out = payrig_in(folder.path(), &["read", "out.jsonl", "--format", "json"]);
    let recording = ["read", "first-vend.recording.jsonl", "--format", "json"];
    let of_recording = payrig_in(folder.path(), &recording);
    assert_eq!(of_out.json(), of_recording.json());
}

/// Written by version 0.1, before headers had a type and times their unit.
#[test]
fn what_older_versions_wrote_is_read() {
    let old = file("tests/fixtures/recording-v1.jsonl")
        .display()
        .to_string();
    let ran = payrig(&["read", &old, "--format", "json"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let found = ran.json();
    let credit = found
        .iter()
        .find(|l| !l["profile"].is_null() && l["type"] == "line");
    assert_eq!(credit.unwrap()["profile"]["on_us"], 50_000);
    let folder = tempfile::tempdir().unwrap();
    let rig = file("bench-rigs/bridge.toml").display().to_string();
    let now = ["run", &rig, "--record", "now.jsonl", "--format", "json"];
    assert_eq!(payrig_in(folder.path(), &now).code, 0);
    let now = payrig_in(folder.path(), &["read", "now.jsonl", "--format", "json"]).json();
    assert_eq!(found, now, "the same bench, then and now");
    let old = fs::read(file("tests/fixtures/examination-v1.json")).unwrap();
    assert_eq!(read_json(old.as_slice()).unwrap(), payrig_report::example());
    let nobody = String::from_utf8(old).unwrap();
    let nobody = nobody.replace(
        "\"seen_by\": \"person\"",
        "\"seen_by\": \"default: nobody looked\"",
    );
    let read = read_json(nobody.as_bytes()).unwrap();
    let nobody = |c: &&CheckResult| c.seen_by == SeenBy::Nobody;
    assert_eq!(read.checks.iter().filter(nobody).count(), 2);
}

#[test]
fn saved_examinations_and_sheets_are_of_their_schemas() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let report = ["report", "--example", "--json", "it.json"];
    payrig_in(folder.path(), &report);
    let rig = file("bench-rigs/harbour-loop.toml").display().to_string();
    let sheet = [
        "sheet",
        &rig,
        "--examination",
        "it.json",
        "--json",
        "sheet.json",
    ];
    assert_eq!(payrig_in(folder.path(), &sheet).code, 0);
    for (name, schema) in [
        ("it.json", "payrig-examination"),
        ("sheet.json", "payrig-sheet"),
    ] {
        let saved: Value = serde_json::from_slice(&fs::read(at(name)).unwrap()).unwrap();
        assert_eq!(saved["schema"], schema);
        assert_eq!(against(schema, &saved), Vec::<String>::new());
        let mut more = saved.clone();
        more["of_no_schema"] = json!(1);
        assert!(!against(schema, &more).is_empty());
    }
}

/// The examples of the guide are what the commands beside them write.
#[test]
fn the_examples_of_the_guide_are_real() {
    let page = fs::read_to_string(file("docs/src/json.md")).unwrap();
    let mut seen = 0;
    for part in page.split("```console\n$ ").skip(1) {
        let (command, rest) = part.split_once('\n').unwrap();
        let (shown, _) = rest.split_once("```").unwrap();
        let folder = tempfile::tempdir().unwrap();
        let rig = "[bench]\nname = \"x\"\n[[device]]\nkind = \"changr\"\n";
        fs::write(folder.path().join("bad.toml"), rig).unwrap();
        let arguments: Vec<&str> = command.split(' ').skip(1).collect();
        let ran = payrig_in(folder.path(), &arguments);
        let _ = json_lines(&ran.out);
        for line in shown.lines().filter(|l| *l != "...") {
            assert!(
                ran.out.lines().any(|l| l == line),
                "{command}: {line}\n{}",
                ran.out
            );
        }
        seen += 1;
    }
    assert!(seen > 3, "{seen}");
}
