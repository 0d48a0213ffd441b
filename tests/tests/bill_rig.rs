//! The rig that shows a recycler at work does what its script expects.

use payrig_bench::Bench;
use payrig_bench::run::run_simulated;
use payrig_tests::cli::file;
use payrig_units::Micros;
use payrig_wire::recording::Entry;

#[test]
fn change_in_bills_passes() {
    let path = file("bench-rigs/change-in-bills.toml");
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
