//! Checks of a board with readers of other levels and options, of prices, displays, refunds, and of
//! readers and cards that go away.

pub(super) mod levels;
pub(super) mod refunds;

use super::bench::BoardBench;
use payrig_units::Micros;

fn buy(b: &mut BoardBench, item: u16) -> Micros {
    let from = b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.select(item);
    b.secs(8);
    from
}
