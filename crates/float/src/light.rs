//! The exact-change light, by the rule of payrig's own board.

use crate::need::changes_of;
use crate::{Machine, Reach};
use payrig_units::Money;

/// Would the board take this bill with nothing else in? It does when whatever can then be bought
/// leaves change that can be paid; a bill that buys nothing must be payable back.
#[must_use]
pub fn is_welcome(machine: &Machine, counts: &[u32], bill: Money) -> bool {
    if !machine.gives_change {
        return true;
    }
    let reach = Reach::of(&machine.stock_of(counts), machine.unit(), bill);
    changes_of(machine, bill).iter().all(|c| reach.pays(*c))
}

/// Is the exact-change light on? It is when the smallest bill is not welcome; a machine without
/// bills never shows it.
#[must_use]
pub fn exact_change_light(machine: &Machine, counts: &[u32]) -> bool {
    let bills = machine.guarded();
    bills
        .first()
        .is_some_and(|smallest| !is_welcome(machine, counts, *smallest))
}
