//! Takes contact bounce and glitches off a line.

use crate::Edge;
use payrig_units::Micros;

/// A level change that held, with how long it took to settle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CleanEdge {
    /// When the level changed (first edge of the bounce), and to what.
    pub edge: Edge,
    /// From the first edge to the last one of the bounce; zero for a clean change.
    pub settling: Micros,
}

/// A filter that lets a level change pass once it has held for the bounce time, and dates it back
/// to the first edge of its bounce. What does not hold is a glitch: it changes nothing but is
/// counted.
///
/// A glitch closer to a real edge than the bounce time is taken for bounce of that edge, so a
/// time may be early by up to the bounce time.
#[derive(Clone, Debug)]
pub struct Debounce {
    hold: Micros,
    steady: bool,
    raw: bool,
    raw_since: Micros,
    /// First edge since the line was last steady.
    burst: Option<Micros>,
    last: Micros,
    glitches: u32,
}

impl Debounce {
    /// A filter for a line that rests at the given level.
    #[must_use]
    pub fn new(hold: Micros, resting_high: bool) -> Self {
        Self {
            hold,
            steady: resting_high,
            raw: resting_high,
            raw_since: Micros::ZERO,
            burst: None,
            last: Micros::ZERO,
            glitches: 0,
        }
    }

    /// Sets the level before the first edge.
    pub fn set_level(&mut self, high: bool) {
        self.steady = high;
        self.raw = high;
        self.burst = None;
    }

    /// The level the line was last steady at.
    #[must_use]
    pub fn steady(&self) -> bool {
        self.steady
    }

    /// First edge of a change that has not settled yet.
    #[must_use]
    pub fn unsettled_since(&self) -> Option<Micros> {
        self.burst
    }

    /// Excursions that did not hold, since this was last asked.
    pub fn take_glitches(&mut self) -> u32 {
        std::mem::take(&mut self.glitches)
    }

    /// A raw edge. Gives the change that had settled before it, if any. Time never runs backwards:
    /// an earlier edge counts as simultaneous with the latest.
    pub fn edge(&mut self, edge: Edge) -> Option<CleanEdge> {
        let at = edge.at.max(self.last);
        let settled = self.idle(at);
        if edge.high != self.raw {
            self.raw = edge.high;
            self.raw_since = at;
            if self.burst.is_none() {
                self.burst = Some(at);
            }
        }
        settled
    }

    /// Time has passed without an edge.
    pub fn idle(&mut self, now: Micros) -> Option<CleanEdge> {
        self.last = now.max(self.last);
        let first = self.burst?;
        if self.last.since(self.raw_since) < self.hold {
            return None;
        }
        self.burst = None;
        if self.raw == self.steady {
            self.glitches = self.glitches.saturating_add(1);
            return None;
        }
        self.steady = self.raw;
        Some(CleanEdge {
            edge: Edge {
                at: first,
                high: self.raw,
            },
            settling: self.raw_since.since(first),
        })
    }

    /// When an unsettled change will have settled.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        match self.burst {
            Some(_) => self.raw_since + self.hold,
            None => Micros::NEVER,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(edges: &[(u64, bool)]) -> (Vec<CleanEdge>, u32) {
        let mut filter = Debounce::new(Micros::ms(1), true);
        let mut out: Vec<_> = edges
            .iter()
            .filter_map(|&(at, high)| {
                filter.edge(Edge {
                    at: Micros(at),
                    high,
                })
            })
            .collect();
        out.extend(filter.idle(Micros::secs(10)));
        (out, filter.take_glitches())
    }

    #[test]
    fn bounce_is_dated_back_to_its_first_edge() {
        let (out, glitches) = run(&[(1000, false), (1120, true), (1300, false), (51_000, true)]);
        assert_eq!(glitches, 0);
        let [on, off] = out.as_slice() else {
            panic!("{out:?}")
        };
        assert_eq!((on.edge.at, on.settling), (Micros(1000), Micros(300)));
        assert_eq!((off.edge.at, off.settling), (Micros(51_000), Micros::ZERO));
    }

    #[test]
    fn glitches_are_counted_and_change_nothing() {
        let (out, glitches) = run(&[(1000, false), (1060, true), (5000, false), (5040, true)]);
        assert_eq!((out, glitches), (vec![], 2));
    }

    #[test]
    fn a_level_set_twice_is_no_edge() {
        let (out, _) = run(&[(1000, false), (2500, false), (51_000, true), (52_000, true)]);
        assert_eq!(out.len(), 2);
    }
}
