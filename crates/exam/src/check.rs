//! A check as a value: what it does, what must be seen, what to do when it fails, and how to run it.

use crate::operator::SeenBy;
use crate::remains::STOPPED;
use crate::result::{CheckResult, Grade, Outcome};
use payrig_units::{Micros, words};

/// Where a check comes from when no standard asks for it.
pub const COMMON_PRACTICE: &str = "common practice, no source";

/// What a failed check means for the verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Weight {
    /// A rule of the standard, or money: not fit.
    Rule,
    /// A recommendation: fit, with a remark.
    Advice,
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
}

impl Seen {
    fn new(outcome: Outcome, text: impl Into<String>) -> Self {
        Self {
            outcome,
            text: text.into(),
            by: SeenBy::Wire,
            advice: None,
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

    /// What was needed did not happen, or cannot be measured well enough.
    #[must_use]
    pub fn cannot_tell(text: impl Into<String>) -> Self {
        Self::new(Outcome::CannotTell, text)
    }

    /// The subject lacks what the check is about.
    #[must_use]
    pub fn skipped(text: impl Into<String>) -> Self {
        Self::new(Outcome::Skipped, text)
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

/// What running a check gives: an early end is an `Err`, so that steps can be chained with `?`.
pub type Run = Result<Seen, Seen>;

/// A check on a bench of type `B`, set up from a `S`.
#[derive(Debug)]
pub struct Check<B, S> {
    /// Its name in kebab-case.
    pub id: &'static str,
    /// What it does, in one line.
    pub title: &'static str,
    /// What must be seen.
    pub expected: &'static str,
    /// Section of MDB/ICP 4.3, or [`COMMON_PRACTICE`].
    pub section: &'static str,
    /// What to do when it fails.
    pub advice: &'static str,
    /// What failing means.
    pub weight: Weight,
    /// A wrong behaviour it catches, by its name in the table of quirks.
    pub quirk: &'static str,
    /// What the bench must be like for it, beyond the ordinary.
    pub arrange: Option<fn(&mut S)>,
    /// Runs it.
    pub run: fn(&mut B) -> Run,
}

impl<B, S> Check<B, S> {
    /// The result of this check; `from` and `to` are bench times.
    #[must_use]
    pub fn result(&self, seen: Seen, from: Micros, to: Micros) -> CheckResult {
        // What could not be told says itself what was missing.
        let helpful = seen.outcome == Outcome::Fail;
        CheckResult {
            id: self.id.to_owned(),
            title: self.title.to_owned(),
            expected: self.expected.to_owned(),
            section: self.section.to_owned(),
            outcome: seen.outcome,
            seen: seen.text,
            advice: if helpful {
                seen.advice.unwrap_or(self.advice)
            } else {
                ""
            }
            .to_owned(),
            seen_by: seen.by,
            from_us: from,
            to_us: to,
        }
    }
}

/// What a check says that was not done for lack of a person.
pub(crate) const NEEDS_A_PERSON: &str = "needs a person";

/// What a check says that was not done for lack of a link.
pub(crate) const LINK_GONE: &str = "the link has failed";

/// What a check says of a subject that was never heard.
pub(crate) const NEVER_ANSWERED: &str =
    "it has never answered: is it switched on, plugged in, and is the coding of the link right?";

/// True for a check that the subject is fit for and that was not done all the same.
fn is_missing(seen: &str) -> bool {
    [NEEDS_A_PERSON, LINK_GONE, NEVER_ANSWERED, STOPPED]
        .iter()
        .any(|why| seen.starts_with(why))
}

/// True for a check that was to come when the examination broke off.
fn is_beyond_the_end(seen: &str) -> bool {
    [LINK_GONE, NEVER_ANSWERED, STOPPED]
        .iter()
        .any(|why| seen.starts_with(why))
}

/// Grade and reasons from results and what each weighs; `one_only` when no other check was asked for.
/// What was not looked at in full is called neither fit nor fit with remarks.
#[must_use]
pub(crate) fn grade<'a>(
    results: impl Iterator<Item = (&'a CheckResult, Weight)>,
    one_only: bool,
) -> (Grade, Vec<String>) {
    let mut grade = Grade::Fit;
    let mut reasons = Vec::new();
    let mut untold: Vec<Vec<&CheckResult>> = Vec::new();
    let mut not_done = 0usize;
    let mut broke_off = false;
    for (result, weight) in results {
        match (result.outcome, weight) {
            (Outcome::Fail, Weight::Rule) => grade = Grade::NotFit,
            (Outcome::Fail, Weight::Advice) | (Outcome::CannotTell, _) => {
                if grade == Grade::Fit {
                    grade = Grade::FitWithRemarks;
                }
            }
            (Outcome::Skipped, _) if is_missing(&result.seen) => {
                not_done += 1;
                broke_off |= is_beyond_the_end(&result.seen);
                continue;
            }
            (Outcome::Pass | Outcome::Skipped, _) => continue,
        }
        broke_off |= is_beyond_the_end(&result.seen);
        if result.outcome == Outcome::Fail {
            reasons.push(result.reason());
            continue;
        }
        match untold
            .iter_mut()
            .find(|all| all.iter().any(|r| r.seen == result.seen))
        {
            Some(all) => all.push(result),
            None => untold.push(vec![result]),
        }
    }
    // Those of one cause are one reason.
    reasons.extend(untold.into_iter().filter_map(|all| {
        let first = all.first()?;
        Some(match all.len() {
            1 => first.reason(),
            n => format!(
                "{} cannot be told: {}",
                words::count(n, "check"),
                first.seen
            ),
        })
    }));
    if not_done > 0 {
        if grade == Grade::Fit {
            grade = Grade::FitWithRemarks;
        }
        reasons.push(format!(
            "{} {} not done: each says what was missing",
            words::count(not_done, "check"),
            if not_done == 1 { "was" } else { "were" }
        ));
    }
    if broke_off {
        reasons.push(
            "it broke off before its last check: examine it again, in full, before it is used"
                .to_owned(),
        );
    }
    if one_only {
        reasons.push("one check only was asked for: it says nothing of all the others".to_owned());
    }
    let grade = match grade {
        Grade::NotFit => Grade::NotFit,
        _ if broke_off => Grade::Partial,
        _ if one_only => Grade::OneCheck,
        grade => grade,
    };
    (grade, reasons)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_not_looked_at_in_full_is_called_neither_fit_nor_fit_with_remarks() {
        let result = |outcome, seen: &str| CheckResult {
            id: "a".to_owned(),
            title: "a".to_owned(),
            expected: String::new(),
            section: String::new(),
            outcome,
            seen: seen.to_owned(),
            advice: String::new(),
            seen_by: SeenBy::Wire,
            from_us: Micros::ZERO,
            to_us: Micros::ZERO,
        };
        let good = result(Outcome::Pass, "all");
        let bad = result(Outcome::Fail, "silence");
        let grade = |results: &[&CheckResult], one| {
            grade(results.iter().map(|r| (*r, Weight::Rule)), one).0
        };
        for (outcome, why) in [
            (Outcome::Skipped, STOPPED),
            (Outcome::CannotTell, STOPPED),
            (Outcome::Skipped, LINK_GONE),
            (Outcome::Skipped, NEVER_ANSWERED),
        ] {
            let broken = result(outcome, why);
            assert_eq!(grade(&[&good, &broken], false), Grade::Partial, "{why}");
            assert_eq!(grade(&[&bad, &broken], false), Grade::NotFit, "{why}");
        }
        // Nobody was there: that is known beforehand, and a remark.
        let alone = result(Outcome::Skipped, NEEDS_A_PERSON);
        assert_eq!(grade(&[&good, &alone], false), Grade::FitWithRemarks);
        assert_eq!(grade(&[&good], false), Grade::Fit);
        assert_eq!(grade(&[&good], true), Grade::OneCheck);
        assert_eq!(grade(&[&bad], true), Grade::NotFit);
    }

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

/// A wrong behaviour of the subject, and the checks that must catch it.
#[derive(Debug)]
pub struct Quirk<S> {
    /// Its name in kebab-case.
    pub name: &'static str,
    /// What the subject does wrong.
    pub about: &'static str,
    /// Checks that must fail with it.
    pub caught_by: &'static [&'static str],
    /// Makes the subject so.
    pub apply: fn(&mut S),
}
