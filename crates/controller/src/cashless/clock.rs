//! The board's clock, for readers that ask for the time (MDB/ICP 4.3, section 7.4.23).

use payrig_mdb::cashless::TimeDate;
use payrig_units::Micros;

/// A date and a time of day, at time zero of the bench.
///
/// Days of the week, weeks, summertime and holidays are not known to it; they are sent as "not
/// supported" (FFH).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clock {
    /// 0-99, from 2000.
    pub year: u8,
    /// 1-12.
    pub month: u8,
    /// 1-31.
    pub day: u8,
    /// 0-23.
    pub hour: u8,
    /// 0-59.
    pub minute: u8,
    /// 0-59.
    pub second: u8,
}

impl Clock {
    /// `None` when there is no such date or time.
    #[must_use]
    pub fn new(date: [u8; 3], time: [u8; 3]) -> Option<Self> {
        let ([year, month, day], [hour, minute, second]) = (date, time);
        let clock = Self {
            year,
            month,
            day,
            hour,
            minute,
            second,
        };
        let date = year < 100 && (1..=12).contains(&month) && day >= 1 && day <= clock.month_days();
        (date && hour < 24 && minute < 60 && second < 60).then_some(clock)
    }

    fn month_days(&self) -> u8 {
        match self.month {
            2 if self.year.is_multiple_of(4) => 29,
            2 => 28,
            4 | 6 | 9 | 11 => 30,
            _ => 31,
        }
    }

    /// What it shows after so much time.
    #[must_use]
    pub fn after(mut self, time: Micros) -> Self {
        let of_day = (u64::from(self.hour) * 60 + u64::from(self.minute)) * 60;
        let seconds = of_day + u64::from(self.second) + time.as_us() / 1_000_000;
        let (days, of_day) = (seconds / 86_400, seconds % 86_400);
        self.hour = (of_day / 3_600) as u8;
        self.minute = (of_day / 60 % 60) as u8;
        self.second = (of_day % 60) as u8;
        // A century is as far as two digits of a year go.
        for _ in 0..days.min(36_525) {
            self.next_day();
        }
        self
    }

    fn next_day(&mut self) {
        if self.day < self.month_days() {
            self.day += 1;
            return;
        }
        self.day = 1;
        if self.month < 12 {
            self.month += 1;
        } else {
            self.month = 1;
            self.year = (self.year + 1) % 100;
        }
    }

    /// As WRITE TIME/DATE carries it: BCD.
    #[must_use]
    pub fn time_date(&self) -> TimeDate {
        let bcd = |n: u8| n / 10 * 16 + n % 10;
        TimeDate {
            year: bcd(self.year),
            month: bcd(self.month),
            day: bcd(self.day),
            hour: bcd(self.hour),
            minute: bcd(self.minute),
            second: bcd(self.second),
            ..UNKNOWN
        }
    }
}

/// Nothing of it is supported.
pub(super) const UNKNOWN: TimeDate = TimeDate {
    year: 0xFF,
    month: 0xFF,
    day: 0xFF,
    hour: 0xFF,
    minute: 0xFF,
    second: 0xFF,
    weekday: 0xFF,
    week: 0xFF,
    summertime: 0xFF,
    holiday: 0xFF,
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn midnight_month_ends_and_leap_years() {
        let new_year = Clock::new([99, 12, 31], [23, 59, 59]).unwrap();
        let after = new_year.after(Micros::secs(1));
        assert_eq!(Some(after), Clock::new([0, 1, 1], [0, 0, 0]));
        let leap = Clock::new([24, 2, 28], [12, 0, 0]).unwrap();
        let day = Micros::secs(86_400);
        assert_eq!(leap.after(day).day, 29);
        assert_eq!(
            Some(leap.after(day * 2)),
            Clock::new([24, 3, 1], [12, 0, 0])
        );
        let after = Clock::new([26, 1, 5], [8, 30, 0])
            .unwrap()
            .after(Micros::secs(45));
        assert_eq!(
            after.time_date().to_bytes(),
            [0x26, 1, 5, 0x08, 0x30, 0x45, 0xFF, 0xFF, 0xFF, 0xFF]
        );
    }

    #[test]
    fn dates_that_are_none() {
        assert_eq!(Clock::new([25, 2, 29], [0, 0, 0]), None);
        assert_eq!(Clock::new([24, 0, 1], [0, 0, 0]), None);
        assert_eq!(Clock::new([24, 4, 31], [0, 0, 0]), None);
        assert_eq!(Clock::new([24, 4, 30], [24, 0, 0]), None);
    }
}
