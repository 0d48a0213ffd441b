//! The board's half of a pulse link: edges in, credits and findings out.

use crate::credit::{Credit, Doubt};
use crate::finding::{PulseFinding, PulseRule, Severity};
use crate::health::LineWatch;
use crate::judge::judge;
use crate::{Level, LineSetup, Profile, Train, TrainReader, Verdict};
use payrig_units::{Micros, Money, words};

/// Counts credit on all lines of a profile.
///
/// - A pulse of the right width counts, whatever the pauses beside it: a wrong pause is a finding,
///   but the count is certain.
/// - A pulse whose width is proved wrong does not count (or does: [`Doubt`]), and is a finding.
///   One too near the limit to tell counts, and is advice.
/// - Pulses that make no whole unit are carried to the next train, and are a finding, so four
///   pulses per dollar cut after three by a power loss are still a dollar when the fourth comes.
/// - Money that comes in while the acceptor is inhibited counts, since it was taken, and is a
///   finding.
#[derive(Clone, Debug)]
pub struct CreditCounter {
    profile: Profile,
    doubt: Doubt,
    lines: Vec<(TrainReader, LineWatch)>,
    inhibited_since: Option<Micros>,
    carried: u64,
    total: Money,
    credits: Vec<Credit>,
    findings: Vec<PulseFinding>,
    trains: Vec<Train>,
    strangers: Vec<String>,
}

impl CreditCounter {
    /// A counter for all lines of a profile, over a link whose edges may be off by `uncertainty`
    /// either way.
    #[must_use]
    pub fn new(profile: Profile, uncertainty: Micros) -> Self {
        let lines = profile
            .lines()
            .into_iter()
            .map(|line| {
                let setup = LineSetup::of(&profile, line).with_uncertainty(uncertainty);
                (TrainReader::new(setup), LineWatch::new(&profile, line))
            })
            .collect();
        Self {
            profile,
            doubt: Doubt::default(),
            lines,
            inhibited_since: None,
            carried: 0,
            total: Money::ZERO,
            credits: Vec::new(),
            findings: Vec::new(),
            trains: Vec::new(),
            strangers: Vec::new(),
        }
    }

    /// The same counter with another way with pulses of the wrong width.
    #[must_use]
    pub fn with_doubt(mut self, doubt: Doubt) -> Self {
        self.doubt = doubt;
        self
    }

    /// The profile it counts by.
    #[must_use]
    pub fn profile(&self) -> &Profile {
        &self.profile
    }

    /// Sets the level a line has when the record begins.
    pub fn start_level(&mut self, line: &str, at: Micros, high: bool) {
        for (reader, watch) in self
            .lines
            .iter_mut()
            .filter(|(r, _)| r.setup().line == line)
        {
            reader.start_level(at, high);
            watch.start_level(at, high);
        }
    }

    /// An edge on a line: a credit line, or the profile's inhibit line.
    pub fn edge(&mut self, line: &str, at: Micros, high: bool) {
        self.edge_within(line, at, high, Micros::ZERO);
    }

    /// The same with an edge whose own time may be off by `uncertainty` either way.
    pub fn edge_within(&mut self, line: &str, at: Micros, high: bool, uncertainty: Micros) {
        let mut ended = Vec::new();
        let mut known = false;
        for (reader, watch) in self
            .lines
            .iter_mut()
            .filter(|(r, _)| r.setup().line == line)
        {
            known = true;
            ended.extend(reader.edge_within(at, high, uncertainty));
            self.findings.extend(watch.edge(at, high));
        }
        if line == self.profile.inhibit.line {
            self.inhibit(at, Level::of(high) == self.profile.inhibit.inhibits);
        } else if !known && !self.strangers.iter().any(|s| s == line) {
            self.strangers.push(line.to_owned());
            self.findings.push(PulseFinding::new(
                Severity::Advice,
                PulseRule::LineUnknown,
                line,
                at,
                format!(
                    "this line moves but profile {} has only: {}; nothing on it is credited",
                    self.profile.name,
                    self.profile.lines().join(", ")
                ),
            ));
        }
        for train in ended {
            self.train(at, train);
        }
    }

    /// The acceptor is held off from now on, or released.
    pub fn inhibit(&mut self, at: Micros, on: bool) {
        if on {
            self.inhibited_since.get_or_insert(at);
        } else {
            self.settle_until(at);
            self.inhibited_since = None;
        }
    }

    /// A train that began while inhibited must be judged before the inhibit is forgotten.
    fn settle_until(&mut self, at: Micros) {
        let Some(since) = self.inhibited_since else {
            return;
        };
        let latest = since + self.profile.inhibit.silence;
        let started: Vec<(String, Micros)> = self
            .lines
            .iter()
            .filter_map(|(r, _)| Some((r.setup().line.clone(), r.train_start()?)))
            .filter(|(_, start)| *start > latest && *start < at)
            .collect();
        for (line, start) in started {
            self.while_inhibited(&line, start, since);
        }
    }

    fn while_inhibited(&mut self, line: &str, start: Micros, since: Micros) {
        let text = format!(
            "a train starts {} after the inhibit (allowed until {} after it): check the polarity \
             of the inhibit and that its wire is connected",
            start.since(since),
            self.profile.inhibit.silence
        );
        let rule = PulseRule::PulseWhileInhibited;
        if !self
            .findings
            .iter()
            .any(|f| f.rule == rule && f.at == start && f.line == line)
        {
            self.findings.push(PulseFinding {
                measured: Some(start.since(since)),
                ..PulseFinding::new(Severity::Limit, rule, line, start, text)
            });
        }
    }

    /// Time has passed without an edge.
    pub fn idle(&mut self, now: Micros) {
        let mut ended = Vec::new();
        for (reader, watch) in &mut self.lines {
            ended.extend(reader.idle(now));
            self.findings.extend(watch.idle(now));
        }
        for train in ended {
            self.train(now, train);
        }
    }

    /// The record ends: trains going on are counted, lines that never moved are named.
    pub fn finish(&mut self, now: Micros) {
        let mut ended = Vec::new();
        for (reader, watch) in &mut self.lines {
            let trains = reader.finish(now);
            // A line that never moved has no pulses, whatever its level.
            ended.extend(trains.into_iter().filter(|_| watch.has_moved()));
            self.findings.extend(watch.finish(now));
            let glitches = reader.take_glitches();
            if glitches > 0 {
                self.findings.push(PulseFinding::new(
                    Severity::Advice,
                    PulseRule::PulseGlitch,
                    &reader.setup().line,
                    now,
                    format!(
                        "{} shorter than the bounce time {}, part of no train, ignored: noise, or \
                         pulses far too short",
                        words::count(glitches, "spike"),
                        self.profile.bounce
                    ),
                ));
            }
        }
        for train in ended {
            self.train(now, train);
        }
    }

    fn train(&mut self, at: Micros, train: Train) {
        let judged = judge(&train, &self.profile);
        let mut counted: Vec<Micros> = Vec::new();
        for (pulse, verdict) in train.pulses.iter().zip(&judged.widths) {
            if *verdict != Verdict::Fail || self.doubt == Doubt::Credit {
                counted.push(pulse.width);
            }
        }
        let withheld = train.count() - counted.len();
        for mut finding in judged.findings {
            if finding.rule == PulseRule::PulseWidth && finding.is_limit() {
                finding.text.push_str(&match withheld {
                    0 => "; counted all the same".to_owned(),
                    n => format!("; {n} not credited"),
                });
            }
            self.findings.push(finding);
        }
        let pulses = u64::try_from(counted.len()).unwrap_or(u64::MAX);
        let amount = self.value(&train, &counted);
        if let Some(since) = self.inhibited_since
            && train.start() > since + self.profile.inhibit.silence
        {
            self.while_inhibited(&train.line, train.start(), since);
        }
        self.total = self.total.saturating_add(amount);
        self.credits.push(Credit {
            at,
            train_start: train.start(),
            line: train.line.clone(),
            pulses,
            amount,
        });
        self.trains.push(train);
    }

    fn value(&mut self, train: &Train, counted: &[Micros]) -> Money {
        let before = self.carried;
        let worth = self.profile.worth(&train.line, counted, before);
        self.carried = worth.left_over;
        if before != 0 || worth.left_over != 0 {
            self.findings.push(PulseFinding::new(
                Severity::Limit,
                PulseRule::PulseRemainder,
                &train.line,
                train.start(),
                format!(
                    "{} counted pulses are no whole number of units: {before} carried from before, \
                     {} carried on; a pulse was lost or added, or the number of pulses per unit is \
                     set wrong",
                    counted.len(),
                    worth.left_over
                ),
            ));
        }
        worth.amount
    }

    /// Money credited since this was last asked, in order.
    pub fn take_credits(&mut self) -> Vec<Credit> {
        std::mem::take(&mut self.credits)
    }

    /// True when there is something to be taken.
    #[must_use]
    pub fn has_news(&self) -> bool {
        !(self.credits.is_empty() && self.trains.is_empty() && self.findings.is_empty())
    }

    /// What was wrong since this was last asked, in order.
    pub fn take_findings(&mut self) -> Vec<PulseFinding> {
        std::mem::take(&mut self.findings)
    }

    /// Trains as measured since this was last asked, in order of their ends.
    pub fn take_trains(&mut self) -> Vec<Train> {
        std::mem::take(&mut self.trains)
    }

    /// All money credited so far.
    #[must_use]
    pub fn total(&self) -> Money {
        self.total
    }

    /// Pulses that make no whole unit yet.
    #[must_use]
    pub fn carried(&self) -> u64 {
        self.carried
    }

    /// Start of the earliest train that is going on, on a line that is not stuck.
    #[must_use]
    pub fn open_since(&self) -> Option<Micros> {
        let going_on = self.lines.iter().filter(|(_, watch)| !watch.is_stuck());
        going_on
            .filter_map(|(reader, _)| reader.train_start())
            .min()
    }

    /// When [`idle`](Self::idle) should next be called; [`Micros::NEVER`] when only an edge can
    /// bring news.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        self.lines
            .iter()
            .map(|(r, w)| r.next_deadline().min(w.next_deadline()))
            .min()
            .unwrap_or(Micros::NEVER)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::clean_pulses;

    fn feed(counter: &mut CreditCounter, line: &str, start: u64, count: u32, on: u64, off: u64) {
        let ms = Micros::ms;
        for edge in clean_pulses(Level::Low, ms(start), count, ms(on), ms(off)) {
            counter.edge(line, edge.at, edge.high);
        }
        counter.idle(ms(start + u64::from(count) * (on + off) + 1_000));
    }

    #[test]
    fn pulses_become_money() {
        let mut counter = CreditCounter::new(Profile::short(), Micros::ZERO);
        feed(&mut counter, "credit", 10, 5, 50, 50);
        let [credit] = counter.take_credits().try_into().unwrap();
        assert_eq!((credit.pulses, credit.amount), (5, Money(500)));
        assert_eq!(counter.take_findings(), []);
        assert_eq!(counter.total(), Money(500));
    }

    #[test]
    fn a_wrong_width_is_not_credited_and_named() {
        let mut counter = CreditCounter::new(Profile::short(), Micros::ZERO);
        feed(&mut counter, "credit", 10, 5, 150, 150);
        assert_eq!(counter.total(), Money::ZERO);
        let findings = counter.take_findings();
        assert_eq!(findings[0].rule, PulseRule::PulseWidth);
        assert!(findings[0].text.contains("5 not credited"));
        let mut trusting =
            CreditCounter::new(Profile::short(), Micros::ZERO).with_doubt(Doubt::Credit);
        feed(&mut trusting, "credit", 10, 5, 150, 150);
        assert_eq!(trusting.total(), Money(500));
        assert!(
            trusting.take_findings()[0]
                .text
                .contains("counted all the same")
        );
    }

    #[test]
    fn part_of_a_unit_is_carried_and_named() {
        let profile = Profile::short().with_count(4, Money(100));
        let mut counter = CreditCounter::new(profile, Micros::ZERO);
        feed(&mut counter, "credit", 10, 3, 50, 50);
        assert_eq!((counter.total(), counter.carried()), (Money::ZERO, 3));
        feed(&mut counter, "credit", 5_000, 1, 50, 50);
        assert_eq!((counter.total(), counter.carried()), (Money(100), 0));
        let rules: Vec<_> = counter
            .take_findings()
            .into_iter()
            .map(|f| f.rule)
            .collect();
        assert_eq!(rules, [PulseRule::PulseRemainder; 2]);
    }

    #[test]
    fn money_while_inhibited_is_named() {
        let mut counter = CreditCounter::new(Profile::short(), Micros::ZERO);
        counter.edge("inhibit", Micros::ms(1), true);
        feed(&mut counter, "credit", 400, 1, 50, 50);
        assert_eq!(counter.take_findings(), []);
        feed(&mut counter, "credit", 4_000, 1, 50, 50);
        assert_eq!(
            counter.take_findings()[0].rule,
            PulseRule::PulseWhileInhibited
        );
        for edge in clean_pulses(
            Level::Low,
            Micros::ms(9_000),
            1,
            Micros::ms(50),
            Micros::ms(50),
        ) {
            counter.edge("credit", edge.at, edge.high);
        }
        counter.edge("inhibit", Micros::ms(9_100), false);
        counter.idle(Micros::secs(11));
        let findings = counter.take_findings();
        assert_eq!(findings.len(), 1, "{findings:?}");
        assert_eq!(findings[0].at, Micros::ms(9_000));
        feed(&mut counter, "credit", 12_000, 1, 50, 50);
        assert_eq!(counter.take_findings(), []);
        assert_eq!(counter.total(), Money(400));
    }

    #[test]
    fn a_line_of_no_profile_is_named_once() {
        let mut counter = CreditCounter::new(Profile::short(), Micros::ZERO);
        feed(&mut counter, "coin-9", 10, 5, 50, 50);
        let findings = counter.take_findings();
        assert_eq!(findings.len(), 1);
        assert_eq!(findings[0].rule, PulseRule::LineUnknown);
    }
}
