//! Figures of a measurement: how many, and how long at which share.

use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Collects lengths of time.
#[derive(Clone, Debug, Default)]
pub struct Lengths(Vec<Micros>);

impl Lengths {
    /// Adds one.
    pub fn add(&mut self, length: Micros) {
        self.0.push(length);
    }

    /// How many are longer than `limit`.
    #[must_use]
    pub fn over(&self, limit: Micros) -> usize {
        self.0.iter().filter(|l| **l > limit).count()
    }

    /// The figures; `None` when nothing was collected.
    #[must_use]
    pub fn figures(&self) -> Option<Figures> {
        let mut sorted = self.0.clone();
        sorted.sort_unstable();
        let at = |per_10_000: usize| {
            let rank = (sorted.len() * per_10_000).div_ceil(10_000);
            sorted.get(rank.saturating_sub(1)).copied()
        };
        Some(Figures {
            count: sorted.len(),
            least: *sorted.first()?,
            p50: at(5_000)?,
            p99: at(9_900)?,
            p99_9: at(9_990)?,
            p99_99: at(9_999)?,
            most: *sorted.last()?,
        })
    }
}

/// A measurement in seven figures. `p99` is a length that 99 of 100 do not exceed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Figures {
    /// How many were measured.
    pub count: usize,
    /// The shortest.
    #[serde(rename = "least_us", alias = "least")]
    pub least: Micros,
    /// Half are no longer.
    #[serde(rename = "p50_us", alias = "p50")]
    pub p50: Micros,
    /// 99 of 100 are no longer.
    #[serde(rename = "p99_us", alias = "p99")]
    pub p99: Micros,
    /// 999 of 1000 are no longer.
    #[serde(rename = "p99_9_us", alias = "p99_9")]
    pub p99_9: Micros,
    /// 9999 of 10000 are no longer.
    #[serde(rename = "p99_99_us", alias = "p99_99")]
    pub p99_99: Micros,
    /// The longest.
    #[serde(rename = "most_us", alias = "most")]
    pub most: Micros,
}

impl fmt::Display for Figures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "half within {}, 99% within {}, longest {} ({} measured)",
            self.p50, self.p99, self.most, self.count
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_by_nearest_rank() {
        let mut lengths = Lengths::default();
        assert_eq!(lengths.figures(), None);
        (1..=10_000).rev().for_each(|n| lengths.add(Micros(n)));
        let figures = lengths.figures().unwrap();
        assert_eq!((figures.least, figures.most), (Micros(1), Micros(10_000)));
        assert_eq!(figures.p50, Micros(5_000));
        assert_eq!(figures.p99, Micros(9_900));
        assert_eq!(figures.p99_99, Micros(9_999));
        assert_eq!(lengths.over(Micros(9_990)), 10);
    }
}
