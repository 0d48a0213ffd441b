//! The order of a log.

use super::Entry;
use payrig_units::Micros;

/// When an entry happened, for putting a log in order: a block by its start. [`Micros::NEVER`] where it
/// does not say.
#[must_use]
pub fn at(entry: &Entry) -> Micros {
    entry.times().map_or(Micros::NEVER, |(from, _)| from)
}

/// Puts a log in order of time. Entries of the same time stay as they are, and so do blocks, breaks and
/// garbled words of one bus: they stay in the order in which they became known, which is not that of
/// their starts where both sides spoke at once. Whoever judges the log again thus takes them in as the
/// bench did.
pub fn put_in_order(log: &mut Vec<Entry>) {
    if log.is_sorted_by_key(at) {
        return;
    }
    // The latest start on each bus so far.
    let mut latest: Vec<(Option<String>, Micros)> = Vec::new();
    let mut key = |entry: &Entry| {
        let start = at(entry);
        let (Entry::Block(_) | Entry::Break { .. } | Entry::Garbled { .. }) = entry else {
            return start;
        };
        match latest
            .iter_mut()
            .find(|(bus, _)| bus.as_deref() == entry.bus())
        {
            Some((_, known)) => {
                *known = start.max(*known);
                *known
            }
            None => {
                latest.push((entry.bus().map(str::to_owned), start));
                start
            }
        }
    };
    let mut keyed: Vec<(Micros, Entry)> = log.drain(..).map(|entry| (key(&entry), entry)).collect();
    keyed.sort_by_key(|(key, _)| *key);
    log.extend(keyed.into_iter().map(|(_, entry)| entry));
}
