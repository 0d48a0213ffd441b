//! The picture of the user's guide: what an invented board makes of pulse widths and pauses.

use payrig_pulse::{BoardWindow, Level, Map, Profile, SweepPlan, sweep};
use payrig_report::board_map;
use payrig_units::{Micros, Money};

/// `docs/src/pulse-board-map.svg`.
pub fn picture() -> String {
    let title = "A board that counts 30 to 120 ms, five pulses per unit";
    board_map(&map(), title, &Profile::all())
}

/// A board that takes the short and the medium profile, ignores the long one, and drops part of a
/// unit when a train falls apart.
pub fn map() -> Map {
    let ms = Micros::ms;
    let board = BoardWindow {
        active: Level::Low,
        min_on: ms(30),
        max_on: ms(120),
        min_off: ms(30),
        train_timeout: ms(160),
        pulses: 5,
        unit: Money(500),
        carry: false,
    };
    let mut plan = SweepPlan::square(ms(5), ms(200), ms(5));
    plan.jitter = ms(2);
    sweep(&board, &plan)
}
