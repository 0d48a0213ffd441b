//! The table: every check of a board, in the order in which they are done.

pub use super::check::BoardCheck;

use super::checks::{
    bills, blocks, change, coins, cuts, inhibit, levels, pulses, resets, revalue, sessions,
    silence, start, timing, tolerance, values, vends,
};
use super::setup::BoardSetup;
use crate::check::Quirk;

const GROUPS: [&[BoardCheck]; 17] = [
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
    sessions::CHECKS,
    revalue::CHECKS,
    pulses::CHECKS,
    inhibit::CHECKS,
    cuts::CHECKS,
];

/// The checks, in order.
pub fn checks() -> impl Iterator<Item = &'static BoardCheck> {
    GROUPS.into_iter().flatten()
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
        assert!(ids.len() >= 147, "{}", ids.len());
    }
}
