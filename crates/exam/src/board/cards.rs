//! Checks of what a board does with cards.

pub(super) mod sessions;
pub(super) mod vends;

use super::bench::{BoardBench, READER};
use crate::check::{Run, Seen};
use payrig_units::{Micros, words};

/// A card, a selection, and time for the rest.
fn card_sale(b: &mut BoardBench, balance: Option<i64>, item: u16) -> Micros {
    let from = b.ready();
    b.card(balance);
    b.secs(2);
    b.select(item);
    b.secs(8);
    from
}

fn said(b: &BoardBench, from: Micros, name: &str) -> Run {
    let times = b.count(from, READER, name);
    Ok(Seen::judge(
        times > 0,
        format!("{name} {times}", times = words::times(times)),
    ))
}

fn after_vend(b: &mut BoardBench, name: &str) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    said(b, from, name)
}
