//! The rig that shows a recycler at work does what its script expects.

use payrig_bench::Bench;
use payrig_bench::run::run_simulated;
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use std::path::Path;

#[test]
fn change_in_bills_passes() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../bench-rigs/change-in-bills.toml");
    let mut stage = Bench::of(&payrig_rig::load(&path).unwrap());
    let (mut failed, mut passed) = (Vec::new(), None);
    let limit = Micros::secs(600);
    run_simulated::<()>(&mut stage, limit, |_, entry| {
        match entry {
            Entry::Step {
                passed: Some(false),
                text,
                why,
                ..
            } => failed.push((text, why)),
            Entry::Verdict { passed: p, .. } => passed = Some(p),
            _ => {}
        }
        Ok(())
    })
    .unwrap();
    assert_eq!(failed, []);
    assert_eq!(passed, Some(true));
}
