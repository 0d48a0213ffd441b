//! A recording survives: what was written is read back exactly, whatever happens to its end.

use payrig_mdb::Word;
use payrig_units::{LedgerEntry, Micros, Money, Movement, Place};
use payrig_wire::analysis::Analyst;
use payrig_wire::recording::{
    Entry, Header, MovementRecord, RecordingProblem, RecordingWriter, read_recording,
};
use payrig_wire::{BusEvent, Finding, Monitor, Source, TimedWord};
use proptest::prelude::*;

fn header() -> Header {
    Header::new("payrig 0.1.0", "break room, Harbour Loop", Some(7))
}

fn write(entries: &[Entry]) -> Vec<u8> {
    let mut writer = RecordingWriter::start(Vec::new(), &header()).unwrap();
    for entry in entries {
        writer.entry(entry).unwrap();
    }
    writer.into_inner()
}

fn word(start: Micros, source: Source, bits: u16, longer: u64) -> TimedWord {
    TimedWord {
        start,
        end: start + Micros(1_146 + longer),
        source,
        word: Word::from_bits(bits),
        uncertainty: Micros(1),
    }
}

fn examples() -> Vec<Entry> {
    let movement = LedgerEntry {
        at: Micros(9),
        movement: Movement {
            from: Place::Customer,
            to: Place::Tube("changer".into(), 2),
            amount: Money(25),
            why: "coin type 2 accepted".into(),
        },
        word_at: Some(Micros(8)),
    };
    vec![
        Entry::Note {
            at_us: Micros(1),
            who: Some("changer".into()),
            text: "coin returned\nwith a line break".into(),
        },
        Entry::Movement(MovementRecord::from(&movement)),
        Entry::Finding(
            Finding::limit("response", Micros(5), "late").measured(Micros(6_000), Micros(1)),
        ),
        Entry::Act {
            at_us: Micros(6),
            text: "insert coin type 2".into(),
        },
        Entry::Step {
            at_us: Micros(7),
            number: 1,
            text: "credit shows 0.25".into(),
            passed: Some(true),
            why: None,
        },
        Entry::Edge {
            line: "credit".into(),
            at_us: Micros(8),
            high: false,
            uncertainty_us: Micros(125),
        },
        Entry::Power {
            at_us: Micros(9),
            who: Some("bridge".into()),
            on: false,
        },
        Entry::Unknown(serde_json::json!({"type": "weather", "rain": [1, 2.1e30]})),
        Entry::Verdict {
            at_us: Micros(10),
            passed: true,
            text: "all passed".into(),
            limits: 0,
            advice: 0,
            blocks: 0,
            trains: 0,
        },
    ]
}

#[test]
fn every_kind_of_line_round_trips() {
    let read = read_recording("x", &write(&examples())).unwrap();
    assert_eq!(read.header, header());
    let entries: Vec<Entry> = read.entries.iter().map(|(_, e)| e.clone()).collect();
    assert_eq!(entries, examples());
    assert_eq!(read.torn, None);
    assert_eq!(read.movements().len(), 1);
    assert_eq!(read.lines()[0].name, "credit");
}

#[test]
fn errors_point() {
    let says = |bytes: &[u8]| read_recording("r.jsonl", bytes).unwrap_err().to_string();
    assert!(says(b"").starts_with("r.jsonl: the recording is empty"));
    assert!(says(b"hello\n").starts_with("r.jsonl:1: the first line is no header"));
    assert!(says(b"{\"schema\":\"payrig-recording\",\"version\":9}\n").contains("version 9"));
    let mut bytes = write(&[]);
    bytes.extend(b"{\"type\":\"block\",\"source\":\"nobody\"}\n");
    assert!(says(&bytes).starts_with("r.jsonl:2: a field of this \"block\""));
    let mut bytes = write(&[]);
    bytes.extend(b"\xff\xfe\n{}\n");
    let problem = read_recording("r", &bytes).unwrap_err();
    assert_eq!(problem.line, Some(2));
    assert!(matches!(problem.problem, RecordingProblem::BadLine { .. }));
}

proptest! {
    /// Cut anywhere after its header, a recording gives every whole line before the cut.
    #[test]
    fn a_killed_writer_loses_at_most_one_line(cut in 0usize..2_000) {
        let bytes = write(&examples());
        let first = bytes.iter().position(|b| *b == b'\n').unwrap() + 1;
        let cut = first + cut % (bytes.len() - first + 1);
        let kept = &bytes[..cut];
        let read = read_recording("x", kept).unwrap();
        let whole = kept.iter().filter(|b| **b == b'\n').count() - 1;
        prop_assert!(read.entries.len() == whole || read.entries.len() == whole + 1);
        let last_is_whole = kept.ends_with(b"\n") || read.entries.len() == whole + 1;
        prop_assert_eq!(read.torn.is_none(), last_is_whole);
    }

    /// Words go through blocks, a recording and back without a microsecond lost; read again, the
    /// recording gives the same blocks and findings.
    #[test]
    fn timed_words_are_rebuilt_exactly(
        words in proptest::collection::vec((0u64..9_000, any::<bool>(), 0u16..0x200, 0u64..3), 0..80),
        break_at in any::<Option<u8>>(),
    ) {
        let mut at = Micros(1_000);
        let mut events = Vec::new();
        for (i, (gap, master, bits, longer)) in words.iter().enumerate() {
            at += Micros(*gap);
            if break_at.map(usize::from) == Some(i) {
                let end = at + Micros::ms(90);
                events.push(BusEvent::Break {
                    start: at, end, source: Source::Master, uncertainty: Micros(1),
                });
                at = end + Micros::ms(100);
            }
            let source = if *master { Source::Master } else { Source::Peripheral };
            let word = word(at, source, *bits, *longer);
            at = word.end;
            events.push(BusEvent::Word(word));
        }
        let watch = |events: &[BusEvent]| {
            let mut monitor = Monitor::new();
            let (mut blocks, mut findings) = (Vec::new(), Vec::new());
            for event in events {
                let seen = monitor.push(event);
                blocks.extend(seen.blocks);
                findings.extend(seen.findings);
            }
            let seen = monitor.finish(at);
            blocks.extend(seen.blocks);
            findings.extend(seen.findings);
            (blocks, findings)
        };
        let (blocks, findings) = watch(&events);
        let told: usize = blocks.iter().map(|b| b.words.len()).sum();
        prop_assert_eq!(told, words.len(), "the builder lost a word");

        let mut analyst = Analyst::new();
        let mut writer = RecordingWriter::start(Vec::new(), &header()).unwrap();
        for event in &events {
            for entry in analyst.event(event) {
                writer.entry(&entry).unwrap();
            }
        }
        for entry in analyst.finish(at) {
            writer.entry(&entry).unwrap();
        }
        let read = read_recording("x", &writer.into_inner()).unwrap();
        prop_assert_eq!(&read.events(), &events);
        prop_assert_eq!(watch(&read.events()), (blocks, findings));
    }

    #[test]
    fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300), text in ".*") {
        let _ = read_recording("x", &bytes);
        let _ = read_recording("x", text.as_bytes());
        let mut after = write(&[]);
        after.extend(&bytes);
        let _ = read_recording("x", &after);
    }
}
