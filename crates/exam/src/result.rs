//! What an examination found: one result per check, and all that a report needs.

pub use crate::outcome::Outcome;

use crate::person::SeenBy;
use crate::skip::Skip;
use payrig_pulse::{Profile, Window};
use payrig_units::{Decimals, LedgerEntry, Micros, Money};
use payrig_wire::Finding;
use serde::{Deserialize, Serialize};

/// What a failed check means for the verdict; the gravest first.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Weight {
    /// Money or goods are lost or gained: not fit.
    #[serde(rename = "money")]
    Money,
    /// Another rule of the standard, or of sense: not fit.
    #[default]
    #[serde(rename = "limit")]
    Rule,
    /// A recommendation or a margin: fit, with a remark.
    #[serde(rename = "margin")]
    Advice,
}

/// A cause, with what fails because of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Cause {
    /// The check that is about it.
    pub id: String,
    /// Checks that fail because of it, in their order.
    pub consequences: Vec<String>,
    /// Checks that cannot tell because of it, in their order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub undecided: Vec<String>,
    /// The worst of what it and its consequences mean.
    pub weight: Weight,
}

impl Cause {
    /// All checks that fail or cannot tell because of it.
    pub fn all(&self) -> impl Iterator<Item = &str> {
        self.consequences
            .iter()
            .chain(&self.undecided)
            .map(String::as_str)
    }
}

/// One check as it came out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct CheckResult {
    /// Its name in kebab-case: `answers-within-5-ms`.
    pub id: String,
    /// What it does, in one line.
    pub title: String,
    /// What must be seen.
    pub expected: String,
    /// Section of MDB/ICP 4.3, or "common practice, no source".
    pub section: String,
    /// How it ended.
    pub outcome: Outcome,
    /// What failing means.
    #[serde(default)]
    pub weight: Weight,
    /// What was seen, with numbers.
    pub seen: String,
    /// What to do about it; for a check that passed, nothing.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub advice: String,
    /// Who saw what it was judged by.
    #[serde(default, skip_serializing_if = "SeenBy::is_wire")]
    pub seen_by: SeenBy,
    /// When it began and ended on the bench.
    pub from_us: Micros,
    /// See `from_us`.
    pub to_us: Micros,
    /// Why it was not done or was broken off, where it was. Saved as the text of `seen`, and
    /// [`restored`](Self::restored) from it.
    #[serde(skip)]
    pub skip: Option<Skip>,
}

impl CheckResult {
    /// The same with what is not saved of it.
    #[must_use]
    pub fn restored(mut self) -> Self {
        self.skip = Skip::read(self.outcome, &self.seen);
        self
    }

    /// Why it speaks against the subject, as the verdict says it. The title says what should be: it is
    /// not so, or nobody can tell.
    #[must_use]
    pub fn reason(&self) -> String {
        let what = match self.outcome {
            Outcome::CannotTell => "undecided",
            _ => "not so",
        };
        let remark = if self.is_remark() { "remark: " } else { "" };
        format!("{remark}\"{}\" {what}: {}", self.title, self.seen)
    }

    /// It failed, and that is a remark: a margin missed, a recommendation not followed.
    #[must_use]
    pub fn is_remark(&self) -> bool {
        (self.outcome, self.weight) == (Outcome::Fail, Weight::Advice)
    }

    /// How it ended as reports write it: as [`Outcome::words`], and "remark" for a failure that is one.
    #[must_use]
    pub fn words(&self) -> &'static str {
        match self.is_remark() {
            true => "remark",
            false => self.outcome.words(),
        }
    }
}

/// What was examined.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Subject {
    /// "board", "changer", "bill validator", "cashless device", "pulse acceptor".
    pub kind: String,
    /// As the operator calls it.
    pub name: String,
    /// Maker code, where it said one.
    pub maker: String,
    /// Serial number, where it said one.
    pub serial: String,
    /// Model, where it said one.
    pub model: String,
    /// Software version, where it said one.
    pub version: String,
}

/// The verdict on a device off the shelf.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Use it.
    Fit,
    /// Usable; read the remarks.
    FitWithRemarks,
    /// Do not install it.
    NotFit,
    /// Ended before its last check, or some were left out, and nothing found that makes it unfit.
    Partial,
    /// One check was asked for and no other done, and it does not make it unfit.
    OneCheck,
}

impl Grade {
    /// All of them, the best first.
    pub const ALL: [Self; 5] = [
        Self::Fit,
        Self::FitWithRemarks,
        Self::NotFit,
        Self::Partial,
        Self::OneCheck,
    ];

    /// The grade that is called so ([`Grade::words`]).
    #[must_use]
    pub fn named(words: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|grade| grade.words() == words)
    }

    /// As reports write it: "fit", "fit with remarks", "not fit", "not examined in full",
    /// "one check only".
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Fit => "fit",
            Self::FitWithRemarks => "fit with remarks",
            Self::NotFit => "not fit",
            Self::Partial => "not examined in full",
            Self::OneCheck => "one check only",
        }
    }
}

/// A measured interval, for histograms.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Interval {
    /// What was measured: "answer time", "pause between bytes", "polling interval of the changer".
    pub what: String,
    /// No measurement may be shorter than this, where it is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_us: Option<Micros>,
    /// The limit none may be longer than, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_us: Option<Micros>,
    /// The measurements.
    pub values_us: Vec<Micros>,
}

impl Interval {
    /// A series of which none may be longer than `limit`.
    #[must_use]
    pub fn at_most(what: &str, limit: Micros, values: Vec<Micros>) -> Self {
        Self {
            what: what.to_owned(),
            least_us: None,
            limit_us: Some(limit),
            values_us: values,
        }
    }

    /// True for a time that is too short or too long.
    #[must_use]
    pub fn is_outside(&self, time: Micros) -> bool {
        self.least_us.is_some_and(|least| time < least)
            || self.limit_us.is_some_and(|most| time > most)
    }

    /// What is allowed, in plain words; empty where anything is.
    #[must_use]
    pub fn allowed(&self) -> String {
        match (self.least_us, self.limit_us) {
            (None, None) => String::new(),
            (None, Some(most)) => most.to_string(),
            (Some(least), None) => format!("at least {least}"),
            (Some(least), Some(most)) => format!("{least} to {most}"),
        }
    }
}

/// The link of a subject that is emulated.
pub const EMULATED: &str = "virtual bus";

/// What is in a place at the end.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
#[serde(from = "SavedBalance")]
pub struct Balance {
    /// The place as it is printed: "changer tube 2".
    pub place: String,
    /// What is in it.
    pub amount: Money,
}

/// A balance as it is read: versions before 0.2 wrote pairs.
#[derive(Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(untagged)]
enum SavedBalance {
    Named { place: String, amount: Money },
    Pair(String, Money),
}

impl From<SavedBalance> for Balance {
    fn from(saved: SavedBalance) -> Self {
        match saved {
            SavedBalance::Named { place, amount } | SavedBalance::Pair(place, amount) => {
                Self { place, amount }
            }
        }
    }
}

/// A whole examination.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Examination {
    /// What was examined.
    pub subject: Subject,
    /// When it was begun, as the operator's clock says: RFC 3339; empty where nobody
    /// has said it: in simulated time, where no clock runs.
    pub date: String,
    /// What ran it, with its version.
    pub tool: String,
    /// The link and how far its times may be off.
    pub link: String,
    /// See `link`.
    pub uncertainty_us: Micros,
    /// The checks, in order.
    pub checks: Vec<CheckResult>,
    /// The grade and its reasons.
    pub grade: Grade,
    /// Why.
    pub reasons: Vec<String>,
    /// Checks that were not asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<String>,
    /// What failed, the cause first and what to mend first in front.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub causes: Vec<Cause>,
    /// Everything found on the wire.
    pub findings: Vec<Finding>,
    /// Intervals for histograms.
    pub intervals: Vec<Interval>,
    /// Pulse trains for waveforms: line, start, (width, gap) pairs in order.
    pub trains: Vec<payrig_wire::recording::TrainRecord>,
    /// The ledger: every movement, and the balances at the end by printed place.
    pub movements: Vec<LedgerEntry>,
    /// See `movements`.
    pub balances: Vec<Balance>,
    /// Decimals of all amounts.
    pub decimals: Decimals,
    /// SHA-256 of the recording in hex, where one was written.
    pub recording_sha256: String,
}

impl Examination {
    /// All that was measured: the intervals, and pulses and pauses of the trains, held against their
    /// profile where it is one of the ready-made ones.
    #[must_use]
    pub fn series(&self) -> Vec<Interval> {
        let mut all = self.intervals.clone();
        let mut add = |what: String, window: Option<Window>, values: &[Micros]| match all
            .iter_mut()
            .find(|i| i.what == what)
        {
            Some(known) => known.values_us.extend_from_slice(values),
            None if values.is_empty() => {}
            None => all.push(Interval {
                what,
                least_us: window.map(|w| w.min),
                limit_us: window.map(|w| w.max),
                values_us: values.to_vec(),
            }),
        };
        // A board is sent pulses, right ones and wrong ones: they say nothing about it.
        let trains = self.trains.iter().filter(|_| self.subject.kind != "board");
        for train in trains {
            let profile = Profile::named(&train.profile);
            let widths = profile.as_ref().map(Profile::width_windows);
            // Where the width is the value, there are several, and none is the one allowed.
            let width = widths
                .filter(|w| w.len() == 1)
                .and_then(|w| w.first().copied());
            let gap = profile.as_ref().map(Profile::gap_window);
            add(format!("pulse on {}", train.line), width, &train.widths_us);
            add(format!("pause on {}", train.line), gap, &train.gaps_us);
        }
        all
    }

    /// True when no real unit was examined.
    #[must_use]
    pub fn is_emulated(&self) -> bool {
        self.link == EMULATED
    }

    /// Its grade in words, as people are shown it. No real unit was examined in an emulated one, so that is
    /// never called fit.
    #[must_use]
    pub fn grade_words(&self) -> &'static str {
        match (self.is_emulated(), self.grade) {
            (true, Grade::Fit) => "nothing failed",
            (true, Grade::FitWithRemarks) => "nothing failed, with remarks",
            (_, grade) => grade.words(),
        }
    }

    /// A check by its name.
    #[must_use]
    pub fn check(&self, id: &str) -> Option<&CheckResult> {
        self.checks.iter().find(|check| check.id == id)
    }

    /// What failed, each cause with what fails because of it, the one to mend first in front. A failure that
    /// no cause names, as in an examination saved before there were causes, is one by itself.
    #[must_use]
    pub fn to_mend(&self) -> Vec<Cause> {
        let fails = |id: &str| self.check(id).is_some_and(|c| c.outcome == Outcome::Fail);
        let named = |id: &str| {
            let mut causes = self.causes.iter();
            causes.any(|cause| cause.id == id || cause.consequences.iter().any(|c| c == id))
        };
        let mut all = self.causes.clone();
        all.retain(|cause| fails(&cause.id));
        let failed = self.checks.iter().filter(|c| c.outcome == Outcome::Fail);
        all.extend(failed.filter(|c| !named(&c.id)).map(|check| Cause {
            id: check.id.clone(),
            consequences: Vec::new(),
            undecided: Vec::new(),
            weight: check.weight,
        }));
        all.sort_by_key(|cause| cause.weight);
        all
    }

    /// The check that this one fails, or cannot tell, because of.
    #[must_use]
    pub fn because_of(&self, id: &str) -> Option<&str> {
        let explains = |cause: &&Cause| cause.all().any(|other| other == id);
        self.causes
            .iter()
            .find(explains)
            .map(|cause| cause.id.as_str())
    }

    /// How many checks ended so.
    #[must_use]
    pub fn count(&self, outcome: Outcome) -> usize {
        self.checks.iter().filter(|c| c.outcome == outcome).count()
    }

    /// True when it was ended before its last check.
    #[must_use]
    pub fn was_stopped(&self) -> bool {
        self.checks
            .iter()
            .any(|c| c.outcome == Outcome::Skipped && c.skip == Some(Skip::Stopped))
    }

    /// True when no check failed, and nobody ended it before its last check.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.count(Outcome::Fail) == 0 && !self.was_stopped()
    }
}
