//! Captures with known content, made by a program that shares no code with this crate.

use payrig_pulse::{
    LineRecord, LineSetup, Profile, PulseRule, Train, TrainReader, Verdict, judge, nearest_profile,
    survey,
};
use payrig_units::Micros;
use serde_json::Value;

fn trains(name: &str) -> Vec<Train> {
    let (level, edges) = super::common::edges(&super::common::file(&format!("{name}.csv")));
    let mut reader = TrainReader::new(LineSetup::of(&Profile::short(), "credit"));
    reader.start_level(Micros::ZERO, level);
    let mut trains: Vec<Train> = edges
        .iter()
        .filter_map(|e| reader.edge(e.at, e.high))
        .collect();
    trains.extend(reader.finish(edges.last().unwrap().at));
    trains
}

fn expected(name: &str) -> Vec<Value> {
    let text = super::common::file(&format!("{name}.expect.json"));
    let value: Value = serde_json::from_str(&text).unwrap();
    value["trains"].as_array().unwrap().clone()
}

fn list(value: &Value) -> Vec<u64> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|n| n.as_u64().unwrap())
        .collect()
}

fn near(ours: &[Micros], theirs: &Value, by: u64) -> bool {
    let theirs = list(theirs);
    ours.len() == theirs.len()
        && ours
            .iter()
            .zip(&theirs)
            .all(|(a, b)| a.0.abs_diff(*b) <= by)
}

fn check(name: &str, by: u64) -> Vec<Train> {
    let (read, expected) = (trains(name), expected(name));
    assert_eq!(read.len(), expected.len());
    for (train, expect) in read.iter().zip(&expected) {
        assert!(near(
            &[train.start()],
            &Value::from(vec![expect["start_us"].clone()]),
            by
        ));
        assert_eq!(train.count() as u64, expect["pulses"].as_u64().unwrap());
        assert!(near(&train.widths(), &expect["widths_us"], by), "{train:?}");
        assert!(near(&train.gaps(), &expect["gaps_us"], by), "{train:?}");
    }
    read
}

/// Exact but for the rounding of the file: its edges are rounded to whole microseconds, the
/// expected lengths were rounded by themselves.
#[test]
fn pulses_1_is_read_exactly() {
    for train in check("pulses-1", 1) {
        assert_eq!(train.glitches, 0);
    }
}

/// Contact bounce under 1 ms may move an edge, never a count.
#[test]
fn noise_changes_no_count_in_noisy_1() {
    let glitches: u32 = check("noisy-1", 1_000).iter().map(|t| t.glitches).sum();
    assert!(glitches > 0);
}

/// In both captures the only trains outside their profile are the one of 38 ms pulses and the one
/// with pauses of 22 ms.
#[test]
fn only_the_two_wrong_trains_are_found_wrong() {
    let profiles = Profile::all();
    for name in ["pulses-1", "noisy-1"] {
        for (train, expect) in trains(name).iter().zip(expected(name)) {
            let on = expect["nominal_on_ms"].as_u64().unwrap();
            let off = expect["nominal_off_ms"].as_u64().unwrap();
            let nearest = nearest_profile(train, &profiles).unwrap();
            let judged = judge(train, nearest);
            let wrong: Vec<_> = judged
                .findings
                .iter()
                .filter(|f| f.is_limit())
                .map(|f| f.rule)
                .collect();
            let name = match (on, off) {
                (38, 50) => {
                    assert_eq!(wrong, [PulseRule::PulseWidth]);
                    "short"
                }
                (50, 22) => {
                    assert_eq!(wrong, [PulseRule::PulseGap]);
                    "short"
                }
                (50, 50) => {
                    assert_eq!(judged.verdict(), Verdict::Pass);
                    "short"
                }
                (150, 150) => {
                    assert_eq!(judged.verdict(), Verdict::Pass);
                    "long"
                }
                other => panic!("unexpected train {other:?}"),
            };
            assert_eq!(nearest.name, name);
        }
    }
}

/// The same by the one call that reads a whole line: two findings, and every train named.
#[test]
fn a_survey_finds_the_same() {
    for name in ["pulses-1", "noisy-1"] {
        let (level, edges) = super::common::edges(&super::common::file(&format!("{name}.csv")));
        let record = LineRecord {
            line: "credit",
            start: (Micros::ZERO, level),
            edges: &edges,
            end: edges.last().unwrap().at,
            uncertainty: Micros::ZERO,
        };
        let found = survey(&record, &Profile::all());
        let wrong: Vec<_> = found
            .findings
            .iter()
            .filter(|f| f.is_limit())
            .map(|f| f.rule)
            .collect();
        assert_eq!(wrong, [PulseRule::PulseWidth, PulseRule::PulseGap]);
        let names: Vec<_> = found.trains.iter().map(|t| t.report().profile).collect();
        assert_eq!(
            names,
            [
                "short", "short", "short", "long", "long", "none", "none", "short"
            ]
        );
    }
}
