//! The board's clock, for readers that ask for the time (MDB/ICP 4.3, section 7.4.23).

use payrig_mdb::cashless::TimeDate;
use payrig_units::Micros;
use std::collections::BTreeSet;

/// A date and a time of day, at time zero of the bench.
///
/// Days of the week and week numbers follow from the date; summertime and holidays are what the
/// board is configured with.
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

    /// Days since 2000-01-01, a Saturday.
    fn days(&self) -> u16 {
        let year = u16::from(self.year);
        let whole_years = year * 365 + year.div_ceil(4);
        whole_years + self.day_of_year() - 1
    }

    /// 1 to 366.
    fn day_of_year(&self) -> u16 {
        let before = (1..self.month).map(|month| {
            let first = Self { month, ..*self };
            u16::from(first.month_days())
        });
        before.sum::<u16>() + u16::from(self.day)
    }

    /// 1 to 7, Monday is 1.
    #[must_use]
    pub fn weekday(&self) -> u8 {
        ((self.days() + 5) % 7) as u8 + 1
    }

    /// The week of the year, 1 to 53, as ISO 8601 counts: the first has the year's first Thursday.
    #[must_use]
    pub fn week(&self) -> u8 {
        // The year its Thursday is in, and how far into that year.
        let thursday = self.day_of_year() as i16 + 4 - i16::from(self.weekday());
        let length = |leap: bool| 365 + i16::from(leap);
        let leap = self.year.is_multiple_of(4);
        // 1999 was no leap year either.
        let leap_before = self.year % 4 == 1;
        let day = if thursday < 1 {
            thursday + length(leap_before)
        } else if thursday > length(leap) {
            thursday - length(leap)
        } else {
            thursday
        };
        ((day - 1) / 7 + 1) as u8
    }

    /// As WRITE TIME/DATE carries it: BCD, FFH for what is not known.
    #[must_use]
    pub fn time_date(&self, days: &Calendar) -> TimeDate {
        let bcd = |n: u8| n / 10 * 16 + n % 10;
        let known = |so: Option<bool>| so.map_or(0xFF, u8::from);
        let holidays = days.holidays.as_ref();
        TimeDate {
            year: bcd(self.year),
            month: bcd(self.month),
            day: bcd(self.day),
            hour: bcd(self.hour),
            minute: bcd(self.minute),
            second: bcd(self.second),
            weekday: self.weekday(),
            week: bcd(self.week()),
            summertime: known(days.summertime),
            holiday: known(holidays.map(|all| all.contains(&(self.month, self.day)))),
        }
    }
}

/// What a board knows of the days of the year.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Calendar {
    /// It is summertime; `None` when the board does not know.
    pub summertime: Option<bool>,
    /// Holidays of every year, month and day; `None` when the board knows none.
    pub holidays: Option<BTreeSet<(u8, u8)>>,
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
            after.time_date(&Calendar::default()).to_bytes(),
            [0x26, 1, 5, 0x08, 0x30, 0x45, 1, 0x02, 0xFF, 0xFF]
        );
        let days = Calendar {
            summertime: Some(true),
            holidays: Some([(1, 5)].into()),
        };
        let sent = after.time_date(&days);
        assert_eq!((sent.summertime, sent.holiday), (1, 1));
        let next = after.after(day).time_date(&days);
        assert_eq!((next.summertime, next.holiday), (1, 0));
    }

    /// Known days of ISO 8601, among them those whose week belongs to another year.
    #[test]
    fn weekdays_and_weeks() {
        for (date, weekday, week) in [
            ([0, 1, 1], 6, 52),
            ([4, 12, 31], 5, 53),
            ([5, 1, 1], 6, 53),
            ([8, 12, 29], 1, 1),
            ([9, 12, 31], 4, 53),
            ([10, 1, 3], 7, 53),
            ([24, 2, 29], 4, 9),
            ([26, 12, 31], 4, 53),
        ] {
            let clock = Clock::new(date, [0, 0, 0]).unwrap();
            assert_eq!((clock.weekday(), clock.week()), (weekday, week), "{date:?}");
        }
    }

    #[test]
    fn dates_that_are_none() {
        assert_eq!(Clock::new([25, 2, 29], [0, 0, 0]), None);
        assert_eq!(Clock::new([24, 0, 1], [0, 0, 0]), None);
        assert_eq!(Clock::new([24, 4, 31], [0, 0, 0]), None);
        assert_eq!(Clock::new([24, 4, 30], [24, 0, 0]), None);
    }
}
