//! What will a board count? Its acceptance window against pulses.

use crate::{Edge, Level, Verdict, Window};
use payrig_units::{Micros, Money};
use serde::{Deserialize, Serialize};

/// How a board counts pulses.
///
/// The model: a pulse begins when the line has been active for `min_on` (a shorter one is not
/// seen at all) and ends when it has been at rest for `min_off` (a shorter pause is not seen: the
/// pulses beside it become one). A pulse longer than `max_on` is refused. `train_timeout` after
/// the last pulse the train is credited; pulses that make no whole unit are then dropped, or
/// carried to the next train. This is how sampling firmware commonly counts (common practice, no
/// source).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
#[serde(try_from = "BoardConfig")]
pub struct BoardWindow {
    /// The level of the line during a pulse.
    pub active: Level,
    /// Shortest pulse counted.
    #[serde(rename = "min_on_us", alias = "min_on")]
    pub min_on: Micros,
    /// Longest pulse counted.
    #[serde(rename = "max_on_us", alias = "max_on")]
    pub max_on: Micros,
    /// Shortest pause seen.
    #[serde(rename = "min_off_us", alias = "min_off")]
    pub min_off: Micros,
    /// The pause after which a train is credited.
    #[serde(rename = "train_timeout_us", alias = "train_timeout")]
    pub train_timeout: Micros,
    /// Pulses per unit of money, at least 1.
    pub pulses: u32,
    /// The unit of money.
    pub unit: Money,
    /// Whether pulses that make no whole unit are carried to the next train.
    pub carry: bool,
}

/// A [`BoardWindow`] as a rig file spells it; all keys but the first three have a default.
///
/// ```toml
/// [board-window]
/// min-on-ms = 20
/// max-on-ms = 80
/// min-off-ms = 20
/// train-timeout-ms = 300
/// active = "low"
/// pulses = 1
/// unit = 100
/// carry = false
/// ```
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct BoardConfig {
    min_on_ms: u32,
    max_on_ms: u32,
    min_off_ms: u32,
    train_timeout_ms: Option<u32>,
    active: Option<Level>,
    pulses: Option<u32>,
    unit: Option<Money>,
    #[serde(default)]
    carry: bool,
}

impl TryFrom<BoardConfig> for BoardWindow {
    type Error = String;

    fn try_from(config: BoardConfig) -> Result<Self, String> {
        let ms = |n: u32| Micros::ms(n.into());
        let board = Self {
            active: config.active.unwrap_or_default(),
            min_on: ms(config.min_on_ms),
            max_on: ms(config.max_on_ms),
            min_off: ms(config.min_off_ms),
            train_timeout: ms(config.train_timeout_ms.unwrap_or(300)),
            pulses: config.pulses.unwrap_or(1),
            unit: config.unit.unwrap_or(Money(100)),
            carry: config.carry,
        };
        if board.min_on > board.max_on {
            return Err(format!(
                "min-on-ms {} is above max-on-ms {}: no pulse could count",
                config.min_on_ms, config.max_on_ms
            ));
        }
        if board.train_timeout < board.min_off {
            return Err("train-timeout-ms is below min-off-ms: give it at least that".to_owned());
        }
        if board.pulses == 0 || board.unit <= Money::ZERO {
            return Err("pulses and unit must both be above zero".to_owned());
        }
        Ok(board)
    }
}

/// What the board made of a stretch of activity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Counted {
    /// One pulse counted.
    Counted,
    /// Several pulses taken for one, since the pauses among them were too short to see.
    Merged,
    /// Not seen: too short.
    TooShort,
    /// Refused: too long.
    TooLong,
}

/// A stretch of activity and what the board made of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct BoardPulse {
    /// Leading edge.
    #[serde(rename = "start_us", alias = "start")]
    pub start: Micros,
    /// Width as the board sees it.
    #[serde(rename = "width_us", alias = "width")]
    pub width: Micros,
    /// Pulses on the wire in it.
    pub on_the_wire: u32,
    /// What the board made of it.
    #[serde(rename = "result", alias = "counted")]
    pub counted: Counted,
    /// The limit that lies within the margin asked for, if any: how it counted could change.
    #[serde(
        rename = "near_us",
        alias = "near",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub near: Option<Micros>,
}

/// A train as the board credits it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BoardTrain {
    /// Everything in it.
    pub pulses: Vec<BoardPulse>,
    /// Pulses counted.
    pub counted: u64,
    /// Money credited for it.
    pub credit: Money,
    /// Pulses left over that make no whole unit: dropped, or carried on.
    pub left_over: u64,
}

/// What a board counts of a line.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct BoardCount {
    /// The trains the board sees.
    pub trains: Vec<BoardTrain>,
    /// All money credited.
    pub credit: Money,
    /// All pulses counted.
    pub counted: u64,
    /// Pulses dropped because they made no whole unit.
    pub dropped: u64,
    /// Pauses seen as pauses, or not, within the margin of `min_off` or of the train timeout.
    pub near_gaps: Vec<(Micros, Micros)>,
}

/// Runs of one level: (active, start, length).
fn stretches(active: Level, edges: &[Edge], end: Micros) -> Vec<(bool, Micros, Micros)> {
    let mut out: Vec<(bool, Micros, Micros)> = Vec::new();
    let mut now = false;
    let mut since = Micros::ZERO;
    let mut latest = Micros::ZERO;
    for edge in edges {
        let on = Level::of(edge.high) == active;
        latest = latest.max(edge.at);
        if on != now {
            out.push((now, since, latest.since(since)));
            (now, since) = (on, latest);
        }
    }
    out.push((now, since, end.max(latest).since(since)));
    out
}

impl BoardWindow {
    /// What the board counts of these edges. The line rests before the first edge and rests, or
    /// stays as it is, until `end`. A time within `margin` of a limit is marked as an edge case.
    #[must_use]
    pub fn count(&self, edges: &[Edge], end: Micros, margin: Micros) -> BoardCount {
        let mut count = BoardCount::default();
        let mut seen: Vec<BoardPulse> = Vec::new();
        // Width so far and wire pulses of the pulse the board is in.
        let mut inside: Option<BoardPulse> = None;
        let mut carried = 0;
        let mut rest_since = Micros::ZERO;
        let near = |time: Micros, limit: Micros| {
            let within = Window {
                min: limit,
                max: Micros::NEVER,
            };
            (within.judge(time, margin) == Verdict::CannotTell).then_some(limit)
        };
        for (on, start, length) in stretches(self.active, edges, end) {
            if on {
                match &mut inside {
                    Some(pulse) => {
                        pulse.on_the_wire += 1;
                        pulse.width = (start + length).since(pulse.start);
                    }
                    None if length < self.min_on => seen.push(BoardPulse {
                        start,
                        width: length,
                        on_the_wire: 1,
                        counted: Counted::TooShort,
                        near: near(length, self.min_on),
                    }),
                    None => {
                        if start.since(rest_since) >= self.train_timeout {
                            self.credit(&mut count, &mut seen, &mut carried);
                        }
                        inside = Some(BoardPulse {
                            start,
                            width: length,
                            on_the_wire: 1,
                            counted: Counted::Counted,
                            near: near(length, self.min_on),
                        });
                    }
                }
            } else if inside.is_some() || !seen.is_empty() {
                let unseen = inside.is_some() && near(length, self.min_off).is_some();
                if unseen || near(length, self.train_timeout).is_some() {
                    count.near_gaps.push((start, length));
                }
                if length < self.min_off {
                    continue;
                }
                if let Some(pulse) = inside.take() {
                    rest_since = start;
                    seen.push(self.close(pulse, near(pulse.width, self.max_on + Micros(1))));
                }
            }
        }
        if let Some(pulse) = inside.take() {
            let over = near(pulse.width, self.max_on + Micros(1));
            seen.push(self.close(pulse, over));
        }
        self.credit(&mut count, &mut seen, &mut carried);
        count
    }

    fn close(&self, mut pulse: BoardPulse, near_max: Option<Micros>) -> BoardPulse {
        pulse.counted = if pulse.width > self.max_on {
            Counted::TooLong
        } else if pulse.on_the_wire > 1 {
            Counted::Merged
        } else {
            Counted::Counted
        };
        if near_max.is_some() {
            pulse.near = Some(self.max_on);
        }
        pulse
    }

    fn credit(&self, count: &mut BoardCount, seen: &mut Vec<BoardPulse>, carried: &mut u64) {
        if seen.is_empty() {
            return;
        }
        let pulses = std::mem::take(seen);
        let good = |p: &&BoardPulse| matches!(p.counted, Counted::Counted | Counted::Merged);
        let counted = u64::try_from(pulses.iter().filter(good).count()).unwrap_or(u64::MAX);
        let per = u64::from(self.pulses).max(1);
        let all = counted.saturating_add(*carried);
        let left_over = all % per;
        let units = i64::try_from(all / per).unwrap_or(i64::MAX);
        let credit = Money(self.unit.0.saturating_mul(units));
        if self.carry {
            *carried = left_over;
        } else {
            count.dropped = count.dropped.saturating_add(left_over);
        }
        count.counted = count.counted.saturating_add(counted);
        count.credit = count.credit.saturating_add(credit);
        count.trains.push(BoardTrain {
            pulses,
            counted,
            credit,
            left_over,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::clean_pulses;
    use proptest::prelude::*;

    fn board() -> BoardWindow {
        toml::from_str("min-on-ms = 20\nmax-on-ms = 80\nmin-off-ms = 20").unwrap()
    }

    fn count(board: &BoardWindow, n: u32, on: u64, off: u64) -> BoardCount {
        let edges = clean_pulses(
            Level::Low,
            Micros::ms(5),
            n,
            Micros::ms(on),
            Micros::ms(off),
        );
        board.count(&edges, Micros::secs(60), Micros::ms(1))
    }

    fn kinds(count: &BoardCount) -> Vec<Counted> {
        count
            .trains
            .iter()
            .flat_map(|t| t.pulses.iter().map(|p| p.counted))
            .collect()
    }

    #[test]
    fn inside_the_window_every_pulse_counts() {
        let counted = count(&board(), 5, 50, 50);
        assert_eq!(counted.credit, Money(500));
        assert_eq!(counted.trains.len(), 1);
        assert!(counted.near_gaps.is_empty());
    }

    #[test]
    fn short_and_long_pulses_do_not_count() {
        assert_eq!(kinds(&count(&board(), 2, 19, 50)), [Counted::TooShort; 2]);
        assert_eq!(kinds(&count(&board(), 2, 81, 50)), [Counted::TooLong; 2]);
        assert_eq!(count(&board(), 2, 80, 50).credit, Money(200));
        assert_eq!(count(&board(), 2, 20, 20).credit, Money(200));
    }

    #[test]
    fn pauses_too_short_to_see_merge_pulses() {
        let merged = count(&board(), 2, 30, 10);
        assert_eq!(kinds(&merged), [Counted::Merged]);
        assert_eq!(merged.credit, Money(100));
        assert_eq!(kinds(&count(&board(), 3, 30, 10)), [Counted::TooLong]);
    }

    #[test]
    fn the_train_timeout_splits_trains_and_units() {
        let mut board = board();
        board.pulses = 4;
        board.train_timeout = Micros::ms(40);
        let split = count(&board, 4, 50, 50);
        assert_eq!(
            (split.trains.len(), split.credit, split.dropped),
            (4, Money::ZERO, 4)
        );
        board.carry = true;
        assert_eq!(count(&board, 4, 50, 50).credit, Money(100));
    }

    #[test]
    fn edge_cases_are_marked() {
        let near = count(&board(), 1, 80, 50);
        assert_eq!(near.trains[0].pulses[0].near, Some(Micros::ms(80)));
        let near = count(&board(), 1, 20, 50);
        assert_eq!(near.trains[0].pulses[0].near, Some(Micros::ms(20)));
        assert_eq!(count(&board(), 2, 50, 20).near_gaps.len(), 1);
        assert_eq!(count(&board(), 1, 50, 50).trains[0].pulses[0].near, None);
    }

    #[test]
    fn mistakes_say_what_was_expected() {
        let say = |text: &str| toml::from_str::<BoardWindow>(text).unwrap_err().to_string();
        assert!(say("min-on-ms = 90\nmax-on-ms = 80\nmin-off-ms = 20").contains("no pulse could"));
        assert!(say("min-on = 90").contains("unknown field"));
    }

    proptest! {
        #[test]
        fn no_board_counts_more_pulses_than_there_are(
            edges in proptest::collection::vec((any::<u32>(), any::<bool>()), 0..60), margin in any::<u64>()
        ) {
            let edges: Vec<Edge> = edges.into_iter()
                .map(|(at, high)| Edge { at: Micros(at.into()), high }).collect();
            let counted = board().count(&edges, Micros::secs(5), Micros(margin));
            prop_assert!(counted.counted <= edges.len() as u64);
        }
    }
}
