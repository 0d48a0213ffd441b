//! The site's clock: where a shop is, and what its clock shows at an instant.

use super::StoreError;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};

/// Where a shop is, as far as its clock goes.
#[derive(Clone, Debug)]
pub struct Site(TimeZone);

/// An instant twice: for machines and for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Moment {
    /// RFC 3339, UTC, seconds.
    pub(super) utc: String,
    /// RFC 9557: the site's local time with its offset and the zone's name.
    pub(super) local: String,
}

impl Site {
    /// The zone this computer is set to; UTC where it does not say.
    #[must_use]
    pub fn of_this_computer() -> Self {
        Self(TimeZone::try_system().unwrap_or(TimeZone::UTC))
    }

    /// A zone by its name in the IANA database, as in `Europe/Lisbon`.
    ///
    /// # Errors
    /// When it knows none of that name.
    pub fn named(name: &str) -> Result<Self, StoreError> {
        TimeZone::get(name)
            .map(Self)
            .map_err(|_| StoreError::NoZone(name.to_owned()))
    }

    /// What its clock shows at an instant, in RFC 9557.
    fn at(&self, instant: Timestamp) -> Moment {
        let seconds = Timestamp::from_second(instant.as_second()).unwrap_or(instant);
        Moment {
            utc: seconds.to_string(),
            local: seconds.to_zoned_datetime(self.0.clone()).to_string(),
        }
    }

    /// What it shows now, as people read it.
    #[must_use]
    pub fn clock_now(&self) -> String {
        let now = self.now();
        clock(&now.local, &now.utc)
    }

    /// What it shows at an instant in RFC 3339, as people read it; what is no time stays as it is.
    #[must_use]
    pub fn show(&self, utc: &str) -> String {
        match utc.parse() {
            Ok(instant) => {
                let at = self.at(instant);
                clock(&at.local, &at.utc)
            }
            Err(_) => utc.to_owned(),
        }
    }

    pub(super) fn now(&self) -> Moment {
        self.at(Timestamp::now())
    }
}

/// A time of a ticket as people read it: the site's local time and its offset, `2026-03-14 09:26:53
/// +01:00`; of a ticket of version 1, or of an examination without a zone, UTC. `local` is RFC 9557 or
/// empty, `utc` RFC 3339; what is neither is returned as it is.
#[must_use]
pub fn clock(local: &str, utc: &str) -> String {
    let shown = |z: &ZonedDateTime| z.strftime("%Y-%m-%d %H:%M:%S %:z").to_string();
    match (local.parse::<ZonedDateTime>(), utc.parse::<Timestamp>()) {
        (Ok(zoned), _) => shown(&zoned),
        (Err(_), Ok(instant)) => instant.strftime("%Y-%m-%d %H:%M:%S UTC").to_string(),
        (Err(_), Err(_)) => utc.to_owned(),
    }
}

/// The instant `utc` (RFC 3339, any offset) by the clock that `beside` (RFC 9557) was taken from, in
/// RFC 9557; empty where one of them is no time.
pub(super) fn by_the_same_clock(utc: &str, beside: &str) -> String {
    let zone = beside
        .parse::<ZonedDateTime>()
        .map(|z| z.time_zone().clone());
    match (utc.parse::<Timestamp>(), zone) {
        (Ok(instant), Ok(zone)) => instant.to_zoned_datetime(zone).to_string(),
        _ => String::new(),
    }
}

/// The day on the site's calendar, as `2026-03-14`; without a zone the day in UTC. `None` for what is no
/// time.
pub(super) fn day(local: &str, utc: &str) -> Option<Day> {
    let zoned = local.parse::<ZonedDateTime>().ok();
    zoned
        .map(|z| z.date())
        .or_else(|| {
            Some(
                utc.parse::<Timestamp>()
                    .ok()?
                    .to_zoned_datetime(TimeZone::UTC)
                    .date(),
            )
        })
        .map(Day)
}

/// A day on the site's calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Day(Date);

impl Day {
    /// Reads `2026-03-14`.
    ///
    /// # Errors
    /// When there is no such day.
    pub fn read(text: &str) -> Result<Self, StoreError> {
        let day = text.trim().parse::<Date>().map(Self);
        day.map_err(|_| StoreError::NoDay(text.to_owned()))
    }
}

impl std::fmt::Display for Day {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Both sides of the night in which clocks go back, and a zone half an hour off.
    #[test]
    fn the_site_has_its_own_clock_and_calendar() {
        for (zone, utc, shown, on) in [
            (
                "Europe/Lisbon",
                "2026-10-25T00:30:00Z",
                "2026-10-25 01:30:00 +01:00",
                "2026-10-25",
            ),
            (
                "Europe/Lisbon",
                "2026-10-25T01:30:00Z",
                "2026-10-25 01:30:00 +00:00",
                "2026-10-25",
            ),
            (
                "Asia/Kolkata",
                "2026-03-14T18:45:00Z",
                "2026-03-15 00:15:00 +05:30",
                "2026-03-15",
            ),
            (
                "UTC",
                "2026-03-14T18:45:00Z",
                "2026-03-14 18:45:00 +00:00",
                "2026-03-14",
            ),
        ] {
            let moment = Site::named(zone).unwrap().at(utc.parse().unwrap());
            assert_eq!(moment.utc, utc);
            assert_eq!(clock(&moment.local, &moment.utc), shown);
            assert_eq!(day(&moment.local, utc).unwrap().to_string(), on);
            assert_eq!(by_the_same_clock(utc, &moment.local), moment.local);
        }
        assert!(matches!(
            Site::named("Harbour/Loop"),
            Err(StoreError::NoZone(_))
        ));
    }

    #[test]
    fn what_is_no_time_is_left_as_it_is() {
        assert_eq!(clock("", "2026-03-14T08:26:53Z"), "2026-03-14 08:26:53 UTC");
        assert_eq!(clock("", "yesterday"), "yesterday");
        assert_eq!(by_the_same_clock("yesterday", ""), "");
        assert_eq!(day("", "yesterday"), None);
        assert!(Day::read("2026-02-29").is_err());
        assert_eq!(Day::read(" 2026-02-28").unwrap().to_string(), "2026-02-28");
    }
}
