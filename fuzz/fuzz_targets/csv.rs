//! Any bytes as a CSV capture: never panics, nor does reading words from it; what is read, written
//! again, has the same edges.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_wire::Monitor;
use payrig_wire::capture::{read_csv, write_csv};
use payrig_wire::uart::{BusLines, decode_bus};

fuzz_target!(|bytes: &[u8]| {
    let Ok(first) = read_csv("fuzz", bytes) else {
        return;
    };
    let mut lines = BusLines::of(&first);
    if lines.is_empty() {
        lines.master = first.lines.first().map(|l| l.name.clone());
    }
    if let Ok(decoded) = decode_bus(&first, &lines) {
        let mut monitor = Monitor::of_capture(first.start);
        for event in &decoded.events {
            monitor.push(event);
        }
        monitor.finish(first.end);
    }
    let mut written = Vec::new();
    write_csv(&first, &mut written).expect("a vector takes everything");
    let second = read_csv("fuzz", &written[..]).expect("our own writing reads");
    assert_eq!((first.start, first.end), (second.start, second.end));
    for (a, b) in first.lines.iter().zip(&second.lines) {
        assert_eq!((a.initial, &a.edges), (b.initial, &b.edges));
    }
});
