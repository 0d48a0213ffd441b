//! Least, mean, greatest and spread of a set of times, in whole microseconds.

use payrig_units::Micros;
use serde::{Deserialize, Serialize};

/// Statistics of a set of times. Integer arithmetic throughout: the mean and the deviation are
/// rounded to the nearest and down to whole microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Stats {
    /// How many.
    pub count: u64,
    /// The least.
    #[serde(rename = "min_us", alias = "min")]
    pub min: Micros,
    /// The mean, rounded to the nearest microsecond.
    #[serde(rename = "mean_us", alias = "mean")]
    pub mean: Micros,
    /// The greatest.
    #[serde(rename = "max_us", alias = "max")]
    pub max: Micros,
    /// Sample standard deviation (divisor n - 1), rounded down; zero for one value.
    #[serde(rename = "sd_us", alias = "sd")]
    pub sd: Micros,
}

impl Stats {
    /// The statistics of `times`; `None` when there are none.
    #[must_use]
    pub fn of(times: &[Micros]) -> Option<Self> {
        let min = *times.iter().min()?;
        let max = *times.iter().max()?;
        let count = u64::try_from(times.len()).ok()?;
        let n = u128::from(count);
        let sum: u128 = times.iter().map(|t| u128::from(t.0)).sum();
        let mean = (sum + n / 2).checked_div(n)?;
        // Exact: the sum of squared deviations times n is n * sum(t^2) - sum(t)^2; taken about the
        // least value so that the squares stay small.
        let above = |t: &Micros| u128::from(t.0 - min.0);
        let squares = times.iter().fold(0_u128, |s, t| {
            s.saturating_add(above(t).saturating_mul(above(t)))
        });
        let total: u128 = times.iter().map(above).sum();
        let spread = squares
            .saturating_mul(n)
            .saturating_sub(total.saturating_mul(total));
        let variance = spread.checked_div(n * (n - 1)).unwrap_or(0);
        let narrow = |v: u128| Micros(u64::try_from(v).unwrap_or(u64::MAX));
        Some(Self {
            count,
            min,
            mean: narrow(mean),
            max,
            sd: narrow(variance.isqrt()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn known_values() {
        // 2, 4, 4, 4, 5, 5, 7, 9: mean 5, squared deviations sum to 32, 32 / 7 = 4.57, root 2.13.
        let times: Vec<_> = [2, 4, 4, 4, 5, 5, 7, 9].map(|n| Micros(n * 100)).to_vec();
        let stats = Stats::of(&times).unwrap();
        assert_eq!((stats.min, stats.max), (Micros(200), Micros(900)));
        assert_eq!((stats.mean, stats.sd), (Micros(500), Micros(213)));
        assert_eq!(Stats::of(&[]), None);
        assert_eq!(Stats::of(&[Micros(7)]).unwrap().sd, Micros::ZERO);
    }

    proptest! {
        #[test]
        fn any_times(times in proptest::collection::vec(any::<u64>().prop_map(Micros), 1..50)) {
            let stats = Stats::of(&times).unwrap();
            prop_assert!(stats.min <= stats.mean && stats.mean <= stats.max);
        }
    }
}
