//! The map of what a board makes of every on and off time.

use crate::Profile;
use crate::plan::clean_pulses;
use crate::window::BoardWindow;
use payrig_units::{Micros, Money};
use serde::{Deserialize, Serialize};
use std::fmt;

/// On and off times to try, and how.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SweepPlan {
    /// Widths to try.
    pub on: Vec<Micros>,
    /// Pauses to try.
    pub off: Vec<Micros>,
    /// Pulses per train.
    pub pulses: u32,
    /// How far the times of a real acceptor stray, either way: where that changes the outcome, the
    /// cell is an edge case.
    pub jitter: Micros,
}

impl SweepPlan {
    /// On and off times from `from` to `to` in steps of `step` (at least 1 us, at most 400 steps),
    /// trains of five pulses, jitter of 1 ms.
    #[must_use]
    pub fn square(from: Micros, to: Micros, step: Micros) -> Self {
        let step = usize::try_from(step.0.max(1)).unwrap_or(usize::MAX);
        let times: Vec<_> = (from.0..=to.0)
            .step_by(step)
            .take(400)
            .map(Micros)
            .collect();
        Self {
            on: times.clone(),
            off: times,
            pulses: 5,
            jitter: Micros::ms(1),
        }
    }
}

/// What becomes of a train.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Credited in full.
    Credited,
    /// Pulses were counted, but the money is not what was sent: pulses were missed or merged, or a
    /// train fell apart and what made no whole unit was dropped.
    Miscounted,
    /// Not credited at all.
    Ignored,
    /// The jitter of a real acceptor decides.
    EdgeCase,
}

impl Outcome {
    /// All outcomes, in the order of legends.
    pub const ALL: [Self; 4] = [
        Self::Credited,
        Self::EdgeCase,
        Self::Miscounted,
        Self::Ignored,
    ];

    /// One character for tables.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::Credited => '#',
            Self::Miscounted => 'x',
            Self::Ignored => '.',
            Self::EdgeCase => '?',
        }
    }

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Credited => "credited in full",
            Self::Miscounted => "miscounted",
            Self::Ignored => "ignored",
            Self::EdgeCase => "edge case: depends on jitter",
        }
    }
}

/// The outcome for every pair of on and off time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Map {
    /// What was tried.
    pub plan: SweepPlan,
    /// A row per off time, a cell per on time: pulses counted, and the outcome.
    pub rows: Vec<Vec<(u64, Outcome)>>,
}

/// Tries every pair of on and off time of a plan on a board.
#[must_use]
pub fn sweep(board: &BoardWindow, plan: &SweepPlan) -> Map {
    let units = plan.pulses.checked_div(board.pulses).unwrap_or(0);
    let full = Money(board.unit.0.saturating_mul(units.into()));
    let outcome = |on: Micros, off: Micros| {
        let edges = clean_pulses(board.active, Micros::ms(1), plan.pulses, on, off);
        let end = edges.last().map_or(Micros::ZERO, |e| e.at) + board.train_timeout * 2;
        let count = board.count(&edges, end, Micros::ZERO);
        let outcome = match count.counted {
            0 => Outcome::Ignored,
            n if n == u64::from(plan.pulses) && count.credit == full => Outcome::Credited,
            _ => Outcome::Miscounted,
        };
        (count.counted, outcome)
    };
    let cell = |on: Micros, off: Micros| {
        let (counted, centre) = outcome(on, off);
        let j = plan.jitter;
        let corners = [
            (on - j, off - j),
            (on - j, off + j),
            (on + j, off - j),
            (on + j, off + j),
        ];
        let same = j == Micros::ZERO
            || corners
                .iter()
                .all(|(on, off)| outcome(*on, *off).1 == centre);
        (counted, if same { centre } else { Outcome::EdgeCase })
    };
    Map {
        rows: plan
            .off
            .iter()
            .map(|off| plan.on.iter().map(|on| cell(*on, *off)).collect())
            .collect(),
        plan: plan.clone(),
    }
}

impl Map {
    /// The outcome of the cell nearest to a profile's times.
    #[must_use]
    pub fn at(&self, profile: &Profile) -> Option<Outcome> {
        let near = |times: &[Micros], time: Micros| {
            let (i, found) = times
                .iter()
                .enumerate()
                .min_by_key(|(_, t)| t.abs_diff(time))?;
            // Outside the map there is nothing to say.
            let step = times
                .get(1)
                .zip(times.first())
                .map_or(Micros::ZERO, |(b, a)| *b - *a);
            (found.abs_diff(time) <= step).then_some(i)
        };
        let row = self.rows.get(near(&self.plan.off, profile.off)?)?;
        row.get(near(&self.plan.on, profile.on)?)
            .map(|(_, outcome)| *outcome)
    }
}

/// The map as a table: on times to the right, off times downwards, in milliseconds.
impl fmt::Display for Map {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = |t: &Micros| t.0 / 1_000;
        writeln!(
            f,
            "{} pulses per train, off time downwards, on time to the right (ms)",
            self.plan.pulses
        )?;
        // On times are written downwards, a digit a line.
        let digits = self
            .plan
            .on
            .iter()
            .map(|t| ms(t).to_string().len())
            .max()
            .unwrap_or(0);
        for place in (0..u32::try_from(digits).unwrap_or(0)).rev() {
            write!(f, "      ")?;
            for on in &self.plan.on {
                let shown = ms(on) / 10_u64.saturating_pow(place);
                match shown {
                    0 if place > 0 => write!(f, " ")?,
                    n => write!(f, "{}", n % 10)?,
                }
            }
            writeln!(f)?;
        }
        for (off, row) in self.plan.off.iter().zip(&self.rows) {
            write!(f, "{:>5} ", ms(off))?;
            for (_, outcome) in row {
                write!(f, "{}", outcome.letter())?;
            }
            writeln!(f)?;
        }
        for outcome in Outcome::ALL {
            writeln!(f, "  {} {}", outcome.letter(), outcome.words())?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn board() -> BoardWindow {
        toml::from_str("min-on-ms = 30\nmax-on-ms = 80\nmin-off-ms = 30\ntrain-timeout-ms = 200\npulses = 5\nunit = 500")
            .unwrap()
    }

    fn map() -> Map {
        sweep(
            &board(),
            &SweepPlan::square(Micros::ms(10), Micros::ms(250), Micros::ms(10)),
        )
    }

    #[test]
    fn the_ready_made_profiles_lie_where_they_should() {
        let map = map();
        assert_eq!(map.at(&Profile::short()), Some(Outcome::Credited));
        assert_eq!(map.at(&Profile::medium()), Some(Outcome::Ignored));
        assert_eq!(map.at(&Profile::long()), Some(Outcome::Ignored));
    }

    #[test]
    fn limits_are_edge_cases_and_split_trains_are_miscounts() {
        let map = map();
        let at = |on, off| {
            let mut profile = Profile::short();
            (profile.on, profile.off) = (Micros::ms(on), Micros::ms(off));
            map.at(&profile).unwrap()
        };
        assert_eq!(at(30, 50), Outcome::EdgeCase);
        assert_eq!(at(80, 50), Outcome::EdgeCase);
        assert_eq!(at(50, 30), Outcome::EdgeCase);
        assert_eq!(at(50, 200), Outcome::EdgeCase);
        assert_eq!(at(50, 210), Outcome::Miscounted);
        assert_eq!(at(20, 50), Outcome::Ignored);
        // Five pulses of 50 ms with pauses of 20 ms are one pulse of 330 ms.
        assert_eq!(at(50, 20), Outcome::Ignored);
    }

    #[test]
    fn the_table_has_a_row_per_off_time() {
        let table = map().to_string();
        assert_eq!(table.lines().count(), 1 + 3 + 25 + 4);
        let row = table
            .lines()
            .find(|l| l.trim_start().starts_with("50 "))
            .unwrap();
        assert!(row.starts_with("   50 ..?####?.."), "{row}");
    }
}
