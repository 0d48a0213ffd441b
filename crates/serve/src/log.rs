//! The log of a bench or an examination: the last so many of its events, by number. Who reads it never
//! holds up who writes it.

use crate::filter::Filter;
use payrig_wire::recording::Entry;
use serde_json::Value;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use tokio::sync::watch;

/// What an event is.
#[derive(Clone, Debug, PartialEq)]
#[expect(
    clippy::large_enum_variant,
    reason = "nearly all are entries: a box for each would cost more than the room of the few others"
)]
pub(crate) enum What {
    /// Something that a recording has.
    Entry(Entry),
    /// Something else: its type, and the whole of it.
    Other(&'static str, Value),
}

/// An event in its place.
#[derive(Debug)]
pub(crate) struct Logged {
    pub(crate) number: u64,
    pub(crate) what: What,
    json: OnceLock<String>,
}

impl Logged {
    /// Its type, as JSON has it.
    pub(crate) fn type_name(&self) -> &'static str {
        match &self.what {
            What::Entry(entry) => entry.type_name().unwrap_or("unknown"),
            What::Other(name, _) => name,
        }
    }

    /// As JSON: what a recording has of it, and its number. Made once, whoever asks for it.
    pub(crate) fn json(&self) -> &str {
        self.json.get_or_init(|| {
            let body = match &self.what {
                What::Entry(entry) => serde_json::to_string(entry),
                What::Other(_, value) => serde_json::to_string(value),
            };
            // An object with fields; its number comes first.
            let body = body.unwrap_or_default();
            match body.strip_prefix('{') {
                Some("}") | None => format!("{{\"number\":{}}}", self.number),
                Some(rest) => format!("{{\"number\":{},{rest}", self.number),
            }
        })
    }

    /// True when a filter wants it.
    pub(crate) fn is_wanted(&self, filter: &Filter) -> bool {
        match &self.what {
            What::Entry(entry) => filter.wants(entry),
            What::Other(name, value) => {
                let text = value.get("text").and_then(Value::as_str);
                filter.wants_other(name, text.unwrap_or_default())
            }
        }
    }
}

/// Some of a log.
#[derive(Debug, Default)]
pub(crate) struct Page {
    pub(crate) events: Vec<Arc<Logged>>,
    /// Numbers that were asked for and are no longer there.
    pub(crate) missed: Option<(u64, u64)>,
    /// The number to go on from.
    pub(crate) next: u64,
    /// Nothing follows any more.
    pub(crate) ended: bool,
}

#[derive(Debug)]
struct Kept {
    events: VecDeque<Arc<Logged>>,
    next: u64,
    ended: bool,
}

/// A log. It keeps so many events, and forgets the oldest for newer ones.
#[derive(Debug)]
pub(crate) struct Log {
    kept: Mutex<Kept>,
    most: usize,
    bell: watch::Sender<()>,
}

impl Log {
    pub(crate) fn new(most: usize) -> Self {
        Self {
            kept: Mutex::new(Kept {
                events: VecDeque::new(),
                next: 1,
                ended: false,
            }),
            most: most.max(1),
            bell: watch::Sender::new(()),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds events in order.
    pub(crate) fn add(&self, events: impl IntoIterator<Item = What>) {
        let mut kept = self.lock();
        let before = kept.next;
        for what in events {
            if kept.events.len() >= self.most {
                kept.events.pop_front();
            }
            let number = kept.next;
            kept.next += 1;
            kept.events.push_back(Arc::new(Logged {
                number,
                what,
                json: OnceLock::new(),
            }));
        }
        let any = kept.next > before;
        drop(kept);
        if any {
            self.bell.send_replace(());
        }
    }

    /// Nothing follows.
    pub(crate) fn end(&self) {
        self.lock().ended = true;
        self.bell.send_replace(());
    }

    /// It goes on after all.
    pub(crate) fn go_on(&self) {
        self.lock().ended = false;
    }

    /// The number of the next event.
    pub(crate) fn next(&self) -> u64 {
        self.lock().next
    }

    /// At most so many events from a number on.
    pub(crate) fn read(&self, from: u64, most: usize) -> Page {
        let kept = self.lock();
        let from = from.max(1);
        let count = u64::try_from(kept.events.len()).unwrap_or(u64::MAX);
        let first = kept.next.saturating_sub(count);
        let missed = (from < first).then(|| (from, first - 1));
        let skip = usize::try_from(from.saturating_sub(first)).unwrap_or(usize::MAX);
        let events: Vec<_> = kept.events.iter().skip(skip).take(most).cloned().collect();
        let next = match events.last() {
            Some(last) => last.number + 1,
            None => from.max(first),
        };
        Page {
            events,
            missed,
            ended: kept.ended && next >= kept.next,
            next,
        }
    }

    /// Rings when there may be something new.
    pub(crate) fn bell(&self) -> watch::Receiver<()> {
        self.bell.subscribe()
    }

    /// How many wait for news.
    pub(crate) fn readers(&self) -> usize {
        self.bell.receiver_count()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use payrig_units::Micros;

    fn note(text: &str) -> What {
        What::Entry(Entry::Note {
            at_us: Micros(7),
            who: None,
            text: text.to_owned(),
        })
    }

    #[test]
    fn a_log_forgets_the_oldest_and_says_which_were_missed() {
        let log = Log::new(3);
        log.add(["a", "b", "c", "d", "e"].map(note));
        let page = log.read(1, 2);
        assert_eq!(page.missed, Some((1, 2)));
        let numbers: Vec<u64> = page.events.iter().map(|e| e.number).collect();
        assert_eq!(numbers, [3, 4]);
        assert_eq!(page.next, 5);
        let rest = log.read(page.next, 10);
        assert_eq!((rest.missed, rest.events.len(), rest.next), (None, 1, 6));
        // Who asks for what is still to come is given nothing, and keeps their place.
        let ahead = log.read(9, 10);
        assert_eq!((ahead.events.len(), ahead.next), (0, 9));
    }

    #[test]
    fn an_event_is_a_line_of_a_recording_with_its_number() {
        let log = Log::new(3);
        log.add([note("hello")]);
        let page = log.read(1, 1);
        let value: Value = serde_json::from_str(page.events.first().unwrap().json()).unwrap();
        let wanted = serde_json::json!({"number": 1, "type": "note", "at_us": 7, "text": "hello"});
        assert_eq!(value, wanted);
    }

    #[test]
    fn a_log_that_has_ended_says_so_once_all_is_read() {
        let log = Log::new(3);
        log.add([note("a")]);
        log.end();
        assert!(!log.read(1, 0).ended);
        assert!(log.read(1, 1).ended);
    }
}
