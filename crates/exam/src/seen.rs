//! What a check saw, and how it is judged.

use crate::person::SeenBy;
use crate::result::Outcome;
use crate::skip::Skip;
use payrig_units::{Micros, words};
use std::cmp::Ordering;

/// Of so many times one may be left out of a pass that could not be measured: one whose uncertainty
/// alone is as long as the limit.
const UNMEASURED_OF: usize = 20;

/// A time that was measured, or a moment, and how far it may be off either way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Timed {
    /// The time.
    pub time: Micros,
    /// How far it may be off.
    pub off: Micros,
}

impl Timed {
    /// The time from an earlier moment to this one.
    #[must_use]
    pub fn since(self, earlier: Self) -> Self {
        Self {
            time: self.time.since(earlier.time),
            off: self.off + earlier.off,
        }
    }

    /// The times alone.
    pub(crate) fn times(all: &[Self]) -> Vec<Micros> {
        all.iter().map(|timed| timed.time).collect()
    }
}

/// What a check saw.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// How it ended.
    pub outcome: Outcome,
    /// What was seen, with numbers.
    pub text: String,
    /// Who saw it.
    pub by: SeenBy,
    /// What to do about it, where what was seen calls for something else than the check's own advice.
    pub advice: Option<&'static str>,
    /// Why it was not done or was broken off, where it was: the text says the same.
    pub skip: Option<Skip>,
    /// Title and expectation of the check in the words of the subject, where they differ by subject.
    pub words: Option<Box<(String, String)>>,
    /// The check whose matter was seen, where it is another's.
    pub matter_of: Option<&'static str>,
    /// The check got to what it is about.
    pub reached: bool,
    /// More or less than is right was seen, where that is what was looked at.
    pub beyond: Option<Ordering>,
    /// How many of the times that were measured broke a limit.
    pub broken: Broken,
}

/// How many times broke a limit beyond doubt.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Broken {
    /// So many did.
    pub times: usize,
    /// Of so many that were measured.
    pub of: usize,
}

/// What running a check gives: an early end is an `Err`, so that steps can be chained with `?`.
pub type Run = Result<Seen, Seen>;

impl Seen {
    fn new(outcome: Outcome, text: impl Into<String>) -> Self {
        Self {
            outcome,
            text: text.into(),
            by: SeenBy::Wire,
            advice: None,
            skip: None,
            words: None,
            matter_of: None,
            reached: true,
            beyond: None,
            broken: Broken::default(),
        }
    }

    /// What must be seen was seen.
    #[must_use]
    pub fn pass(text: impl Into<String>) -> Self {
        Self::new(Outcome::Pass, text)
    }

    /// It was not.
    #[must_use]
    pub fn fail(text: impl Into<String>) -> Self {
        Self::new(Outcome::Fail, text)
    }

    /// The subject was never heard: the first check that needs it fails, the others are skipped.
    #[must_use]
    pub fn never_answered() -> Self {
        let skip = Skip::NeverAnswered;
        Self {
            skip: Some(skip.clone()),
            ..Self::fail(skip.to_string())
        }
    }

    /// What was needed did not happen, or cannot be measured well enough.
    #[must_use]
    pub fn cannot_tell(text: impl Into<String>) -> Self {
        Self::new(Outcome::CannotTell, text)
    }

    /// It was not done. A sentence says what the subject lacks.
    #[must_use]
    pub fn skipped(why: impl Into<Skip>) -> Self {
        let skip = why.into();
        Self {
            skip: Some(skip.clone()),
            ..Self::new(Outcome::Skipped, skip.to_string())
        }
    }

    /// Pass or fail, with the same words.
    #[must_use]
    pub fn judge(good: bool, text: impl Into<String>) -> Self {
        if good {
            Self::pass(text)
        } else {
            Self::fail(text)
        }
    }

    /// Times of which none may be longer than `limit`. A fail is beyond doubt: one is longer, however
    /// far off it may be. For a pass all are shorter likewise, but for a few that could not be measured.
    #[must_use]
    pub fn at_most(times: &[Timed], limit: Micros, text: String) -> Self {
        let fails = times.iter().filter(|t| t.time.since(t.off) > limit).count();
        Self::within(times, limit, text, fails, |t| t.time + t.off <= limit)
    }

    /// Times of which none may be shorter than `limit`, likewise.
    #[must_use]
    pub fn at_least(times: &[Timed], limit: Micros, text: String) -> Self {
        let fails = times.iter().filter(|t| t.time + t.off < limit).count();
        Self::within(times, limit, text, fails, |t| t.time.since(t.off) >= limit)
    }

    fn within(
        times: &[Timed],
        limit: Micros,
        text: String,
        fails: usize,
        passes: impl Fn(&Timed) -> bool,
    ) -> Self {
        if fails > 0 {
            return Self {
                broken: Broken {
                    times: fails,
                    of: times.len(),
                },
                ..Self::fail(text)
            };
        }
        let doubtful: Vec<&Timed> = times.iter().filter(|t| !passes(t)).collect();
        if doubtful.is_empty() {
            return Self::pass(text);
        }
        let measured = doubtful.iter().any(|t| t.off < limit);
        if !measured && doubtful.len() * UNMEASURED_OF <= times.len() {
            let unmeasured = words::count(doubtful.len(), "time");
            return Self::pass(format!(
                "{text}; {unmeasured} could not be measured: this tool was held up"
            ));
        }
        let off = doubtful.iter().map(|t| t.off).max().unwrap_or_default();
        Self::cannot_tell(format!("{text}; with this link each may be off by {off}"))
    }

    /// The same, and this is to be done about it instead of what the check advises; `None` leaves
    /// that as it is.
    #[must_use]
    pub fn advising(mut self, advice: Option<&'static str>) -> Self {
        self.reached |= advice.is_some();
        self.advice = advice;
        self
    }

    /// The same; where this is so, what was seen is the matter of the check of this name, which is to be
    /// mended first if it fails too.
    #[must_use]
    pub fn matter_of(mut self, check: &'static str, is_so: bool) -> Self {
        self.matter_of = is_so.then_some(check);
        self
    }

    /// The same, where it is not another's matter already.
    #[must_use]
    pub fn or_matter_of(self, check: &'static str, is_so: bool) -> Self {
        match self.matter_of {
            Some(_) => self,
            None => self.matter_of(check, is_so),
        }
    }

    /// The same, of an amount or a number beside what is right: advice is about what was seen of the two.
    #[must_use]
    pub fn beside<T: Ord>(mut self, seen: T, right: T) -> Self {
        self.beyond = Some(seen.cmp(&right)).filter(|order| order.is_ne());
        self
    }

    /// The same, of a check that did not get to what it is about.
    #[must_use]
    pub fn on_its_way(mut self) -> Self {
        self.reached = false;
        self
    }

    /// The same, seen by somebody, or nobody.
    #[must_use]
    pub fn by(mut self, by: SeenBy) -> Self {
        self.by = by;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn timed(times: &[(u64, u64)]) -> Vec<Timed> {
        let timed = |&(time, off): &(u64, u64)| Timed {
            time: Micros(time),
            off: Micros(off),
        };
        times.iter().map(timed).collect()
    }

    /// Each time is judged by how far it may itself be off.
    #[test]
    fn one_time_in_doubt_does_not_hide_one_beyond_doubt() {
        let at_most = |times: &[(u64, u64)]| {
            Seen::at_most(&timed(times), Micros(5_000), String::new()).outcome
        };
        let mut times = vec![(1_200, 100); 40];
        assert_eq!(at_most(&times), Outcome::Pass);
        // The tool was held up for 12 ms: this one is not measured.
        times.push((3_000, 12_000));
        assert_eq!(at_most(&times), Outcome::Pass);
        times.push((4_950, 100));
        assert_eq!(at_most(&times), Outcome::CannotTell);
        times.push((8_000, 100));
        assert_eq!(at_most(&times), Outcome::Fail);
        // Too many that were not measured.
        assert_eq!(
            at_most(&[(1_200, 100), (1_200, 9_000)]),
            Outcome::CannotTell
        );
    }

    #[test]
    fn a_pause_is_too_short_beyond_doubt_or_not() {
        let at_least = |times: &[(u64, u64)]| {
            Seen::at_least(&timed(times), Micros(25_000), String::new()).outcome
        };
        assert_eq!(at_least(&[(50_000, 200), (26_000, 900)]), Outcome::Pass);
        assert_eq!(at_least(&[(50_000, 200), (15_000, 900)]), Outcome::Fail);
        assert_eq!(
            at_least(&[(50_000, 200), (24_500, 900)]),
            Outcome::CannotTell
        );
    }

    #[test]
    fn a_time_near_the_limit_of_an_uncertain_link_is_too_close_to_tell() {
        let judge = |times: &[u64], off: u64| {
            let times: Vec<(u64, u64)> = times.iter().map(|time| (*time, off)).collect();
            Seen::at_most(&timed(&times), Micros(5_000), String::new()).outcome
        };
        assert_eq!(judge(&[1_000, 5_000], 0), Outcome::Pass);
        assert_eq!(judge(&[1_000, 5_001], 0), Outcome::Fail);
        assert_eq!(judge(&[1_000, 4_000], 1_000), Outcome::Pass);
        assert_eq!(judge(&[1_000, 4_001], 1_000), Outcome::CannotTell);
        assert_eq!(judge(&[1_000, 6_000], 1_000), Outcome::CannotTell);
        assert_eq!(judge(&[1_000, 6_001], 1_000), Outcome::Fail);
        // An unmeasured adapter can neither accuse nor acquit at 5 ms.
        assert_eq!(judge(&[2_000, 20_000], 16_000), Outcome::CannotTell);
    }
}
