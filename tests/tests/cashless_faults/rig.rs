//! The rig that shows what level 3 can do.

use payrig_bench::{Rig, Stage};
use payrig_wire::recording::Entry;
use std::path::Path;

#[test]
fn the_rig_of_cards_passes() {
    let path = Path::new(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../bench-rigs/cards.toml"
    ));
    let mut stage = Stage::new(&Rig::load(path).unwrap());
    let mut verdict = None;
    while !stage.ended() {
        stage.advance(stage.next_time());
        for entry in stage.take_log() {
            match entry {
                Entry::Verdict { passed, text, .. } => verdict = Some((passed, text)),
                Entry::Finding(finding) => panic!("{finding:?}"),
                Entry::Step {
                    passed: Some(false),
                    text,
                    why,
                    ..
                } => panic!("{text}: {why:?}"),
                _ => {}
            }
        }
    }
    let (passed, text) = verdict.expect("a verdict");
    assert!(passed, "{text}");
}
