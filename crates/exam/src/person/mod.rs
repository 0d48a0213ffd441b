//! The person at the bench, as questions and answers: instructions, yes or no, amounts.
//!
//! Nothing here waits or reads a keyboard. A bench puts a [`Question`] to its [`Person`] and goes
//! on with the wire until there is a [`Reply`]. Every question has a default for benches nobody
//! stands at, and every answer says whose it is ([`SeenBy`]).

mod plan;
mod seen_by;
mod unattended;

pub use plan::{Expected, Plan, Progress};
pub use seen_by::SeenBy;
pub use unattended::Unattended;

use crate::board::BoardOptions;
use payrig_bench::Observation;
use payrig_bench::action::Action;
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::recording::Entry;
use std::fmt;

/// Something a person is asked to do: an action, as a script could do it on a bench, or one of the
/// things that only a person can do. How a machine is filled and set is how a bench begins, where it is
/// emulated; on a bench that runs nothing changes it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ToDo {
    /// At the machine, or at the device under examination.
    Act(Action),
    /// One after the other, the second as soon as the first is taken.
    InARow(Action, Action),
    /// Set the machine up as the checks need it.
    Prepare,
    /// Change the board's settings to these.
    SetUp(BoardOptions),
    /// Set the card reader so that it takes at least so long to decide on a vend; as it was before for
    /// none.
    SlowReader(Option<Micros>),
}

/// Money a person is asked to count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tally {
    /// What came out since the last time it was asked: return cup, inlet.
    CameOut,
    /// What was taken from the card.
    FromCard,
}

/// A question to the person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Question {
    /// Do this, and say when it is done.
    Do {
        /// In plain words.
        text: String,
        /// What it is.
        what: ToDo,
    },
    /// Yes or no.
    Look {
        /// In plain words, with a question mark.
        text: String,
        /// What it is about.
        what: Observation,
        /// What is taken when nobody looks.
        default: bool,
    },
    /// An amount.
    Count {
        /// In plain words, with a question mark.
        text: String,
        /// What it is about.
        tally: Tally,
        /// What is taken when nobody looks.
        default: Money,
        /// How amounts are written.
        decimals: Decimals,
    },
}

impl Question {
    /// Its text.
    #[must_use]
    pub fn text(&self) -> &str {
        match self {
            Self::Do { text, .. } | Self::Look { text, .. } | Self::Count { text, .. } => text,
        }
    }

    /// The reply where nobody is there: what needs hands cannot be done, settings stay as they are
    /// though the board may well have them, what needs eyes is answered by its default.
    #[must_use]
    pub const fn unanswered(&self) -> Reply {
        match self {
            Self::Do {
                what: ToDo::SetUp(_) | ToDo::SlowReader(_),
                ..
            }
            | Self::Look { .. }
            | Self::Count { .. } => Reply::Default,
            Self::Do { .. } => Reply::CannotDo,
        }
    }
}

/// What comes back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// It is done.
    Done,
    /// It cannot be done here: nobody is there, or a person says so.
    CannotDo,
    /// Yes or no, seen by a person.
    Saw(bool),
    /// An amount, counted by a person.
    Counted(Money),
    /// Nobody looked: the default holds.
    Default,
    /// The person ends the examination.
    Stop,
}

impl fmt::Display for Reply {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Done => f.write_str("done"),
            Self::CannotDo => f.write_str("cannot be done here"),
            Self::Saw(true) => f.write_str("yes"),
            Self::Saw(false) => f.write_str("no"),
            Self::Counted(amount) => write!(f, "{} minor units", amount.as_minor()),
            Self::Default => f.write_str("nobody looked, the default is taken"),
            Self::Stop => f.write_str("the examination is ended"),
        }
    }
}

/// Whoever answers.
pub trait Person: fmt::Debug {
    /// A question is put. There is one at a time.
    fn ask(&mut self, question: &Question);

    /// A check begins: how far the examination is, and what is still to come.
    fn begins(&mut self, _progress: &Progress) {}

    /// A check begins, whether or not it was expected.
    fn check_begins(&mut self) {}

    /// What the coin or bill is worth that is asked for next, where that is known: it may be asked for by its
    /// type, and only the device says what that is worth.
    fn worth(&mut self, _worth: Money) {}

    /// Something a person should know before the next question.
    fn inform(&mut self, _text: &str) {}

    /// The answer to it, once there is one; asked for again and again while the bench goes on.
    /// `now` is bench time.
    fn answer(&mut self, now: Micros) -> Option<Reply>;

    /// Why it could not do what it was asked for last, where it says so.
    fn why_not(&self) -> Option<&str> {
        None
    }
}

/// What could not be done, and why, where that was said.
pub(crate) fn undone(text: String, person: &dyn Person) -> String {
    match person.why_not() {
        Some(why) => format!("{text} ({why})"),
        None => text,
    }
}

/// Puts a question, and lets time pass until it is answered. `time` lets some pass, when asked to, and gives
/// bench time; nothing once no answer is waited for any more: then nobody is asked, either.
pub(crate) fn put(
    person: &mut dyn Person,
    question: &Question,
    mut time: impl FnMut(bool) -> Option<Micros>,
) -> Reply {
    let mut now = time(false);
    if now.is_some() {
        person.ask(question);
    }
    while let Some(at) = now {
        if let Some(reply) = person.answer(at) {
            return reply;
        }
        now = time(true);
    }
    Reply::CannotDo
}

/// The recording's note of a question and its answer.
pub(crate) fn note(at_us: Micros, question: &Question, reply: Reply) -> Entry {
    Entry::Note {
        at_us,
        who: Some("operator".to_owned()),
        text: format!("{} {reply}", question.text()),
    }
}
