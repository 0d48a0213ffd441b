//! Any text as a rig: never panics; an error is some lines that name the file; a rig that reads can
//! be set up and runs.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_bench::Bench;
use payrig_units::Micros;
use std::path::Path;

fuzz_target!(|text: &str| {
    let rig = match payrig_rig::parse(Path::new("fuzz.toml"), text) {
        Ok(rig) => rig,
        Err(error) => {
            assert!(error.to_string().starts_with("fuzz.toml"), "{error}");
            return;
        }
    };
    let mut stage = Bench::of(&rig);
    for _ in 0..300 {
        let at = stage.next_deadline();
        if at == Micros::NEVER {
            break;
        }
        stage.advance(at);
    }
});
