//! A virtual two-line bus: one master, any number of peripherals, time as a value.

use crate::fault::FaultInjector;
use payrig_units::Micros;
use payrig_wire::{BusEvent, Source, TimedWord, Transmission, WORD_TIME};
use std::collections::VecDeque;

/// What came off the bus, at its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Heard {
    /// The event, as a tap on the wire sees it.
    pub event: BusEvent,
    /// False when a fault keeps it from the other side (a tap still sees it).
    pub reaches_peer: bool,
}

/// The bus. Senders hand over [`Transmission`]s; [`VirtualBus::pop`] gives every word at the moment
/// it is complete, which is when a UART would.
///
/// Start times and pauses vary by up to the bus's jitter, from a seeded generator: the same seed
/// gives the same bus.
#[derive(Clone, Debug)]
pub struct VirtualBus {
    random: fastrand::Rng,
    jitter: Micros,
    /// End of the last thing placed on each line.
    busy_until: [Micros; 2],
    /// What is not complete yet, by its end; what ends at the same time is in the order of placing.
    pending: VecDeque<(Micros, Heard)>,
}

impl VirtualBus {
    /// A silent bus.
    #[must_use]
    pub fn new(seed: u64, jitter: Micros) -> Self {
        Self {
            random: fastrand::Rng::with_seed(seed),
            jitter,
            busy_until: [Micros::ZERO; 2],
            pending: VecDeque::new(),
        }
    }

    /// Passes a transmission through faults and places what is left of it on its sender's line.
    /// Returns when it ends, the time given when nothing was sent.
    pub fn transmit_through(
        &mut self,
        faults: &mut FaultInjector,
        source: Source,
        transmission: Transmission,
    ) -> Micros {
        let asked = match &transmission {
            Transmission::Words { at, .. } | Transmission::Break { at, .. } => *at,
        };
        let injected = faults.pass(source, transmission);
        let sent = injected.sent;
        sent.map_or(asked, |sent| self.transmit(source, sent, injected.heard))
    }

    /// Places a transmission on its sender's line; `reaches_peer` is false when a fault keeps it from
    /// the other side. Returns when it ends.
    pub fn transmit(
        &mut self,
        source: Source,
        transmission: Transmission,
        reaches_peer: bool,
    ) -> Micros {
        match transmission {
            Transmission::Break { at, length } => {
                let start = at.max(self.line_free(source));
                let end = start + length;
                let uncertainty = Micros::ZERO;
                let event = BusEvent::Break {
                    start,
                    end,
                    source,
                    uncertainty,
                };
                self.place(
                    source,
                    end,
                    Heard {
                        event,
                        reaches_peer,
                    },
                );
                end
            }
            Transmission::Words { at, words, gap } => {
                let mut start = at + self.shiver();
                let mut end = start;
                for word in words {
                    end = start + WORD_TIME;
                    let uncertainty = Micros::ZERO;
                    let word = TimedWord {
                        start,
                        end,
                        source,
                        word,
                        uncertainty,
                    };
                    if start < self.line_free(source) {
                        self.collide(word);
                    } else {
                        self.place(
                            source,
                            end,
                            Heard {
                                event: BusEvent::Word(word),
                                reaches_peer,
                            },
                        );
                    }
                    start = end + gap + self.shiver();
                }
                end
            }
        }
    }

    /// When the next event is complete.
    #[must_use]
    pub fn next(&self) -> Micros {
        self.pending.front().map_or(Micros::NEVER, |(at, _)| *at)
    }

    /// The next event that is complete by `now`.
    pub fn pop(&mut self, now: Micros) -> Option<Heard> {
        if self.next() > now {
            return None;
        }
        self.pending.pop_front().map(|(_, heard)| heard)
    }

    fn shiver(&mut self) -> Micros {
        Micros(self.random.u64(0..=self.jitter.as_us()))
    }

    fn line_free(&self, source: Source) -> Micros {
        match source {
            Source::Master => self.busy_until[0],
            Source::Peripheral => self.busy_until[1],
        }
    }

    fn place(&mut self, source: Source, end: Micros, heard: Heard) {
        let line = match source {
            Source::Master => &mut self.busy_until[0],
            Source::Peripheral => &mut self.busy_until[1],
        };
        *line = (*line).max(end);
        // Nearly always the last: one side speaks at a time.
        let later = self.pending.iter().rev().take_while(|(at, _)| *at > end);
        let place = self.pending.len() - later.count();
        self.pending.insert(place, (end, heard));
    }

    /// Two senders on one line at once: what overlaps is garbled.
    fn collide(&mut self, word: TimedWord) {
        let mut garbled = (word.start, word.end);
        for (_, heard) in &mut self.pending {
            if let BusEvent::Word(other) = heard.event
                && other.source == word.source
                && other.end > word.start
                && other.start < word.end
            {
                let (start, end, source) = (other.start, other.end, other.source);
                heard.event = BusEvent::Garbled { start, end, source };
                garbled.0 = garbled.0.max(end);
            }
        }
        if garbled.1 > garbled.0 {
            let (start, end, source) = (garbled.0, garbled.1, word.source);
            let event = BusEvent::Garbled { start, end, source };
            self.place(
                word.source,
                end,
                Heard {
                    event,
                    reaches_peer: true,
                },
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::Word;

    fn words(at: u64) -> Transmission {
        let words = vec![Word::marked(0x0B), Word::plain(0x0B)];
        Transmission::Words {
            at: Micros(at),
            words,
            gap: Micros(100),
        }
    }

    #[test]
    fn a_word_comes_off_the_bus_when_it_is_complete() {
        let mut bus = VirtualBus::new(1, Micros::ZERO);
        let end = bus.transmit(Source::Master, words(50), true);
        assert_eq!(end, Micros(50 + 2 * 1_146 + 100));
        assert_eq!(bus.next(), Micros(50 + 1_146));
        assert_eq!(bus.pop(Micros(1_195)), None);
        assert!(bus.pop(Micros(1_196)).is_some());
    }

    #[test]
    fn the_same_seed_gives_the_same_bus() {
        let run = |seed| {
            let mut bus = VirtualBus::new(seed, Micros(300));
            for i in 0..50 {
                bus.transmit(Source::Master, words(i * 10_000), true);
            }
            std::iter::from_fn(move || bus.pop(Micros::NEVER)).collect::<Vec<_>>()
        };
        assert_eq!(run(7), run(7));
        assert_ne!(run(7), run(8));
    }

    #[test]
    fn two_senders_at_once_are_garbled() {
        let mut bus = VirtualBus::new(1, Micros::ZERO);
        bus.transmit(Source::Peripheral, words(0), true);
        bus.transmit(Source::Peripheral, words(600), true);
        let events: Vec<_> = std::iter::from_fn(|| bus.pop(Micros::NEVER)).collect();
        assert!(
            events
                .iter()
                .all(|h| matches!(h.event, BusEvent::Garbled { .. })),
            "{events:?}"
        );
    }
}
