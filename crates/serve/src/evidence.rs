//! What an answer rests on: the events since it was waited for.

use crate::log::{Log, Logged, What};
use payrig_bench::Bench;
use payrig_mdb::{Typed, bill, cashless, changer};
use payrig_units::Micros;
use payrig_wire::recording::{Entry, at, put_in_order};
use serde_json::Value;
use std::sync::Arc;

/// The events since a moment, as far as they say something.
#[derive(Debug, Default)]
pub(crate) struct Evidence {
    /// Numbered events, oldest first.
    pub(crate) events: Vec<Arc<Logged>>,
    /// What is known and not in its place yet: it has no number.
    pub(crate) unsettled: Vec<Value>,
    /// Events that were left out: more than were asked for, or forgotten.
    pub(crate) left_out: u64,
}

/// Collects it: at most so many events, the last ones. Polls and bare acknowledgements are no evidence.
pub(crate) fn since(bench: &Bench, log: &Log, from: u64, began: Micros, most: usize) -> Evidence {
    let mut unsettled: Vec<Entry> = bench.unsettled().to_vec();
    if most > 0 && !bench.ended() {
        unsettled.extend(under_way(bench));
    }
    unsettled.retain(|entry| !is_idle(entry) && at(entry) >= began);
    put_in_order(&mut unsettled);
    let mut left_out = 0;
    let over = unsettled.len().saturating_sub(most);
    unsettled.drain(..over);
    let room = most.saturating_sub(unsettled.len());
    let page = log.read(from, usize::MAX);
    if let Some((first, last)) = page.missed {
        left_out += last + 1 - first;
    }
    let mut events = page.events;
    events.retain(|event| !matches!(&event.what, What::Entry(entry) if is_idle(entry)));
    let more = events.len().saturating_sub(room);
    events.drain(..more);
    left_out += u64::try_from(over + more).unwrap_or(u64::MAX);
    let json = |entry: &Entry| serde_json::to_value(entry).unwrap_or_default();
    Evidence {
        events,
        unsettled: unsettled.iter().map(json).collect(),
        left_out,
    }
}

/// Blocks that are on their way, as far as they came: what they caused may be what was waited for. They are
/// complete for the log with what follows them.
fn under_way(bench: &Bench) -> Vec<Entry> {
    let mut fork = bench.clone();
    fork.close();
    let known = bench.unsettled();
    let new = |entry: &Entry| matches!(entry, Entry::Block(_)) && !known.contains(entry);
    fork.take_entries().filter(new).collect()
}

/// A poll, or an ACK that says nothing more.
fn is_idle(entry: &Entry) -> bool {
    let Entry::Block(block) = entry else {
        return false;
    };
    match block.message() {
        Some(
            Typed::Ack
            | Typed::ChangerCommand(changer::Command::Poll)
            | Typed::BillCommand(bill::Command::Poll),
        ) => true,
        Some(Typed::CashlessCommand(command)) => command.kind == cashless::Kind::Poll,
        _ => false,
    }
}
