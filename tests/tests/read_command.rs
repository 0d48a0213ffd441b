//! `payrig read` against captures with known content: outside checks, made straight from MDB/ICP
//! (bit format 2.1, blocks 2.2, timing 3.2, messages 5 to 7) by a program that shares no code with
//! this one. See captures/README.md.

use payrig_tests::cli::{Ran, file, payrig, payrig_in};
use serde_json::Value;
use std::fs;

const FORMATS: [&str; 2] = ["vcd", "csv"];

fn capture(name: &str, format: &str) -> String {
    file(&format!("captures/{name}.{format}"))
        .to_str()
        .unwrap()
        .to_owned()
}

fn read(name: &str, format: &str) -> Ran {
    payrig(&["read", &capture(name, format), "--format", "json"])
}

fn expected(name: &str) -> Value {
    let path = file(&format!("captures/{name}.expect.json"));
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

fn near(a: &Value, b: &Value, by: u64) -> bool {
    match (a.as_u64(), b.as_u64()) {
        (Some(a), Some(b)) => a.abs_diff(b) <= by,
        _ => a.is_null() && b.is_null(),
    }
}

fn all_near(a: &Value, b: &Value, by: u64) -> bool {
    let (a, b) = (a.as_array().unwrap(), b.as_array().unwrap());
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| near(a, b, by))
}

fn of_type<'a>(lines: &'a [Value], kind: &str) -> Vec<&'a Value> {
    lines.iter().filter(|l| l["type"] == kind).collect()
}

fn limits(lines: &[Value]) -> Vec<&Value> {
    of_type(lines, "finding")
        .into_iter()
        .filter(|f| f["severity"] == "limit")
        .collect()
}

fn check_bus(name: &str) {
    let expected = expected(name);
    for format in FORMATS {
        let ran = read(name, format);
        let lines = ran.json();
        let blocks = of_type(&lines, "block");
        assert_eq!(blocks.len(), expected["blocks"].as_array().unwrap().len());
        for (ours, theirs) in blocks.iter().zip(expected["blocks"].as_array().unwrap()) {
            let same = ["source", "bytes", "modes"]
                .iter()
                .all(|k| ours[k] == theirs[k]);
            let times = ["start_us", "end_us"]
                .iter()
                .all(|k| near(&ours[k], &theirs[k], 2));
            assert!(same && times, "{name}.{format}: {ours} is not {theirs}");
        }
        let mut faults = expected["faults"].as_array().unwrap().clone();
        faults.sort_by_key(|f| f["at_us"].as_u64());
        let found = limits(&lines);
        assert_eq!(found.len(), faults.len(), "{name}.{format}: {found:#?}");
        for (ours, theirs) in found.iter().zip(&faults) {
            let rule = ours["rule"] == theirs["rule"] && near(&ours["at_us"], &theirs["at_us"], 2);
            let time = theirs["measured_us"].is_null()
                || near(&ours["measured_us"], &theirs["measured_us"], 20);
            assert!(rule && time, "{name}.{format}: {ours} is not {theirs}");
            assert!(
                !ours["section"].as_str().unwrap().is_empty(),
                "a section stands by every rule"
            );
        }
        assert_eq!(ran.code, i32::from(!faults.is_empty()));
        assert_eq!(lines.last().unwrap()["passed"], faults.is_empty());
    }
}

#[test]
fn clean_1_is_read_exactly_and_breaks_no_limit() {
    check_bus("clean-1");
}

#[test]
fn every_fault_of_faulty_1_is_found_and_no_other() {
    check_bus("faulty-1");
}

/// Every block of the clean capture is understood: none is shown raw.
#[test]
fn every_block_of_clean_1_is_decoded() {
    for block in of_type(&read("clean-1", "vcd").json(), "block") {
        let text = block["text"].as_str().unwrap();
        assert!(
            !text.starts_with("raw") && !block["name"].is_null(),
            "{block}"
        );
    }
}

/// Widths hold to the microsecond of rounding in the clean line and to 1 ms in the noisy one.
fn check_trains(name: &str, by: u64) {
    let expected = expected(name);
    let expected = expected["trains"].as_array().unwrap();
    for format in FORMATS {
        let ran = read(name, format);
        let lines = ran.json();
        let trains = of_type(&lines, "train");
        assert_eq!(trains.len(), expected.len());
        for (ours, theirs) in trains.iter().zip(expected) {
            let fits = ours["pulses"] == theirs["pulses"]
                && near(&ours["start_us"], &theirs["start_us"], by)
                && all_near(&ours["widths_us"], &theirs["widths_us"], by)
                && all_near(&ours["gaps_us"], &theirs["gaps_us"], by);
            assert!(fits, "{name}.{format}: {ours} is not {theirs}");
            let profile = match (&theirs["nominal_on_ms"], &theirs["nominal_off_ms"]) {
                (on, off) if on == 50 && off == 50 => "short",
                (on, off) if on == 150 && off == 150 => "long",
                _ => "none",
            };
            assert_eq!(ours["profile"], profile);
            assert_eq!(ours["line"], "credit");
        }
        let start_of = |on: u64, off: u64| {
            let of = |t: &&&Value| t["nominal_on_ms"] == on && t["nominal_off_ms"] == off;
            expected.iter().collect::<Vec<_>>().iter().find(of).unwrap()["start_us"].clone()
        };
        let found = limits(&lines);
        let rules: Vec<&str> = found.iter().map(|f| f["rule"].as_str().unwrap()).collect();
        assert_eq!(rules, ["pulse-width", "pulse-gap"], "{name}.{format}");
        assert!(near(&found[0]["at_us"], &start_of(38, 50), by));
        assert!(near(&found[1]["at_us"], &start_of(50, 22), by));
        assert_eq!(ran.code, 1);
    }
}

#[test]
fn the_trains_of_pulses_1_are_read_exactly() {
    check_trains("pulses-1", 1);
}

#[test]
fn noise_changes_no_count_in_noisy_1() {
    check_trains("noisy-1", 1_000);
}

#[test]
fn lines_are_picked_by_name_and_polarity_can_be_given() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(file("captures/clean-1.csv")).unwrap();
    let swap = |row: &str| -> String {
        let mut cells = row.split(',').map(str::to_owned).collect::<Vec<_>>();
        for level in cells.iter_mut().skip(1) {
            *level = if level == "0" { "1" } else { "0" }.to_owned();
        }
        cells.join(",")
    };
    let mut rows = text.lines();
    let header = rows
        .next()
        .unwrap()
        .replace("master", "D0")
        .replace("peripheral", "D1");
    let inverted: Vec<String> = std::iter::once(header).chain(rows.map(swap)).collect();
    fs::write(
        folder.path().join("inverted.csv"),
        inverted.join("\n") + "\n",
    )
    .unwrap();
    let options = [
        "--master",
        "D0",
        "--peripheral",
        "D1",
        "--idle",
        "low",
        "--format",
        "json",
    ];
    let ran = payrig_in(
        folder.path(),
        &[&["read", "inverted.csv"], &options[..]].concat(),
    );
    let blocks = |ran: &Ran| -> Vec<Value> {
        of_type(&ran.json(), "block")
            .iter()
            .map(|b| b["bytes"].clone())
            .collect()
    };
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(blocks(&ran), blocks(&read("clean-1", "csv")));
}

#[test]
fn what_cannot_be_read_is_named_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write("empty.vcd", "");
    write("empty.csv", "");
    write("what.bin", "hello");
    write("back.csv", "Time [s],master\n0.0,1\n0.2,0\n0.1,1\n");
    write("level.csv", "Time [s],master\n0.0,1\n0.2,yes\n");
    write("other.csv", "Time [s],d0\n");
    let cases: [(&[&str], &[&str]); 8] = [
        (&["read", "none.vcd"], &["none.vcd", "cannot be read"]),
        (&["read", "empty.vcd"], &["empty.vcd", "empty"]),
        (&["read", "empty.csv"], &["empty.csv", "empty"]),
        (&["read", "what.bin"], &["what.bin", "not a known kind"]),
        (&["read", "back.csv"], &["back.csv:4", "time"]),
        (&["read", "level.csv"], &["level.csv:3", "yes"]),
        (&["read", "other.csv"], &["other.csv", "empty"]),
        (&["read", "back.csv", "--frmat", "json"], &["--format"]),
    ];
    for (arguments, says) in cases {
        let ran = payrig_in(folder.path(), arguments);
        assert_eq!(ran.code, 2, "{arguments:?}: {}", ran.err);
        for word in says {
            assert!(ran.err.contains(word), "{arguments:?}: {}", ran.err);
        }
    }
    let ran = payrig(&["read", &capture("clean-1", "vcd"), "--master", "mastr"]);
    assert_eq!(ran.code, 2);
    assert!(ran.err.contains("Did you mean \"master\"?"), "{}", ran.err);
}

/// A line that never moves passes nothing: it is named, with what to check.
#[test]
fn a_line_that_never_moves_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let still = "Time [s],master,peripheral\n0.0,1,1\n2.0,1,1\n";
    fs::write(folder.path().join("still.csv"), still).unwrap();
    let ran = payrig_in(folder.path(), &["read", "still.csv"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    for word in [
        "line-still",
        "\"master\"",
        "\"peripheral\"",
        "ground",
        "nothing-read",
    ] {
        assert!(ran.out.contains(word), "{word}: {}", ran.out);
    }
}

/// MDB/ICP 4.3, section 3.2: 9600 baud +1 % / -2 %. Another rate is named with its bit time.
#[test]
fn another_baud_rate_is_named_with_its_bit_time() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(file("captures/clean-1.csv")).unwrap();
    for (percent, code, says) in [
        (50, 1, "52.0"),
        (101, 0, ""),
        (104, 1, "108."),
        (200, 1, "208."),
        (98, 1, "102."),
    ] {
        let mut rows = text.lines().map(str::to_owned);
        let mut scaled = vec![rows.next().unwrap()];
        for row in rows {
            let (time, levels) = row.split_once(',').unwrap();
            let nanos: u64 = time.replace('.', "").parse().unwrap();
            let nanos = nanos * percent / 100;
            let (s, n) = (nanos / 1_000_000_000, nanos % 1_000_000_000);
            scaled.push(format!("{s}.{n:09},{levels}"));
        }
        fs::write(folder.path().join("rate.csv"), scaled.join("\n") + "\n").unwrap();
        let ran = payrig_in(folder.path(), &["read", "rate.csv", "--format", "json"]);
        assert_eq!(
            ran.code,
            code,
            "{percent} %: {}",
            ran.out.lines().last().unwrap()
        );
        let lines = ran.json();
        let baud: Vec<_> = limits(&lines)
            .into_iter()
            .filter(|f| f["rule"] == "baud")
            .collect();
        assert_eq!(baud.is_empty(), code == 0, "{percent} %");
        for finding in baud {
            assert!(
                finding["text"].as_str().unwrap().contains(says),
                "{percent} %: {finding}"
            );
        }
    }
}

#[test]
fn a_capture_cut_anywhere_is_read_without_a_false_finding() {
    let folder = tempfile::tempdir().unwrap();
    for format in FORMATS {
        let bytes = fs::read(capture("clean-1", format)).unwrap();
        for cut in [1_500, 3_000, 4_001, 7_777, 9_000] {
            let name = format!("cut.{format}");
            fs::write(folder.path().join(&name), &bytes[..cut]).unwrap();
            let ran = payrig_in(folder.path(), &["read", &name, "--format", "json"]);
            assert_eq!(
                ran.code, 0,
                "{format} cut at {cut}: {}\n{}",
                ran.err, ran.out
            );
            assert!(of_type(&ran.json(), "block").len() > 1);
        }
    }
}
