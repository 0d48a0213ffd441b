use super::*;
use crate::result::Outcome;

#[test]
fn the_good_board_passes_every_check() {
    let examination = examine(&BoardSetup::good().unwrap(), None, |_, _| {});
    let bad = examination
        .checks
        .iter()
        .filter(|c| c.outcome != Outcome::Pass);
    let bad: Vec<String> = bad
        .map(|c| format!("{}: {:?} {}", c.id, c.outcome, c.seen))
        .collect();
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

/// Holds each of these checks to its word: a good board passes, one with its misbehaviour fails.
pub(super) fn prove(checks: &[BoardCheck]) {
    let good = BoardSetup::good().unwrap();
    let mut wrong = Vec::new();
    for check in checks {
        let mut bad = good.clone();
        (check.quirk.apply)(&mut bad);
        for (setup, wanted) in [(&good, Outcome::Pass), (&bad, Outcome::Fail)] {
            let (seen, _) = run_check(check, setup);
            if seen.outcome != wanted {
                let (id, quirk, outcome) = (check.id, check.quirk.name, seen.outcome);
                wrong.push(format!(
                    "{id} ({quirk}): {outcome:?}, not {wanted:?}: {}",
                    seen.text
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
