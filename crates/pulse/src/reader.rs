//! From edges on a line to trains of pulses.

use crate::debounce::{CleanEdge, Debounce};
use crate::train::{Pulse, Train};
use crate::{Edge, Level, Profile};
use payrig_units::Micros;

/// What a [`TrainReader`] must know about its line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineSetup {
    /// Name of the line.
    pub line: String,
    /// The level during a pulse.
    pub active: Level,
    /// Level changes that do not hold this long are ignored.
    pub bounce: Micros,
    /// The pause that ends a train.
    pub train_gap: Micros,
    /// How far the time of any edge may be off, either way.
    pub uncertainty: Micros,
}

impl LineSetup {
    /// The set-up for a line of a profile; edges are taken to be exact.
    #[must_use]
    pub fn of(profile: &Profile, line: &str) -> Self {
        Self {
            line: line.to_owned(),
            active: profile.active,
            bounce: profile.bounce,
            train_gap: profile.train_gap,
            uncertainty: Micros::ZERO,
        }
    }

    /// The same set-up over a link whose edges may be off by `uncertainty`.
    #[must_use]
    pub fn with_uncertainty(mut self, uncertainty: Micros) -> Self {
        self.uncertainty = uncertainty;
        self
    }
}

/// Reads one line: edges and passing time in, trains out.
///
/// The result depends only on the times of the edges, not on how often [`idle`](Self::idle) is
/// called; calling it lets a train come out when it has ended instead of at the next edge. Each
/// call gives at most one train.
#[derive(Clone, Debug)]
pub struct TrainReader {
    setup: LineSetup,
    filter: Debounce,
    /// The pulse going on, with whether its start was seen, and how long it took to settle.
    open: Option<Pulse>,
    pulses: Vec<Pulse>,
    /// How far edges of the train going on may be off, beyond the set-up's own.
    doubt: Micros,
}

impl TrainReader {
    /// A reader for a line at rest.
    #[must_use]
    pub fn new(setup: LineSetup) -> Self {
        let filter = Debounce::new(setup.bounce, !setup.active.is_high());
        Self {
            setup,
            filter,
            open: None,
            pulses: Vec::new(),
            doubt: Micros::ZERO,
        }
    }

    /// The set-up it was made with.
    #[must_use]
    pub fn setup(&self) -> &LineSetup {
        &self.setup
    }

    /// Sets the level the line has when the record begins. A line that begins active begins with
    /// a pulse whose true start is not known ([`Pulse::cut`]).
    pub fn start_level(&mut self, at: Micros, high: bool) {
        self.filter.set_level(high);
        self.pulses.clear();
        self.open = (Level::of(high) == self.setup.active).then_some(Pulse {
            start: at,
            width: Micros::ZERO,
            settling: Micros::ZERO,
            cut: true,
        });
    }

    /// An edge. Gives the train that had ended before it, if any.
    pub fn edge(&mut self, at: Micros, high: bool) -> Option<Train> {
        let clean = self.filter.edge(Edge { at, high });
        self.advance(clean, at)
    }

    /// An edge whose own time may be off by `uncertainty` either way. A train is as uncertain as the
    /// worst of its edges.
    pub fn edge_within(&mut self, at: Micros, high: bool, uncertainty: Micros) -> Option<Train> {
        let ended = self.edge(at, high);
        self.doubt = self.doubt.max(uncertainty);
        ended
    }

    /// Time has passed without an edge. Gives the train that has ended, if any.
    pub fn idle(&mut self, now: Micros) -> Option<Train> {
        let clean = self.filter.idle(now);
        self.advance(clean, now)
    }

    fn advance(&mut self, clean: Option<CleanEdge>, now: Micros) -> Option<Train> {
        let mut ended = None;
        if let Some(CleanEdge { edge, settling }) = clean {
            if Level::of(edge.high) == self.setup.active {
                if self.pauses_at(edge.at) {
                    ended = self.close();
                }
                self.open = Some(Pulse {
                    start: edge.at,
                    width: Micros::ZERO,
                    settling,
                    cut: false,
                });
            } else if let Some(mut pulse) = self.open.take() {
                pulse.width = edge.at.since(pulse.start);
                self.pulses.push(pulse);
            }
        }
        // A change that has not settled yet may still turn out to be a pulse in time.
        let quiet_until = self.filter.unsettled_since().unwrap_or(now);
        if ended.is_none() && self.open.is_none() && self.pauses_at(quiet_until) {
            ended = self.close();
        }
        ended
    }

    fn pauses_at(&self, at: Micros) -> bool {
        self.pulses
            .last()
            .is_some_and(|last| at.since(last.end()) >= self.setup.train_gap)
    }

    fn close(&mut self) -> Option<Train> {
        if self.pulses.is_empty() {
            return None;
        }
        Some(Train {
            line: self.setup.line.clone(),
            pulses: std::mem::take(&mut self.pulses),
            glitches: self.filter.take_glitches(),
            uncertainty: self.setup.uncertainty.max(std::mem::take(&mut self.doubt)),
        })
    }

    /// The record ends: whatever is going on comes out. A pulse still on is marked
    /// [`cut`](Pulse::cut).
    pub fn finish(&mut self, now: Micros) -> Vec<Train> {
        let mut trains = Vec::new();
        trains.extend(self.idle(now));
        // The record may end before the last change has had the time to settle.
        let settle_by = self.filter.next_deadline();
        if settle_by != Micros::NEVER {
            let clean = self.filter.idle(settle_by);
            trains.extend(self.advance(clean, now));
        }
        if let Some(mut pulse) = self.open.take() {
            pulse.width = now.since(pulse.start);
            pulse.cut = true;
            self.pulses.push(pulse);
        }
        trains.extend(self.close());
        trains
    }

    /// Excursions too short for a pulse that no train holds yet.
    pub fn take_glitches(&mut self) -> u32 {
        self.filter.take_glitches()
    }

    /// Since when a pulse has been going on, if one is.
    #[must_use]
    pub fn active_since(&self) -> Option<Micros> {
        self.open.map(|p| p.start)
    }

    /// Start of the train going on, if one is.
    #[must_use]
    pub fn train_start(&self) -> Option<Micros> {
        let pending = self.filter.unsettled_since();
        let first = self.pulses.first().or(self.open.as_ref());
        first.map(|p| p.start).or(pending)
    }

    /// Whole pulses of the train going on.
    #[must_use]
    pub fn pulses_so_far(&self) -> usize {
        self.pulses.len()
    }

    /// When [`idle`](Self::idle) can next give something; [`Micros::NEVER`] when only an edge can.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        let train_end = match (&self.open, self.pulses.last()) {
            (None, Some(last)) => last.end() + self.setup.train_gap,
            _ => Micros::NEVER,
        };
        self.filter.next_deadline().min(train_end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::clean_pulses;
    use proptest::prelude::*;

    fn reader() -> TrainReader {
        TrainReader::new(LineSetup::of(&Profile::short(), "credit"))
    }

    fn read(edges: &[Edge], end: Micros) -> Vec<Train> {
        let mut reader = reader();
        let mut trains: Vec<_> = edges
            .iter()
            .filter_map(|e| reader.edge(e.at, e.high))
            .collect();
        trains.extend(reader.finish(end));
        trains
    }

    #[test]
    fn a_pause_as_long_as_the_train_gap_ends_a_train() {
        let ms = Micros::ms;
        let mut edges = clean_pulses(Level::Low, ms(10), 3, ms(50), ms(50));
        edges.extend(clean_pulses(Level::Low, ms(260 + 300), 2, ms(50), ms(50)));
        let trains = read(&edges, Micros::secs(2));
        assert_eq!(trains.iter().map(Train::count).collect::<Vec<_>>(), [3, 2]);
        edges.truncate(6);
        edges.extend(clean_pulses(Level::Low, ms(260 + 299), 2, ms(50), ms(50)));
        assert_eq!(read(&edges, Micros::secs(2)).len(), 1);
    }

    #[test]
    fn an_idle_line_gives_its_train_when_the_gap_has_passed() {
        let mut reader = reader();
        for edge in clean_pulses(
            Level::Low,
            Micros::ms(10),
            2,
            Micros::ms(50),
            Micros::ms(50),
        ) {
            assert_eq!(reader.edge(edge.at, edge.high), None);
        }
        let settles = reader.next_deadline();
        assert_eq!(settles, Micros::ms(161));
        assert_eq!(reader.idle(settles), None);
        assert_eq!(reader.next_deadline(), Micros::ms(460));
        assert_eq!(reader.idle(Micros(459_999)), None);
        assert_eq!(reader.idle(Micros::ms(460)).unwrap().count(), 2);
        assert_eq!(reader.next_deadline(), Micros::NEVER);
    }

    #[test]
    fn pulses_at_the_ends_of_a_record_are_marked_cut() {
        let mut reader = reader();
        reader.start_level(Micros::ZERO, false);
        assert_eq!(reader.edge(Micros::ms(30), true), None);
        assert_eq!(reader.edge(Micros::ms(80), false), None);
        let trains = reader.finish(Micros::ms(90));
        let [train] = trains.as_slice() else {
            panic!("{trains:?}")
        };
        assert_eq!(train.widths(), [Micros::ms(30), Micros::ms(10)]);
        assert!(train.pulses.iter().all(|p| p.cut));
    }

    proptest! {
        #[test]
        fn idle_calls_change_nothing(
            steps in proptest::collection::vec((0u64..400_000, any::<bool>(), any::<bool>()), 0..60)
        ) {
            let (mut quiet, mut chatty) = (reader(), reader());
            let (mut one, mut two) = (Vec::new(), Vec::new());
            let mut now = Micros::ZERO;
            for (step, high, poke) in steps {
                if poke {
                    two.extend(chatty.idle(now + Micros(step / 2)));
                }
                now += Micros(step);
                one.extend(quiet.edge(now, high));
                two.extend(chatty.edge(now, high));
            }
            one.extend(quiet.finish(now + Micros::secs(1)));
            two.extend(chatty.idle(now + Micros::secs(1)));
            two.extend(chatty.finish(now + Micros::secs(1)));
            // A glitch may be booked on the train before or after it; pulses may not differ.
            let pulses = |t: &[Train]| t.iter().map(|t| t.pulses.clone()).collect::<Vec<_>>();
            prop_assert_eq!(pulses(&one), pulses(&two));
        }

        #[test]
        fn any_edges_are_read_without_panic(
            edges in proptest::collection::vec((any::<u64>(), any::<bool>()), 0..60), end: u64
        ) {
            let edges: Vec<_> = edges.into_iter().map(|(at, high)| Edge { at: Micros(at), high }).collect();
            for train in read(&edges, Micros(end)) {
                prop_assert!(train.count() > 0);
                prop_assert_eq!(train.gaps().len() + 1, train.count());
            }
        }
    }
}
