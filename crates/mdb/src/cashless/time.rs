//! The date and time of EXPANSION WRITE TIME/DATE (section 7.4.23).

use crate::prelude::*;
use core::fmt;

/// Ten BCD bytes as they travel; FFH where the VMC does not know an item (7.4.23).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct TimeDate {
    /// 00-99.
    pub year: u8,
    /// 01-12.
    pub month: u8,
    /// 01-31.
    pub day: u8,
    /// 00-23.
    pub hour: u8,
    /// 00-59.
    pub minute: u8,
    /// 00-59.
    pub second: u8,
    /// 01-07, Monday is 1.
    pub weekday: u8,
    /// 01-53.
    pub week: u8,
    /// 01 in summertime.
    pub summertime: u8,
    /// 01 on a holiday.
    pub holiday: u8,
}

impl TimeDate {
    /// From the ten bytes Y2-Y11.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 10]) -> Self {
        let [
            year,
            month,
            day,
            hour,
            minute,
            second,
            weekday,
            week,
            summertime,
            holiday,
        ] = bytes;
        Self {
            year,
            month,
            day,
            hour,
            minute,
            second,
            weekday,
            week,
            summertime,
            holiday,
        }
    }

    /// The ten bytes Y2-Y11.
    #[must_use]
    pub const fn to_bytes(self) -> [u8; 10] {
        [
            self.year,
            self.month,
            self.day,
            self.hour,
            self.minute,
            self.second,
            self.weekday,
            self.week,
            self.summertime,
            self.holiday,
        ]
    }
}

impl fmt::Display for TimeDate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let part = |n: u8| match n {
            0xFF => "--".to_owned(),
            bcd => format!("{bcd:02X}"),
        };
        write!(
            f,
            "year {} month {} day {}, {}:{}:{}",
            part(self.year),
            part(self.month),
            part(self.day),
            part(self.hour),
            part(self.minute),
            part(self.second)
        )
    }
}
