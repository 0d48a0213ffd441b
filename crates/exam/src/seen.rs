//! What a check saw, and how it is judged.

use crate::person::SeenBy;
use crate::result::Outcome;
use crate::skip::Skip;
use payrig_units::Micros;

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

    /// Times of which none may be longer than `limit`, each of which may be off by `uncertainty`
    /// either way: a fail is beyond doubt, a pass too, and anything between cannot be told.
    #[must_use]
    pub fn at_most(times: &[Micros], limit: Micros, uncertainty: Micros, text: String) -> Self {
        if times.iter().any(|t| t.since(uncertainty) > limit) {
            return Self::fail(text);
        }
        if times.iter().all(|t| *t + uncertainty <= limit) {
            return Self::pass(text);
        }
        Self::cannot_tell(format!(
            "{text}; with this link each may be off by {uncertainty}"
        ))
    }

    /// A time that may not be shorter than `limit`, likewise.
    #[must_use]
    pub fn at_least(time: Micros, limit: Micros, uncertainty: Micros, text: String) -> Self {
        if time + uncertainty < limit {
            Self::fail(text)
        } else if time.since(uncertainty) >= limit {
            Self::pass(text)
        } else {
            Self::cannot_tell(format!(
                "{text}; with this link it may be off by {uncertainty}"
            ))
        }
    }

    /// The same, and this is to be done about it instead of what the check advises; `None` leaves
    /// that as it is.
    #[must_use]
    pub fn advising(mut self, advice: Option<&'static str>) -> Self {
        self.advice = advice;
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

    #[test]
    fn a_time_near_the_limit_of_an_uncertain_link_cannot_be_told() {
        let judge = |times: &[u64], off: u64| {
            let times: Vec<Micros> = times.iter().copied().map(Micros).collect();
            Seen::at_most(&times, Micros(5_000), Micros(off), String::new()).outcome
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
