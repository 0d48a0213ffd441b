//! A whole line at once: from its edges to trains, verdicts and findings, with no profile known
//! beforehand.

use crate::finding::{PulseFinding, PulseRule, Severity};
use crate::health::LineWatch;
use crate::judge::{Judgement, judge, nearest_profile};
use crate::{Edge, Level, LineSetup, Profile, Train, TrainReader, Verdict};
use payrig_units::Micros;
use serde::{Deserialize, Serialize};

/// A line's record.
///
/// ```
/// use payrig_pulse::{Edge, LineRecord, Profile, survey};
/// use payrig_units::Micros;
///
/// let edges: Vec<Edge> = [(100, false), (150, true), (200, false), (250, true)]
///     .map(|(ms, high)| Edge { at: Micros::ms(ms), high })
///     .to_vec();
/// let record = LineRecord {
///     line: "credit",
///     start: (Micros::ZERO, true),
///     edges: &edges,
///     end: Micros::secs(2),
///     uncertainty: Micros::ZERO,
/// };
/// let found = survey(&record, &Profile::all());
/// assert_eq!(found.trains[0].train.count(), 2);
/// assert_eq!(found.trains[0].profile.as_deref(), Some("short"));
/// ```
#[derive(Clone, Copy, Debug)]
pub struct LineRecord<'a> {
    /// Name of the line.
    pub line: &'a str,
    /// When the record begins, and the level then (true for high).
    pub start: (Micros, bool),
    /// The edges, in order.
    pub edges: &'a [Edge],
    /// When the record ends.
    pub end: Micros,
    /// How far the time of any edge may be off, either way.
    pub uncertainty: Micros,
}

/// A train as `payrig read --format json` prints it, but for the `type` field.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TrainReport {
    /// Name of the line.
    pub line: String,
    /// Start of the first pulse.
    pub start_us: Micros,
    /// How many pulses.
    pub pulses: usize,
    /// The width of every pulse.
    pub widths_us: Vec<Micros>,
    /// Every pause.
    pub gaps_us: Vec<Micros>,
    /// Name of the nearest profile that fits, or `none`.
    pub profile: String,
    /// Name of the profile the findings are judged by: the nearest one.
    pub nearest: String,
    /// Excursions too short for a pulse that were ignored.
    pub glitches: u32,
}

/// A train with what was found about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Surveyed {
    /// The train.
    pub train: Train,
    /// Its verdict by the nearest profile.
    pub judgement: Judgement,
    /// The nearest profile that fits.
    pub profile: Option<String>,
}

impl Surveyed {
    /// The train as it is reported.
    #[must_use]
    pub fn report(&self) -> TrainReport {
        TrainReport {
            line: self.train.line.clone(),
            start_us: self.train.start(),
            pulses: self.train.count(),
            widths_us: self.train.widths(),
            gaps_us: self.train.gaps(),
            profile: self.profile.clone().unwrap_or_else(|| "none".to_owned()),
            nearest: self.judgement.profile.clone(),
            glitches: self.train.glitches,
        }
    }
}

/// What a line's record shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Survey {
    /// The level that was taken for a pulse.
    pub active: Level,
    /// The trains, in order.
    pub trains: Vec<Surveyed>,
    /// What was found about trains and line, in order of time.
    pub findings: Vec<PulseFinding>,
}

fn read(record: &LineRecord<'_>, setup: LineSetup) -> Vec<Train> {
    if record.edges.is_empty() {
        // A line that never moves has no pulses, whatever its level.
        return Vec::new();
    }
    let mut reader = TrainReader::new(setup);
    reader.start_level(record.start.0, record.start.1);
    let mut trains: Vec<Train> = record
        .edges
        .iter()
        .filter_map(|e| reader.edge(e.at, e.high))
        .collect();
    trains.extend(reader.finish(record.end));
    trains
}

/// Reads a whole line and judges each train against the nearest of `profiles`.
///
/// The line is read by the active level of the first profile, unless it rests at that level more
/// than three quarters of the time and the other way round gives trains that fit: then it is read
/// that way, and said to be reversed. Bounce time and train gap are the longest of the profiles'.
/// Without profiles nothing is read.
#[must_use]
pub fn survey(record: &LineRecord<'_>, profiles: &[Profile]) -> Survey {
    let Some(first) = profiles.first() else {
        return Survey {
            active: Level::default(),
            trains: Vec::new(),
            findings: Vec::new(),
        };
    };
    let longest = |of: fn(&Profile) -> Micros| profiles.iter().map(of).max().unwrap_or_default();
    let setup = |active| LineSetup {
        line: record.line.to_owned(),
        active,
        bounce: longest(|p| p.bounce),
        train_gap: longest(|p| p.train_gap),
        uncertainty: record.uncertainty,
    };
    let fit = |train: &Train| {
        profiles
            .iter()
            .filter(|p| judge(train, p).verdict() != Verdict::Fail)
            .min_by_key(|p| crate::judge::distance(train, p))
    };
    let mut active = first.active;
    let mut trains = read(record, setup(active));
    let mut findings = Vec::new();
    if mostly(record, active) {
        let other = read(record, setup(active.other()));
        let whole = |train: &Train| train.pulses.iter().all(|p| !p.cut);
        if other
            .iter()
            .any(|train| whole(train) && fit(train).is_some())
        {
            findings.push(PulseFinding::new(
                Severity::Limit,
                PulseRule::LineReversed,
                record.line,
                record.start.0,
                format!(
                    "the line rests {active} and its pulses are {}, the other way round than \
                     profile {} says: the acceptor's output is set to normally closed where the \
                     profile says normally open, or the profile should say active = \"{}\"",
                    active.other(),
                    first.name,
                    active.other()
                ),
            ));
            active = active.other();
            trains = other;
        }
    }
    let mut watched = first.clone();
    watched.active = active;
    let health = LineWatch::of_record(
        &watched,
        record.line,
        Some(record.start),
        record.edges,
        record.end,
    );
    findings.extend(health);
    let trains: Vec<Surveyed> = trains
        .into_iter()
        .filter_map(|train| {
            let judgement = judge(&train, nearest_profile(&train, profiles)?);
            let profile = fit(&train).map(|p| p.name.clone());
            Some(Surveyed {
                train,
                judgement,
                profile,
            })
        })
        .collect();
    findings.extend(
        trains
            .iter()
            .flat_map(|t| t.judgement.findings.iter().cloned()),
    );
    findings.sort_by_key(|f| f.at);
    Survey {
        active,
        trains,
        findings,
    }
}

/// True when a line spends more than three quarters of its record at a level.
fn mostly(record: &LineRecord<'_>, level: Level) -> bool {
    let (mut since, high) = record.start;
    let mut now = Level::of(high);
    let mut spent = Micros::ZERO;
    let end = Edge {
        at: record.end,
        high: !level.is_high(),
    };
    for edge in record.edges.iter().chain([&end]) {
        if now == level {
            spent += edge.at.since(since);
        }
        since = edge.at;
        now = Level::of(edge.high);
    }
    Micros(spent.0 / 3) > record.end.since(record.start.0).since(spent)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::clean_pulses;

    fn record(edges: &[Edge], high: bool, end: u64) -> LineRecord<'_> {
        LineRecord {
            line: "credit",
            start: (Micros::ZERO, high),
            edges,
            end: Micros::ms(end),
            uncertainty: Micros::ZERO,
        }
    }

    #[test]
    fn a_reversed_line_is_read_and_named() {
        let ms = Micros::ms;
        let edges = clean_pulses(Level::High, ms(2_000), 3, ms(150), ms(150));
        let found = survey(&record(&edges, false, 6_000), &Profile::all());
        assert_eq!(found.active, Level::High);
        let rules: Vec<_> = found.findings.iter().map(|f| f.rule).collect();
        assert_eq!(rules, [PulseRule::LineReversed]);
        assert_eq!(found.trains[0].report().profile, "long");
    }

    #[test]
    fn a_stuck_line_is_not_called_reversed() {
        let edges = [Edge {
            at: Micros::ms(100),
            high: false,
        }];
        let found = survey(&record(&edges, true, 9_000), &Profile::all());
        assert_eq!(found.active, Level::Low);
        assert!(found.findings.iter().all(|f| f.rule != PulseRule::PulseGap));
        assert!(found.findings.iter().any(|f| f.is_limit()));
    }

    #[test]
    fn a_busy_line_is_not_called_reversed() {
        let ms = Micros::ms;
        let edges = clean_pulses(Level::Low, ms(1), 20, ms(50), ms(50));
        let found = survey(&record(&edges, true, 1_951), &Profile::all());
        assert_eq!(found.findings, []);
        assert_eq!(found.trains.len(), 1);
    }

    #[test]
    fn a_report_has_the_fields_of_the_reader() {
        let ms = Micros::ms;
        let edges = clean_pulses(Level::Low, ms(10), 2, ms(38), ms(50));
        let found = survey(&record(&edges, true, 1_000), &Profile::all());
        let json = serde_json::to_value(found.trains[0].report()).unwrap();
        assert_eq!(json["start_us"], 10_000);
        assert_eq!(json["widths_us"], serde_json::json!([38_000, 38_000]));
        assert_eq!(json["profile"], "none");
        assert_eq!(json["nearest"], "short");
    }
}
