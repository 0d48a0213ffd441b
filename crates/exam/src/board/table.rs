//! The table: every check of a board, in the order in which they are done.

pub use super::check::BoardCheck;

use super::checks::{
    bills, blocks, change, coins, cuts, inhibit, levels, mains, prices, pulses, resets, revalue,
    sessions, silence, start, timing, tolerance, values, vends,
};
use super::setup::BoardSetup;
use crate::check::Quirk;

const GROUPS: [&[BoardCheck]; 19] = [
    start::CHECKS,
    timing::CHECKS,
    blocks::CHECKS,
    tolerance::CHECKS,
    silence::CHECKS,
    resets::CHECKS,
    coins::CHECKS,
    change::CHECKS,
    bills::CHECKS,
    values::CHECKS,
    levels::CHECKS,
    vends::CHECKS,
    prices::CHECKS,
    sessions::CHECKS,
    revalue::CHECKS,
    pulses::CHECKS,
    inhibit::CHECKS,
    cuts::CHECKS,
    mains::CHECKS,
];

/// The checks, in order.
pub fn checks() -> impl Iterator<Item = &'static BoardCheck> {
    GROUPS.into_iter().flatten()
}

/// True for a check of how a board speaks on the bus, which needs somebody there.
pub(super) fn needs_bus(check: &BoardCheck) -> bool {
    let groups: [&[BoardCheck]; 4] = [
        timing::CHECKS,
        blocks::CHECKS,
        tolerance::CHECKS,
        silence::CHECKS,
    ];
    let start = [
        "bus-reset-length",
        "finds-every-peripheral",
        "first-command",
        "bus-reset-pause",
        "bus-reset-margin",
    ];
    start.contains(&check.id) || groups.into_iter().flatten().any(|own| own.id == check.id)
}

/// The misbehaviours that checks are known to catch, in the same order.
pub fn quirks() -> impl Iterator<Item = &'static Quirk<BoardSetup>> {
    checks().map(|check| &check.quirk)
}

/// A misbehaviour by its name.
#[must_use]
pub fn quirk(name: &str) -> Option<&'static Quirk<BoardSetup>> {
    quirks().find(|quirk| quirk.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn names_are_unique_and_no_check_is_lost() {
        let mut ids = BTreeSet::new();
        let mut names = BTreeSet::new();
        for check in checks() {
            assert!(ids.insert(check.id), "{} twice", check.id);
            assert!(names.insert(check.quirk.name), "{} twice", check.quirk.name);
            assert!(!check.section.is_empty() && !check.advice.is_empty());
        }
        assert!(ids.len() >= 158, "{}", ids.len());
    }
}
