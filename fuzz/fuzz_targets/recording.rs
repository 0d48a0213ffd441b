//! Any bytes as a recording: never panics; what is read, written again, reads the same.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_wire::recording::{RecordingWriter, read_recording};

fuzz_target!(|bytes: &[u8]| {
    let Ok(first) = read_recording("fuzz", bytes) else {
        return;
    };
    let _ = (
        first.events(),
        first.lines(),
        first.movements(),
        first.end(),
    );
    let Ok(mut writer) = RecordingWriter::start(Vec::new(), &first.header) else {
        return;
    };
    for (_, entry) in &first.entries {
        writer.entry(entry).expect("a vector takes everything");
    }
    let second = read_recording("fuzz", &writer.into_inner()).expect("our own writing reads");
    assert_eq!(first.header, second.header);
    assert!(
        first
            .entries
            .iter()
            .map(|e| &e.1)
            .eq(second.entries.iter().map(|e| &e.1))
    );
});
