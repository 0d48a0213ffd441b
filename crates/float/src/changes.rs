//! The changes that a credit leads to.

use crate::Machine;
use payrig_units::Money;

/// The change due when this bill alone is put in, each amount once: one for each price it covers;
/// the whole bill where it covers none.
#[must_use]
pub fn changes_of(machine: &Machine, bill: Money) -> Vec<Money> {
    let covered = machine.prices.iter().filter(|price| **price <= bill);
    let mut changes: Vec<Money> = covered.map(|price| bill.saturating_sub(*price)).collect();
    if changes.is_empty() {
        changes.push(bill);
    }
    changes.sort_unstable();
    changes.dedup();
    changes
}
