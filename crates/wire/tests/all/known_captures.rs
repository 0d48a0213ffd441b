//! Outside check: the captures in `captures/` were encoded from the standard by a program that
//! shares no code with this one. Every block and every fault in them must be found, and no other.

use payrig_units::Micros;
use payrig_wire::capture::{Capture, read_path};
use payrig_wire::uart::{BusLines, decode_bus};
use payrig_wire::{BusEvent, Finding, Monitor, Source, WireBlock};
use serde_json::Value;
use std::path::PathBuf;

fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../../captures")
        .join(name)
}

fn expected(name: &str) -> Value {
    let text = std::fs::read_to_string(path(name)).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn watch(capture: &Capture) -> (Vec<WireBlock>, Vec<Finding>) {
    let decoded = decode_bus(capture, &BusLines::of(capture)).unwrap();
    let mut blocks = Vec::new();
    let mut findings = decoded.findings;
    let mut monitor = Monitor::of_capture(capture.start);
    for event in &decoded.events {
        assert!(!matches!(event, BusEvent::Garbled { .. }), "{event:?}");
        let seen = monitor.push(event);
        blocks.extend(seen.blocks);
        findings.extend(seen.findings);
    }
    let seen = monitor.finish(capture.end);
    blocks.extend(seen.blocks);
    findings.extend(seen.findings);
    (blocks, findings)
}

fn near(measured: Micros, expected: &Value, tolerance: u64) -> bool {
    measured.abs_diff(Micros(expected.as_u64().unwrap())) <= Micros(tolerance)
}

fn check(stem: &str, extension: &str) {
    let name = format!("{stem}.{extension}");
    let capture = read_path(&path(&name)).unwrap();
    let expected = expected(&format!("{stem}.expect.json"));
    let (blocks, findings) = watch(&capture);

    let wanted = expected["blocks"].as_array().unwrap();
    for (i, (got, want)) in blocks.iter().zip(wanted).enumerate() {
        let source = match got.source {
            Source::Master => "master",
            Source::Peripheral => "peripheral",
        };
        let bytes: Vec<String> = got.bytes().iter().map(|b| format!("{b:02X}")).collect();
        let modes: Vec<u8> = got.modes().iter().map(|m| u8::from(*m)).collect();
        assert_eq!(source, want["source"], "{name} block {i}");
        assert_eq!(serde_json::json!(bytes), want["bytes"], "{name} block {i}");
        assert_eq!(serde_json::json!(modes), want["modes"], "{name} block {i}");
        assert!(
            near(got.start, &want["start_us"], 2),
            "{name} block {i}: {got:?}"
        );
        assert!(
            near(got.end, &want["end_us"], 2),
            "{name} block {i}: {got:?}"
        );
    }
    assert_eq!(blocks.len(), wanted.len(), "{name}");

    let limits: Vec<&Finding> = findings.iter().filter(|f| f.is_limit()).collect();
    let faults = expected["faults"].as_array().unwrap();
    let rules = |list: &[&Finding]| list.iter().map(|f| f.rule.to_string()).collect::<Vec<_>>();
    let wanted: Vec<&str> = faults.iter().map(|f| f["rule"].as_str().unwrap()).collect();
    assert_eq!(rules(&limits), wanted, "{name}");
    for (got, want) in limits.iter().zip(faults) {
        assert!(near(got.at, &want["at_us"], 2), "{name}: {got:?}");
        if !want["measured_us"].is_null() {
            assert!(
                near(got.measured.unwrap(), &want["measured_us"], 20),
                "{name}: {got:?}"
            );
        }
    }
    for finding in &findings {
        assert!(!finding.text.is_empty() && !finding.origin.is_empty());
        println!("{name}: {finding}");
    }
}

#[test]
fn clean_capture_as_vcd() {
    check("clean-1", "vcd");
}

#[test]
fn clean_capture_as_csv() {
    check("clean-1", "csv");
}

#[test]
fn faulty_capture_as_vcd() {
    check("faulty-1", "vcd");
}

#[test]
fn faulty_capture_as_csv() {
    check("faulty-1", "csv");
}
