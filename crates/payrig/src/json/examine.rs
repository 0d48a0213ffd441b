//! The lines of `examine` and `report`.

use super::tickets::{Kept, Ticket};
use payrig_exam::{Cause, CheckResult, Examination, Grade, Outcome, Weight};
use schemars::JsonSchema;
use serde::Serialize;

/// A line of `payrig examine` or `payrig report`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Line<'a> {
    /// With `--list`: a check that can be done.
    ListedCheck(ListedCheck<'a>),
    /// A check as it came out.
    Check(Checked<'a>),
    /// What failed and why, the one to mend first in front.
    Cause(Because<'a>),
    /// What came of it all.
    Verdict(Verdict<'a>),
    /// It was kept as a ticket.
    Kept(Kept),
    /// Of `payrig tickets show`: the ticket that it is of.
    Ticket(Ticket<'a>),
}

/// A check that can be done.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct ListedCheck<'a> {
    /// What is examined: "board", "changer".
    pub(crate) subject: &'a str,
    /// Its name in kebab-case.
    pub(crate) id: &'a str,
    /// What it does, in one line.
    pub(crate) title: &'a str,
    /// Section of MDB/ICP 4.3, or "common practice, no source".
    pub(crate) section: &'a str,
    /// What must be seen.
    pub(crate) expected: &'a str,
    /// The misbehaviour that it must catch; `--quirk` switches it on.
    pub(crate) quirk: &'a str,
    /// Habits of the subject that it works from.
    pub(crate) works_from: &'a [&'a str],
}

/// A check as it came out.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Checked<'a> {
    /// What is examined: "board", "changer".
    pub(crate) subject: &'a str,
    /// What came of it.
    #[serde(flatten)]
    pub(crate) check: &'a CheckResult,
}

/// A cause, with what fails because of it.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Because<'a> {
    /// What is examined.
    pub(crate) subject: &'a str,
    /// The check that is about it.
    id: &'a str,
    /// Checks that fail because of it, in their order.
    consequences: &'a [String],
    /// Checks that cannot tell because of it, in their order.
    undecided: &'a [String],
    /// The worst of what it and its consequences mean.
    weight: Weight,
    /// What was seen.
    #[serde(skip_serializing_if = "Option::is_none")]
    seen: Option<&'a str>,
    /// What to do about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    advice: Option<&'a str>,
}

/// What came of an examination.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Verdict<'a> {
    /// What was examined.
    subject: &'a str,
    /// As the operator calls it.
    name: &'a str,
    /// No check failed, and nobody ended it before its last check.
    passed: bool,
    /// Its grade.
    grade: Grade,
    /// No real unit was examined.
    emulated: bool,
    /// How many checks there were.
    checks: usize,
    /// How many failed.
    failed: usize,
    /// It was ended before its last check.
    stopped: bool,
    /// How many could not tell.
    cannot_tell: usize,
    /// How many were skipped.
    skipped: usize,
    /// Why the grade is what it is.
    reasons: &'a [String],
    /// Checks that were not asked for.
    left_out: &'a [String],
}

impl<'a> Line<'a> {
    /// A check of an examination.
    pub(crate) fn check(subject: &'a str, check: &'a CheckResult) -> Self {
        Self::Check(Checked { subject, check })
    }

    /// The causes of what failed, the one to mend first in front, and the verdict.
    pub(crate) fn ends(subject: &'a str, e: &'a Examination) -> impl Iterator<Item = Self> {
        let because = move |cause: &'a Cause| {
            let check = e.check(&cause.id);
            Self::Cause(Because {
                subject,
                id: &cause.id,
                consequences: &cause.consequences,
                undecided: &cause.undecided,
                weight: cause.weight,
                seen: check.map(|c| c.seen.as_str()),
                advice: check.map(|c| c.advice.as_str()),
            })
        };
        let verdict = Verdict {
            subject,
            name: &e.subject.name,
            passed: e.passed(),
            grade: e.grade,
            emulated: e.is_emulated(),
            checks: e.checks.len(),
            failed: e.count(Outcome::Fail),
            stopped: e.was_stopped(),
            cannot_tell: e.count(Outcome::CannotTell),
            skipped: e.count(Outcome::Skipped),
            reasons: &e.reasons,
            left_out: &e.left_out,
        };
        let causes = e.causes.iter().map(because);
        causes.chain([Self::Verdict(verdict)])
    }

    /// All lines of an examination that is over.
    pub(crate) fn all(subject: &'a str, e: &'a Examination) -> impl Iterator<Item = Self> {
        let checks = e.checks.iter().map(move |c| Self::check(subject, c));
        checks.chain(Self::ends(subject, e))
    }
}
