//! Integer microseconds: a point on a bench's time line, or a length of time.

use crate::prelude::*;
use core::fmt;
use core::ops::{Add, AddAssign, Mul, Sub};
use serde::{Deserialize, Serialize};

/// Microseconds, as a point in time since the start of a bench or as a length of time.
///
/// Range: 0 to `u64::MAX` (over 580,000 years). Arithmetic saturates at both ends: it never
/// panics and never wraps, so a subtraction that would be negative gives [`Micros::ZERO`].
///
/// ```
/// use payrig_units::Micros;
///
/// let asked = Micros::secs(1);
/// let answered = asked + Micros::us(4_800);
/// assert_eq!(answered.since(asked).to_string(), "4.800 ms");
/// assert_eq!(asked.since(answered), Micros::ZERO);
/// ```
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Micros(pub u64);

impl Micros {
    /// The start of the time line; no time at all.
    pub const ZERO: Self = Self(0);
    /// Later than any event: "never".
    pub const NEVER: Self = Self(u64::MAX);

    /// `n` microseconds.
    #[must_use]
    pub const fn us(n: u64) -> Self {
        Self(n)
    }

    /// `n` milliseconds.
    #[must_use]
    pub const fn ms(n: u64) -> Self {
        Self(n.saturating_mul(1_000))
    }

    /// `n` seconds.
    #[must_use]
    pub const fn secs(n: u64) -> Self {
        Self(n.saturating_mul(1_000_000))
    }

    /// The count of microseconds.
    #[must_use]
    pub const fn as_us(self) -> u64 {
        self.0
    }

    /// The time from `earlier` to `self`, zero if `earlier` is later.
    #[must_use]
    pub const fn since(self, earlier: Self) -> Self {
        Self(self.0.saturating_sub(earlier.0))
    }

    /// The distance between two points, whichever is later.
    #[must_use]
    pub const fn abs_diff(self, other: Self) -> Self {
        Self(self.0.abs_diff(other.0))
    }
}

impl Add for Micros {
    type Output = Self;
    fn add(self, rhs: Self) -> Self {
        Self(self.0.saturating_add(rhs.0))
    }
}

impl AddAssign for Micros {
    fn add_assign(&mut self, rhs: Self) {
        *self = *self + rhs;
    }
}

impl Sub for Micros {
    type Output = Self;
    fn sub(self, rhs: Self) -> Self {
        self.since(rhs)
    }
}

impl Mul<u64> for Micros {
    type Output = Self;
    fn mul(self, rhs: u64) -> Self {
        Self(self.0.saturating_mul(rhs))
    }
}

impl fmt::Debug for Micros {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}us", self.0)
    }
}

/// Seconds with six decimals, as in `1.292728 s`; milliseconds below one second, as in `1.319 ms`.
impl fmt::Display for Micros {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = if self.0 >= 1_000_000 {
            format!("{}.{:06} s", self.0 / 1_000_000, self.0 % 1_000_000)
        } else {
            format!("{}.{:03} ms", self.0 / 1_000, self.0 % 1_000)
        };
        f.pad(&text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arithmetic_saturates() {
        assert_eq!(Micros(3) - Micros(5), Micros::ZERO);
        assert_eq!(Micros::NEVER + Micros(1), Micros::NEVER);
        assert_eq!(Micros::NEVER * 2, Micros::NEVER);
    }

    #[test]
    fn display_reads_as_milliseconds_then_seconds() {
        assert_eq!(Micros(1_319).to_string(), "1.319 ms");
        assert_eq!(Micros(1_292_728).to_string(), "1.292728 s");
    }
}
