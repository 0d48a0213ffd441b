//! How far a time may be off, and what can be said about it over an uncertain link.

use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a measurement says about a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Inside, whatever the link's uncertainty.
    Pass,
    /// Outside, whatever the link's uncertainty.
    Fail,
    /// A limit lies within the uncertainty: measure over a better link.
    CannotTell,
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::CannotTell => "cannot tell",
        })
    }
}

/// A range of allowed times, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Window {
    /// Shortest allowed.
    #[serde(rename = "min_us", alias = "min")]
    pub min: Micros,
    /// Longest allowed.
    #[serde(rename = "max_us", alias = "max")]
    pub max: Micros,
}

impl Window {
    /// True when `time` lies in the window.
    #[must_use]
    pub fn contains(self, time: Micros) -> bool {
        self.min <= time && time <= self.max
    }

    /// True when some time lies in both windows.
    #[must_use]
    pub fn overlaps(self, other: Self) -> bool {
        self.min <= other.max && other.min <= self.max
    }

    /// Judges a length of time that may be off by `error`, either way.
    #[must_use]
    pub fn judge(self, measured: Micros, error: Micros) -> Verdict {
        let (low, high) = (measured - error, measured + error);
        if self.contains(low) && self.contains(high) {
            Verdict::Pass
        } else if high < self.min || low > self.max {
            Verdict::Fail
        } else {
            Verdict::CannotTell
        }
    }
}

impl fmt::Display for Window {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.min, self.max)
    }
}

/// Allowed deviation from a nominal time: a share of it, but never less than a fixed time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Tolerance {
    /// Share of the nominal time in percent, either way. Range 0 to 50.
    pub percent: u32,
    /// Smallest deviation allowed, whatever the share comes to.
    #[serde(rename = "at_least_us", alias = "at_least")]
    pub at_least: Micros,
}

impl Default for Tolerance {
    /// 20 %, at least 2 ms (common practice, no source).
    fn default() -> Self {
        Self {
            percent: 20,
            at_least: Micros::ms(2),
        }
    }
}

impl Tolerance {
    /// The window around a nominal time.
    #[must_use]
    pub fn around(self, nominal: Micros) -> Window {
        let share = Micros((nominal * u64::from(self.percent)).0 / 100);
        let off = share.max(self.at_least);
        Window {
            min: nominal - off,
            max: nominal + off,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_verdicts() {
        let window = Tolerance::default().around(Micros::ms(50));
        assert_eq!((window.min, window.max), (Micros::ms(40), Micros::ms(60)));
        assert_eq!(window.judge(Micros::ms(40), Micros::ZERO), Verdict::Pass);
        assert_eq!(window.judge(Micros(39_999), Micros::ZERO), Verdict::Fail);
        assert_eq!(
            window.judge(Micros::ms(39), Micros::ms(2)),
            Verdict::CannotTell
        );
        assert_eq!(window.judge(Micros::ms(37), Micros::ms(2)), Verdict::Fail);
        assert_eq!(window.judge(Micros::ms(50), Micros::ms(2)), Verdict::Pass);
        assert_eq!(
            window.judge(Micros::ms(59), Micros::ms(2)),
            Verdict::CannotTell
        );
        assert_eq!(window.judge(Micros::ms(63), Micros::ms(2)), Verdict::Fail);
    }

    #[test]
    fn a_small_nominal_keeps_the_fixed_part() {
        let window = Tolerance {
            percent: 10,
            at_least: Micros::ms(5),
        }
        .around(Micros::ms(20));
        assert_eq!((window.min, window.max), (Micros::ms(15), Micros::ms(25)));
    }
}
