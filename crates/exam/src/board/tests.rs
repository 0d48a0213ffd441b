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

/// No check without its quirk; with it the check fails.
#[test]
fn every_check_catches_its_quirk() {
    let mut wrong = Vec::new();
    for check in checks() {
        let mut setup = BoardSetup::good().unwrap();
        let quirk = quirk(check.quirk).unwrap();
        assert!(quirk.caught_by.contains(&check.id));
        (quirk.apply)(&mut setup);
        let (seen, _) = run_check(check, &setup);
        if seen.outcome != Outcome::Fail {
            wrong.push(format!(
                "{}: {}: {:?} {}",
                quirk.name, check.id, seen.outcome, seen.text
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn names_are_unique_and_there_are_enough() {
    let mut ids = std::collections::BTreeSet::new();
    let mut names = std::collections::BTreeSet::new();
    for check in checks() {
        assert!(ids.insert(check.id), "{} twice", check.id);
        assert!(names.insert(check.quirk), "{} twice", check.quirk);
        assert!(!check.section.is_empty() && !check.advice.is_empty());
    }
    assert!(ids.len() >= 60, "{}", ids.len());
}
