//! Why a check was not done, or was broken off.

use crate::result::Outcome;
use std::borrow::Cow;
use std::fmt;

/// Why a check was not done, or was broken off.
///
/// Reports carry its text, which is the only form a saved examination has: [`Skip::read`] is the
/// inverse of [`Display`](fmt::Display).
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Skip {
    /// This needs hands, and nobody is there.
    NeedsPerson(String),
    /// The link to the subject has failed.
    LinkGone,
    /// The subject was never heard.
    NeverAnswered,
    /// The person ended the examination.
    Stopped,
    /// A person says that the board has no such setting.
    CannotBeSetUp(String),
    /// Done with an emulated subject only: the whole sentence.
    EmulatedOnly(Cow<'static, str>),
    /// The board is good without what the check is about, and can be offered none of it.
    NotOffered(String),
    /// What an earlier check had done is not undone: there is no ground to start from.
    NotUndone(String),
    /// The subject lacks what the check is about: the whole sentence.
    NotFitted(Cow<'static, str>),
}

const NEEDS_PERSON: &str = "needs a person: ";
const LINK_GONE: &str = "the link has failed";
const NEVER_ANSWERED: &str =
    "it has never answered: is it switched on, plugged in, and is the coding of the link right?";
const STOPPED: &str = "the person ended the examination";
/// The same in earlier reports.
const STOPPED_ONCE: &str = "the examination was ended by the operator";
const CANNOT_BE_SET_UP: &str = "the board cannot be set up for it: ";
const NOT_OFFERED: &str = "this board cannot be offered it: ";
const NOT_UNDONE: &str = "what an earlier check did is not undone: ";
const EMULATED_ONLY: [&str; 2] = [
    ": done with the emulated board only",
    ": done with emulated devices only",
];

impl Skip {
    /// True for a check that suits the subject, and that was not done.
    #[must_use]
    pub const fn is_missing(&self) -> bool {
        matches!(self, Self::NeedsPerson(_) | Self::NotUndone(_)) || self.breaks_off()
    }

    /// True where no further check is done either: the examination ended here.
    #[must_use]
    pub const fn breaks_off(&self) -> bool {
        matches!(self, Self::LinkGone | Self::NeverAnswered | Self::Stopped)
    }

    /// The reason in a saved result: one that ended so, and says this. `None` where it was done.
    #[must_use]
    pub fn read(outcome: Outcome, seen: &str) -> Option<Self> {
        match seen {
            LINK_GONE => return Some(Self::LinkGone),
            NEVER_ANSWERED => return Some(Self::NeverAnswered),
            STOPPED | STOPPED_ONCE => return Some(Self::Stopped),
            _ if outcome != Outcome::Skipped => return None,
            _ => {}
        }
        Some(if let Some(what) = seen.strip_prefix(NEEDS_PERSON) {
            Self::NeedsPerson(what.to_owned())
        } else if let Some(what) = seen.strip_prefix(CANNOT_BE_SET_UP) {
            Self::CannotBeSetUp(what.to_owned())
        } else if let Some(what) = seen.strip_prefix(NOT_OFFERED) {
            Self::NotOffered(what.to_owned())
        } else if let Some(what) = seen.strip_prefix(NOT_UNDONE) {
            Self::NotUndone(what.to_owned())
        } else if EMULATED_ONLY.iter().any(|end| seen.ends_with(end)) {
            Self::EmulatedOnly(seen.to_owned().into())
        } else {
            Self::NotFitted(seen.to_owned().into())
        })
    }
}

impl fmt::Display for Skip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NeedsPerson(what) => write!(f, "{NEEDS_PERSON}{what}"),
            Self::LinkGone => f.write_str(LINK_GONE),
            Self::NeverAnswered => f.write_str(NEVER_ANSWERED),
            Self::Stopped => f.write_str(STOPPED),
            Self::CannotBeSetUp(what) => write!(f, "{CANNOT_BE_SET_UP}{what}"),
            Self::NotOffered(what) => write!(f, "{NOT_OFFERED}{what}"),
            Self::NotUndone(what) => write!(f, "{NOT_UNDONE}{what}"),
            Self::EmulatedOnly(text) | Self::NotFitted(text) => f.write_str(text),
        }
    }
}

/// What the subject lacks, as a sentence.
impl From<&'static str> for Skip {
    fn from(what: &'static str) -> Self {
        Self::NotFitted(what.into())
    }
}

/// What the subject lacks, as a sentence.
impl From<String> for Skip {
    fn from(what: String) -> Self {
        Self::NotFitted(what.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reason_is_read_back_from_its_text() {
        let [board, devices] = EMULATED_ONLY.map(|end| format!("too quick for a person{end}"));
        for skip in [
            Skip::NeedsPerson("press selection 11, which costs 0.65".to_owned()),
            Skip::NeedsPerson(String::new()),
            Skip::LinkGone,
            Skip::NeverAnswered,
            Skip::Stopped,
            Skip::CannotBeSetUp("change the settings of the board: none".to_owned()),
            Skip::NotOffered("escrow: it has bills stacked at once".to_owned()),
            Skip::NotUndone("the motor of selection 11 is blocked".to_owned()),
            Skip::EmulatedOnly(board.into()),
            Skip::EmulatedOnly(devices.into()),
            "this validator has no escrow".into(),
        ] {
            let text = skip.to_string();
            assert_eq!(Skip::read(Outcome::Skipped, &text), Some(skip), "{text}");
        }
    }

    #[test]
    fn a_check_that_was_done_has_no_reason_unless_it_was_broken_off() {
        for outcome in [Outcome::Pass, Outcome::Fail, Outcome::CannotTell] {
            assert_eq!(Skip::read(outcome, "this validator has no escrow"), None);
            assert_eq!(Skip::read(outcome, "needs a person: press"), None);
            assert_eq!(Skip::read(outcome, STOPPED), Some(Skip::Stopped));
        }
    }
}
