//! The length of a bit, finer than a microsecond.

use crate::BAUD;
use payrig_units::Micros;
use std::fmt;

/// Picoseconds in a microsecond.
pub(super) const PS: u128 = 1_000_000;

/// The length of a bit in picoseconds, so that eleven of them add up without error.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct BitTime(pub u64);

impl BitTime {
    /// 9600 baud: 104.167 us (section 3.2).
    pub const NOMINAL: Self = Self::of_baud(BAUD);

    /// The bit time of a rate; rates below 1 count as 1.
    #[must_use]
    pub const fn of_baud(baud: u32) -> Self {
        let baud = if baud == 0 { 1 } else { baud as u64 };
        Self((1_000_000_000_000 + baud / 2) / baud)
    }

    /// The rate, rounded to a whole number.
    #[must_use]
    pub const fn baud(self) -> u64 {
        let ps = if self.0 == 0 { 1 } else { self.0 };
        (1_000_000_000_000 + ps / 2) / ps
    }

    /// `n` bits, rounded to the microsecond.
    #[must_use]
    pub fn bits(self, n: u64) -> Micros {
        let us = (u128::from(self.0) * u128::from(n) + PS / 2) / PS;
        Micros(u64::try_from(us).unwrap_or(u64::MAX))
    }

    /// `n` half bits, in picoseconds.
    pub(super) const fn half_bits(self, n: u64) -> u128 {
        self.0 as u128 * n as u128 / 2
    }
}

/// Microseconds with two decimals: `104.17 us`.
impl fmt::Display for BitTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hundredths = (self.0 + 5_000) / 10_000;
        f.pad(&format!("{}.{:02} us", hundredths / 100, hundredths % 100))
    }
}
