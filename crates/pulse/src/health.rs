//! A line as a whole: dead, stuck, or wired the wrong way round.

use crate::finding::{PulseFinding, PulseRule, Severity};
use crate::{Edge, Level, Profile};
use payrig_units::Micros;

/// Watches how a line spends its time. Edges and time in; findings out, each kind once until the
/// line recovers.
#[derive(Clone, Debug)]
pub struct LineWatch {
    line: String,
    active: Level,
    /// A line active this long is stuck.
    stuck_after: Micros,
    started: Option<Micros>,
    level: Level,
    since: Micros,
    edges: u64,
    active_time: Micros,
    resting_time: Micros,
    stuck: bool,
    reversed: bool,
}

impl LineWatch {
    /// A watch on a line of a profile. The line is taken to be at rest until set otherwise.
    ///
    /// It counts as stuck when active for ten times the longest pulse, at least 2 s.
    #[must_use]
    pub fn new(profile: &Profile, line: &str) -> Self {
        let longest = profile
            .width_windows()
            .iter()
            .map(|w| w.max)
            .max()
            .unwrap_or_default();
        Self {
            line: line.to_owned(),
            active: profile.active,
            stuck_after: (longest * 10).max(Micros::secs(2)),
            started: None,
            level: profile.active.other(),
            since: Micros::ZERO,
            edges: 0,
            active_time: Micros::ZERO,
            resting_time: Micros::ZERO,
            stuck: false,
            reversed: false,
        }
    }

    /// Sets the level the line has when the record begins.
    pub fn start_level(&mut self, at: Micros, high: bool) {
        self.started = Some(at);
        self.level = Level::of(high);
        self.since = at;
    }

    fn account(&mut self, until: Micros) {
        let spent = until.since(self.since);
        if self.level == self.active {
            self.active_time += spent;
        } else {
            self.resting_time += spent;
        }
        self.since = self.since.max(until);
    }

    /// An edge.
    pub fn edge(&mut self, at: Micros, high: bool) -> Option<PulseFinding> {
        if self.started.is_none() {
            // What the line did before its first edge is not known.
            self.started = Some(at);
            self.since = at;
        }
        if Level::of(high) == self.level {
            return None;
        }
        let finding = self.idle(at);
        self.account(at);
        self.level = Level::of(high);
        self.edges += 1;
        self.stuck = false;
        finding
    }

    /// Time has passed without an edge. Reports a stuck line once.
    pub fn idle(&mut self, now: Micros) -> Option<PulseFinding> {
        let active_for = now.since(self.since);
        if self.level != self.active || active_for < self.stuck_after || self.stuck {
            return None;
        }
        self.stuck = true;
        let resting = self.active.other();
        let (rule, text) = if self.active_time + active_for > self.resting_time * 3 {
            if self.reversed {
                return None;
            }
            self.reversed = true;
            (
                PulseRule::LineReversed,
                format!(
                    "the line rests {}, which the profile says is a pulse: the acceptor's output is \
                     set to normally closed where the profile says normally open (or the other \
                     way round), or the line has no pull-up, or is shorted; set the output or the \
                     profile (active = \"{resting}\") the other way",
                    self.active
                ),
            )
        } else {
            (
                PulseRule::LineStuck,
                format!(
                    "the line has been {} for more than {}: no pulse is that long; look for a \
                     welded contact, a short, or an acceptor waiting to be reset",
                    self.active, self.stuck_after
                ),
            )
        };
        Some(PulseFinding {
            measured: Some(active_for),
            ..PulseFinding::new(
                Severity::Limit,
                rule,
                &self.line,
                self.since + self.stuck_after,
                text,
            )
        })
    }

    /// The record ends: a line that never moved is named, with what to check.
    pub fn finish(&mut self, now: Micros) -> Vec<PulseFinding> {
        let mut findings: Vec<_> = self.idle(now).into_iter().collect();
        self.account(now);
        if self.edges == 0 {
            findings.push(PulseFinding::new(
                Severity::Advice,
                PulseRule::LineSilent,
                &self.line,
                now,
                format!(
                    "the line never moves: it stays {}. If money was fed, check in this order: a \
                     common ground between acceptor and board; a pull-up on the line (an open \
                     collector cannot pull up by itself); the polarity (active = \"{}\"); that \
                     the inhibit lets the acceptor accept; that it is the right terminal",
                    self.level, self.active
                ),
            ));
        }
        findings
    }

    /// True when there was an edge.
    #[must_use]
    pub fn has_moved(&self) -> bool {
        self.edges > 0
    }

    /// True while the line stays active for longer than any pulse.
    #[must_use]
    pub fn is_stuck(&self) -> bool {
        self.stuck
    }

    /// When [`idle`](Self::idle) would report a stuck line.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        if self.level == self.active && !self.stuck {
            self.since + self.stuck_after
        } else {
            Micros::NEVER
        }
    }

    /// What the whole record of a line shows.
    #[must_use]
    pub fn of_record(
        profile: &Profile,
        line: &str,
        start: Option<(Micros, bool)>,
        edges: &[Edge],
        end: Micros,
    ) -> Vec<PulseFinding> {
        let mut watch = Self::new(profile, line);
        if let Some((at, high)) = start {
            watch.start_level(at, high);
        }
        let mut findings: Vec<_> = edges
            .iter()
            .filter_map(|e| watch.edge(e.at, e.high))
            .collect();
        findings.extend(watch.finish(end));
        findings
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::clean_pulses;

    fn rules(start: Option<(Micros, bool)>, edges: &[Edge], end: Micros) -> Vec<PulseRule> {
        LineWatch::of_record(&Profile::short(), "credit", start, edges, end)
            .iter()
            .map(|f| f.rule)
            .collect()
    }

    #[test]
    fn a_healthy_line_says_nothing() {
        let edges = clean_pulses(
            Level::Low,
            Micros::ms(10),
            20,
            Micros::ms(50),
            Micros::ms(50),
        );
        assert_eq!(
            rules(Some((Micros::ZERO, true)), &edges, Micros::ms(2_100)),
            []
        );
    }

    #[test]
    fn a_dead_line_is_named_with_what_to_check() {
        let found = LineWatch::of_record(&Profile::short(), "credit", None, &[], Micros::secs(9));
        assert_eq!(found[0].rule, PulseRule::LineSilent);
        for word in ["common ground", "pull-up", "polarity", "inhibit"] {
            assert!(found[0].text.contains(word));
        }
    }

    #[test]
    fn a_line_resting_active_is_reversed() {
        let mut edges = clean_pulses(
            Level::High,
            Micros::secs(3),
            5,
            Micros::ms(50),
            Micros::ms(50),
        );
        assert_eq!(
            rules(Some((Micros::ZERO, false)), &edges, Micros::secs(9)),
            [PulseRule::LineReversed]
        );
        edges.clear();
        assert_eq!(
            rules(Some((Micros::ZERO, false)), &edges, Micros::secs(9)),
            [PulseRule::LineReversed, PulseRule::LineSilent]
        );
    }

    #[test]
    fn a_line_that_stays_active_after_good_service_is_stuck() {
        let edges = [Edge {
            at: Micros::secs(60),
            high: false,
        }];
        assert_eq!(
            rules(Some((Micros::ZERO, true)), &edges, Micros::secs(63)),
            [PulseRule::LineStuck]
        );
    }
}
