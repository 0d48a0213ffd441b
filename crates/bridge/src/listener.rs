//! The bridge's ear on pulse lines: credit in, through power cuts of either side.

use payrig_pulse::{CreditCounter, Profile, PulseRule};
use payrig_units::{Micros, Money};
use std::collections::BTreeMap;

/// Money that came in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Heard {
    pub(crate) amount: Money,
    pub(crate) pulses: u64,
    /// Pulses that were there and not counted.
    pub(crate) refused: u64,
}

/// Listens to the lines of one acceptor. Its count outlasts the power.
#[derive(Clone, Debug)]
pub(crate) struct Listener {
    counter: CreditCounter,
    /// The level of each credit line and since when it has it, powered or not.
    levels: BTreeMap<String, (bool, Micros)>,
    powered: bool,
    off_since: Micros,
    /// A line stays active: no money can come in by it.
    stuck: bool,
}

impl Listener {
    pub(crate) fn new(profile: Profile) -> Self {
        Self {
            counter: CreditCounter::new(profile, Micros::ZERO),
            levels: BTreeMap::new(),
            powered: true,
            off_since: Micros::ZERO,
            stuck: false,
        }
    }

    pub(crate) fn profile(&self) -> &Profile {
        self.counter.profile()
    }

    fn hears(&self, line: &str) -> bool {
        self.profile().lines().contains(&line)
    }

    /// The level of a line when the bench begins.
    pub(crate) fn level(&mut self, now: Micros, line: &str, high: bool) {
        if self.hears(line) {
            self.levels.insert(line.to_owned(), (high, now));
            self.counter.start_level(line, now, high);
        }
    }

    pub(crate) fn edge(&mut self, now: Micros, line: &str, high: bool, uncertainty: Micros) {
        if !self.hears(line) {
            return;
        }
        self.levels.insert(line.to_owned(), (high, now));
        if self.powered {
            self.counter.edge_within(line, now, high, uncertainty);
            if high != self.profile().active.is_high() {
                self.stuck = false;
            }
            self.watch();
        }
    }

    pub(crate) fn wake(&mut self, now: Micros) {
        if self.powered && now >= self.counter.next_deadline() {
            self.counter.idle(now);
            self.watch();
        }
    }

    fn watch(&mut self) {
        for finding in self.counter.take_findings() {
            let bad = [PulseRule::LineStuck, PulseRule::LineReversed];
            self.stuck |= bad.contains(&finding.rule);
        }
    }

    pub(crate) fn is_stuck(&self) -> bool {
        self.stuck
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        match self.powered {
            true => self.counter.next_deadline(),
            false => Micros::NEVER,
        }
    }

    /// Power comes or goes.
    ///
    /// When it goes, whole pulses are counted; one that is under way is counted when it has reached
    /// the least width of the profile, as it would have been had it ended now. A sender that is cut
    /// at the same moment sends it again in the other case, so it counts once either way.
    ///
    /// When it comes back in the same pulse, the rest of that pulse is not counted.
    pub(crate) fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered {
            return;
        }
        self.powered = on;
        let active = self.profile().active.is_high();
        if !on {
            self.off_since = now;
            for (line, (high, _)) in &self.levels {
                if *high == active {
                    self.counter.edge(line, now, !active);
                }
            }
            self.counter.finish(now);
            self.counter.take_findings();
            return;
        }
        self.stuck = false;
        for (line, (high, since)) in &self.levels {
            let same_pulse = *since <= self.off_since;
            let level = if same_pulse { !active } else { *high };
            self.counter.start_level(line, now, level);
        }
    }

    /// Money since the last call, in order.
    pub(crate) fn take(&mut self) -> Vec<Heard> {
        let trains = self.counter.take_trains();
        let credits = self.counter.take_credits();
        let heard = credits
            .into_iter()
            .zip(trains)
            .map(|(credit, train)| Heard {
                amount: credit.amount,
                pulses: credit.pulses,
                refused: u64::try_from(train.count())
                    .unwrap_or(u64::MAX)
                    .saturating_sub(credit.pulses),
            });
        heard.collect()
    }

    /// Pulses that make no whole unit yet.
    pub(crate) fn carried(&self) -> u64 {
        self.counter.carried()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_pulse::{Level, clean_pulses};

    fn feed(listener: &mut Listener, start: u64, count: u32, until: u64) {
        let ms = Micros::ms;
        for edge in clean_pulses(Level::Low, ms(start), count, ms(50), ms(50)) {
            if edge.at < ms(until) {
                listener.edge(edge.at, "credit", edge.high, Micros::ZERO);
            }
        }
    }

    fn total(listener: &mut Listener, now: u64) -> i64 {
        let now = Micros::ms(now);
        while listener.next_deadline() <= now {
            let due = listener.next_deadline();
            listener.wake(due);
        }
        listener.take().iter().map(|h| h.amount.as_minor()).sum()
    }

    #[test]
    fn a_cut_in_mid_train_counts_what_was_whole() {
        for (cut, counted) in [(1_020, 0), (1_039, 0), (1_041, 1), (1_080, 1), (1_260, 3)] {
            let mut listener = Listener::new(Profile::short());
            listener.level(Micros::ZERO, "credit", true);
            feed(&mut listener, 1_000, 5, cut);
            listener.power(Micros::ms(cut), false);
            assert_eq!(
                total(&mut listener, 9_000),
                counted * 100,
                "cut at {cut} ms"
            );
        }
    }

    #[test]
    fn power_that_comes_back_in_the_same_pulse_counts_it_once() {
        let mut listener = Listener::new(Profile::short());
        listener.level(Micros::ZERO, "credit", true);
        listener.edge(Micros::ms(1_000), "credit", false, Micros::ZERO);
        listener.power(Micros::ms(1_042), false);
        listener.power(Micros::ms(1_044), true);
        listener.edge(Micros::ms(1_050), "credit", true, Micros::ZERO);
        assert_eq!(total(&mut listener, 9_000), 100);
    }

    #[test]
    fn a_stuck_line_is_noticed_and_recovers() {
        let mut listener = Listener::new(Profile::short());
        listener.level(Micros::ZERO, "credit", true);
        listener.edge(Micros::secs(60), "credit", false, Micros::ZERO);
        listener.wake(Micros::secs(63));
        assert!(listener.is_stuck());
        listener.edge(Micros::secs(70), "credit", true, Micros::ZERO);
        assert!(!listener.is_stuck());
    }
}
