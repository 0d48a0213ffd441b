//! That checks hold: each passes on a good device, and fails on one that has its quirk.

use super::{DeviceCheck, Kind, Setup, checks, run_check};
use crate::result::Outcome;

/// Proves a group of checks with every kind of device that has it.
pub(super) fn of(group: &[DeviceCheck]) {
    let mut wrong = Vec::new();
    let mut proved = 0;
    for kind in Kind::ALL {
        let of_group = checks(kind).filter(|c| group.iter().any(|own| own.id == c.id));
        for check in of_group {
            proved += 1;
            let (seen, _) = run_check(check, &Setup::good(kind));
            if seen.outcome != Outcome::Pass {
                let (id, text) = (check.id, seen.text);
                wrong.push(format!("{kind} {id}: {:?}: {text}", seen.outcome));
            }
            wrong.extend(uncaught(check, &Setup::good(kind)));
        }
    }
    assert!(proved >= group.len(), "not all are in the table");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Checks that do not fail with the quirk of this one, though they should.
pub(super) fn uncaught(check: &DeviceCheck, good: &Setup) -> Vec<String> {
    let quirk = &check.quirk;
    let mut setup = good.clone();
    (quirk.apply)(&mut setup);
    let caught_by = [&[check.id], quirk.caught_by].concat();
    let fails = |id: &&str| {
        let Some(check) = checks(good.kind).find(|c| c.id == *id) else {
            return Some(format!("{} {}: no check {id}", good.kind, quirk.name));
        };
        let (seen, _) = run_check(check, &setup);
        (seen.outcome != Outcome::Fail).then(|| {
            let (o, t) = (seen.outcome, seen.text);
            format!("{} {}: {id} {o:?}: {t}", good.kind, quirk.name)
        })
    };
    caught_by.iter().filter_map(fails).collect()
}

/// No file of checks is without its proof.
#[test]
fn every_group_of_checks_is_proved() {
    let room = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/device");
    let (mut folders, mut groups) = (vec![room], 0);
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap();
            if text.contains("const CHECKS: &[DeviceCheck]") && !path.ends_with("proof.rs") {
                groups += 1;
                assert!(text.contains("proof::of(CHECKS)"), "{}", path.display());
            }
        }
    }
    assert!(groups > 20, "{groups}");
}
