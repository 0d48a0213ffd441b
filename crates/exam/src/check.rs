//! A check as a value: what it does, what must be seen, what to do when it fails, how to run it, and
//! a misbehaviour that it catches.

use crate::advice;
use crate::result::{CheckResult, Outcome};
use payrig_units::Micros;

pub use crate::result::Weight;
pub(crate) use crate::seen::{Run, Seen, Timed};

/// Where a check comes from when no standard asks for it.
pub const COMMON_PRACTICE: &str = "common practice, no source";

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
    /// A misbehaviour of the subject that it catches.
    pub quirk: Quirk<S>,
    /// What the bench must be like for it, beyond the ordinary.
    pub arrange: Option<fn(&mut S)>,
    /// Runs it.
    pub run: fn(&mut B) -> Run,
}

impl<B, S: Clone> Check<B, S> {
    /// What the bench is set up from for this check, where it is `setup` otherwise.
    #[must_use]
    pub fn arranged(&self, setup: &S) -> S {
        let mut setup = setup.clone();
        if let Some(arrange) = self.arrange {
            arrange(&mut setup);
        }
        setup
    }
}

impl<B, S> Check<B, S> {
    /// The result of this check; `from` and `to` are bench times.
    #[must_use]
    pub fn result(&self, seen: Seen, from: Micros, to: Micros) -> CheckResult {
        // A check that cannot tell says itself what was missing.
        let helpful = seen.outcome == Outcome::Fail;
        let own = || (self.title.to_owned(), self.expected.to_owned());
        let (title, expected) = seen.words.map_or_else(own, |words| *words);
        CheckResult {
            id: self.id.to_owned(),
            title,
            expected,
            section: self.section.to_owned(),
            outcome: seen.outcome,
            weight: self.weight,
            seen: seen.text,
            advice: match helpful {
                true => advice::about(seen.advice.unwrap_or(self.advice), seen.beyond),
                false => String::new(),
            },
            seen_by: seen.by,
            from_us: from,
            to_us: to,
            skip: seen.skip,
        }
    }
}

/// A misbehaviour of a subject set up from a `S`: a named switch.
#[derive(Debug)]
pub struct Quirk<S> {
    /// Its name in kebab-case.
    pub name: &'static str,
    /// What the subject does wrong.
    pub about: &'static str,
    /// Checks that must fail with it, beside the one it stands with.
    pub caught_by: &'static [&'static str],
    /// Makes the subject so.
    pub apply: fn(&mut S),
}

impl<S> Quirk<S> {
    /// A misbehaviour that stands with its check, which catches it.
    #[must_use]
    pub const fn new(name: &'static str, about: &'static str, apply: fn(&mut S)) -> Self {
        Self {
            name,
            about,
            caught_by: &[],
            apply,
        }
    }
}
