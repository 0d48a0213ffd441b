//! Words from edges: each bit is sampled in its middle, counted from the edge of the start bit.

use super::bit_time::{BitTime, PS};
use crate::rules::BREAK;
use crate::{BusEvent, Edge, Source, TimedWord};
use payrig_mdb::Word;
use payrig_units::Micros;
use serde::{Deserialize, Serialize};

/// The level of a line on which nobody speaks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum IdleLevel {
    /// As at the pins of a UART.
    #[default]
    High,
    /// As on a bus wire tapped before its optocoupler (common practice, no source).
    Low,
}

impl IdleLevel {
    /// The other one.
    #[must_use]
    pub const fn inverted(self) -> Self {
        match self {
            Self::High => Self::Low,
            Self::Low => Self::High,
        }
    }

    /// Whether a level is the active one.
    #[must_use]
    pub const fn is_active(self, high: bool) -> bool {
        high != matches!(self, Self::High)
    }
}

/// What a line said.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sampled {
    /// Words, breaks and garbled words in order of time.
    pub events: Vec<BusEvent>,
    /// Active pulses too short to be a start bit.
    pub glitches: Vec<Micros>,
}

/// A line in time: edges, with the level before the first.
struct Levels<'a> {
    edges: &'a [Edge],
    idle: IdleLevel,
    initial: bool,
    /// Edges before this index are at or before the last time asked for.
    next: usize,
}

impl Levels<'_> {
    /// Whether the line is active at `t` (picoseconds). Times asked for never decrease.
    fn active_at(&mut self, t: u128) -> bool {
        while let Some(edge) = self.edges.get(self.next) {
            if u128::from(edge.at.0) * PS > t {
                break;
            }
            self.next += 1;
        }
        self.active_now()
    }

    fn active_now(&self) -> bool {
        let before = self.next.checked_sub(1).and_then(|i| self.edges.get(i));
        self.idle.is_active(before.map_or(self.initial, |e| e.high))
    }

    /// Start of the level at the last time asked for; `None` when it has been since the beginning.
    fn since(&self) -> Option<Micros> {
        let before = self.next.checked_sub(1).and_then(|i| self.edges.get(i));
        before.map(|e| e.at)
    }

    /// Moves to the next edge to that state and gives its time.
    fn find(&mut self, active: bool) -> Option<Micros> {
        loop {
            let edge = self.edges.get(self.next)?;
            self.next += 1;
            if self.idle.is_active(edge.high) == active {
                return Some(edge.at);
            }
        }
    }
}

/// Reads a line whose level is `initial` at `start` and which was watched until `end`.
///
/// A line that is active at `start` gives a garbled word (or a break, when it lasts for 100 ms at
/// least), and reading begins once it has rested for a word. A word cut short by `end` is garbled.
#[must_use]
pub fn sample(
    edges: &[Edge],
    initial: bool,
    (start, end): (Micros, Micros),
    source: Source,
    idle: IdleLevel,
    bit: BitTime,
    uncertainty: Micros,
) -> Sampled {
    let mut line = Levels {
        edges,
        idle,
        initial,
        next: 0,
    };
    let mut out = Sampled::default();
    let held = |start: Micros, end: Micros, least: Micros| {
        if end.since(start) >= least {
            BusEvent::Break {
                start,
                end,
                source,
                uncertainty,
            }
        } else {
            BusEvent::Garbled { start, end, source }
        }
    };
    if idle.is_active(initial) {
        let until = line.find(false).unwrap_or(end);
        out.events.push(held(start, until, BREAK));
        // Rest: ten bits without an edge, as many as any word may be idle within.
        let mut rested_since = until;
        while let Some(edge) = line.edges.get(line.next) {
            if edge.at.since(rested_since) >= bit.bits(10) && idle.is_active(edge.high) {
                break;
            }
            rested_since = edge.at;
            line.next += 1;
        }
    }
    while let Some(start_bit) = line.find(true) {
        let t = |half_bits| u128::from(start_bit.0) * PS + bit.half_bits(half_bits);
        if !line.active_at(t(1)) {
            out.glitches.push(start_bit);
            continue;
        }
        if t(21) > u128::from(end.0) * PS {
            let lasts = line.active_now() && line.edges.get(line.next).is_none();
            let least = if lasts { BREAK } else { Micros::NEVER };
            out.events.push(held(start_bit, end, least));
            break;
        }
        let mut bits = 0u16;
        for i in 0..9u16 {
            if !line.active_at(t(u64::from(2 * i + 3))) {
                bits |= 1 << i;
            }
        }
        if !line.active_at(t(21)) {
            out.events.push(BusEvent::Word(TimedWord {
                start: start_bit,
                end: start_bit + bit.bits(11),
                source,
                word: Word::from_bits(bits),
                uncertainty,
            }));
            continue;
        }
        // No stop bit: a break, or a garbled word (which may run into a break).
        let since = line.since().unwrap_or(start_bit);
        let found = line.find(false);
        let until = found.unwrap_or(end);
        let least = if found.is_some() { bit.bits(22) } else { BREAK };
        let broken = held(since, until, least);
        if since > start_bit && matches!(broken, BusEvent::Break { .. }) {
            out.events.push(BusEvent::Garbled {
                start: start_bit,
                end: since,
                source,
            });
            out.events.push(broken);
        } else if since > start_bit {
            out.events.push(BusEvent::Garbled {
                start: start_bit,
                end: until,
                source,
            });
        } else {
            out.events.push(broken);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uart::encode;
    use proptest::prelude::*;

    const END: Micros = Micros::secs(3600);

    fn words_at(gaps: &[(u64, u16)], bit: BitTime) -> Vec<BusEvent> {
        let mut at = Micros(5_000);
        gaps.iter()
            .map(|(gap, bits)| {
                at += Micros(*gap);
                let start = at;
                at += bit.bits(11);
                BusEvent::Word(TimedWord {
                    start,
                    end: at,
                    source: Source::Master,
                    word: Word::from_bits(*bits),
                    uncertainty: Micros(1),
                })
            })
            .collect()
    }

    fn read(edges: &[Edge], initial: bool, end: Micros, bit: BitTime) -> Sampled {
        sample(
            edges,
            initial,
            (Micros::ZERO, end),
            Source::Master,
            IdleLevel::High,
            bit,
            Micros(1),
        )
    }

    #[test]
    fn glitches_are_no_start_bits() {
        let edges = [(1_000, false), (1_040, true)].map(|(at, high)| Edge {
            at: Micros(at),
            high,
        });
        let got = read(&edges, true, END, BitTime::NOMINAL);
        assert_eq!(got.events, []);
        assert_eq!(got.glitches, [Micros(1_000)]);
    }

    #[test]
    fn a_long_active_level_is_a_break() {
        let edges = [(1_000, false), (121_000, true)].map(|(at, high)| Edge {
            at: Micros(at),
            high,
        });
        let got = read(&edges, true, END, BitTime::NOMINAL);
        let expected = BusEvent::Break {
            start: Micros(1_000),
            end: Micros(121_000),
            source: Source::Master,
            uncertainty: Micros(1),
        };
        assert_eq!(got.events, [expected]);
    }

    #[test]
    fn a_missing_stop_bit_is_garbled() {
        let edges = [(1_000, false), (2_300, true)].map(|(at, high)| Edge {
            at: Micros(at),
            high,
        });
        let got = read(&edges, true, END, BitTime::NOMINAL);
        assert!(matches!(got.events[..], [BusEvent::Garbled { .. }]));
    }

    #[test]
    fn a_capture_cut_in_mid_word_is_garbled_at_both_ends() {
        let events = words_at(&[(0, 0x155), (20_000, 0x0AA)], BitTime::NOMINAL);
        let edges = encode(&events, Source::Master, IdleLevel::High, BitTime::NOMINAL);
        let BusEvent::Word(second) = events[1] else {
            unreachable!()
        };
        let end = second.start + Micros(500);
        let seen: Vec<Edge> = edges.into_iter().filter(|e| e.at < end).collect();
        let got = read(&seen, true, end, BitTime::NOMINAL);
        assert!(matches!(
            got.events[..],
            [BusEvent::Word(_), BusEvent::Garbled { end: e, .. }] if e == end
        ));
        let later: Vec<Edge> = seen.iter().skip(1).copied().collect();
        let got = read(&later, false, END, BitTime::NOMINAL);
        assert!(matches!(
            got.events.first(),
            Some(BusEvent::Garbled {
                start: Micros(0),
                ..
            })
        ));
    }

    proptest! {
        /// Section 3.2: senders are 1 % fast to 2 % slow; a receiver at 9600 baud reads them all.
        #[test]
        fn words_survive_the_wire(
            gaps in proptest::collection::vec((0u64..3_000, 0u16..0x200), 1..40),
            baud in 9_408u32..=9_696,
            idle in prop_oneof![Just(IdleLevel::High), Just(IdleLevel::Low)],
        ) {
            let bit = BitTime::of_baud(baud);
            let events = words_at(&gaps, bit);
            let edges = encode(&events, Source::Master, idle, bit);
            let got = sample(&edges, idle == IdleLevel::High, (Micros::ZERO, END), Source::Master,
                idle, BitTime::NOMINAL, Micros(1));
            let only = |events: &[BusEvent]| events.iter().map(|e| match e {
                BusEvent::Word(w) => (w.start, w.word),
                _ => (Micros::NEVER, Word::plain(0)),
            }).collect::<Vec<_>>();
            prop_assert_eq!(only(&got.events), only(&events));
            prop_assert!(got.glitches.is_empty());
            let exact = sample(&edges, idle == IdleLevel::High, (Micros::ZERO, END), Source::Master,
                idle, bit, Micros(1));
            prop_assert_eq!(exact.events, events);
        }

        #[test]
        fn any_edges_never_panic(
            edges in proptest::collection::vec((any::<u32>(), any::<bool>()), 0..60),
            ends in any::<(u32, u32)>(), initial: bool, bit in any::<u64>(),
        ) {
            let edges: Vec<Edge> = edges.into_iter()
                .map(|(at, high)| Edge { at: Micros(u64::from(at)), high }).collect();
            let span = (Micros(u64::from(ends.0)), Micros(u64::from(ends.1)));
            let _ = sample(&edges, initial, span, Source::Master, IdleLevel::High, BitTime(bit), Micros(1));
        }
    }
}
