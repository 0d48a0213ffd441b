use super::*;
use crate::result::Outcome;

/// Every check passes on the good device; all of them, and in order.
#[test]
fn good_devices_pass_every_check() {
    let mut failed = Vec::new();
    for kind in Kind::ALL {
        let examination = examine(&Setup::good(kind), None, |_, _| {});
        for check in &examination.checks {
            if check.outcome != Outcome::Pass {
                failed.push(format!(
                    "{kind} {}: {:?} {}",
                    check.id, check.outcome, check.seen
                ));
            }
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

/// No check without its quirk; with it the check fails, and so do all that must.
#[test]
fn every_check_catches_its_quirk() {
    let mut wrong = Vec::new();
    for kind in Kind::ALL {
        for check in checks(kind) {
            match quirk(kind, check.quirk) {
                None => wrong.push(format!("{kind} {}: no quirk {}", check.id, check.quirk)),
                Some(quirk) if !quirk.caught_by.contains(&check.id) => {
                    wrong.push(format!("{kind} {}: not named by {}", check.id, quirk.name));
                }
                Some(_) => {}
            }
        }
        for quirk in quirks(kind) {
            let mut setup = Setup::good(kind);
            (quirk.apply)(&mut setup);
            for id in quirk.caught_by {
                let Some(check) = checks(kind).find(|c| c.id == *id) else {
                    wrong.push(format!("{kind} {}: no check {id}", quirk.name));
                    continue;
                };
                let (seen, _) = run_check(check, &setup);
                if seen.outcome != Outcome::Fail {
                    let (o, t) = (seen.outcome, seen.text);
                    wrong.push(format!("{kind} {}: {id} {o:?}: {t}", quirk.name));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn names_are_unique_and_there_are_enough() {
    let mut all = std::collections::BTreeSet::new();
    for kind in Kind::ALL {
        let mut names = std::collections::BTreeSet::new();
        for quirk in quirks(kind) {
            assert!(names.insert(quirk.name), "{kind}: {} twice", quirk.name);
        }
        let mut ids = std::collections::BTreeSet::new();
        let mut own = std::collections::BTreeSet::new();
        for check in checks(kind) {
            assert!(ids.insert(check.id), "{} twice", check.id);
            all.insert(check.id);
            assert!(
                own.insert(check.quirk),
                "{kind}: two checks rest on {}",
                check.quirk
            );
            assert!(!check.section.is_empty() && !check.advice.is_empty());
        }
    }
    assert!(all.len() >= 40, "{}", all.len());
}
