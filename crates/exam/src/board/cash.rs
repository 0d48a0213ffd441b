//! Checks of what a board does with coins and change.

pub(super) mod change;
pub(super) mod coins;

use super::BoardSetup;

/// All tubes empty.
pub(super) fn empty(s: &mut BoardSetup) {
    for coin in s.changer.coins.iter_mut().flatten() {
        if let Some(tube) = &mut coin.tube {
            tube.coins = 0;
        }
    }
}
