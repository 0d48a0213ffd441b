//! A series of measured times in a few figures.

use payrig_units::Micros;

/// A series of times in a few figures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Figures {
    /// How many were measured; never 0.
    pub count: usize,
    /// The shortest.
    pub min: Micros,
    /// The lower median.
    pub median: Micros,
    /// 95 of 100 are not longer.
    pub p95: Micros,
    /// The longest.
    pub max: Micros,
}

/// The figures of a series; `None` for an empty one.
#[must_use]
pub fn figures(values: &[Micros]) -> Option<Figures> {
    let mut sorted = values.to_vec();
    sorted.sort_unstable();
    let last = sorted.len().checked_sub(1)?;
    let at = |index: usize| sorted.get(index.min(last)).copied().unwrap_or_default();
    // The smallest value that at least `percent` of all do not exceed.
    let rank = |percent: usize| at((sorted.len() * percent).div_ceil(100).saturating_sub(1));
    Some(Figures {
        count: sorted.len(),
        min: at(0),
        median: rank(50),
        p95: rank(95),
        max: at(last),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn of_known_series() {
        assert_eq!(figures(&[]), None);
        let one = figures(&[Micros(7)]).unwrap();
        assert_eq!(
            (one.count, one.min, one.median, one.p95, one.max),
            (1, Micros(7), Micros(7), Micros(7), Micros(7))
        );
        let hundred: Vec<_> = (1..=100).rev().map(Micros).collect();
        let f = figures(&hundred).unwrap();
        assert_eq!(
            (f.min, f.median, f.p95, f.max),
            (Micros(1), Micros(50), Micros(95), Micros(100))
        );
    }

    proptest! {
        #[test]
        fn are_in_order_and_true(values in proptest::collection::vec(0u64..1000, 1..80)) {
            let times: Vec<_> = values.iter().copied().map(Micros).collect();
            let f = figures(&times).unwrap();
            prop_assert!(f.min <= f.median && f.median <= f.p95 && f.p95 <= f.max);
            let not_longer = |t: Micros| times.iter().filter(|v| **v <= t).count() * 100;
            prop_assert!(not_longer(f.median) >= 50 * times.len());
            prop_assert!(not_longer(f.p95) >= 95 * times.len());
        }
    }
}
