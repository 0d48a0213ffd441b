//! How a command ends, and in which form it says what it found.

use crate::advice;
use crate::json::common::{Ended, Problem};
use crate::lines;
use crate::terminal::say_to_people;
use clap::ValueEnum;
use std::io;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// All passed.
    Passed,
    /// Something under test fell short.
    FellShort,
    /// The command, rig or file was wrong.
    Wrong,
    /// The link failed.
    LinkFailed,
}

impl Exit {
    /// As the last line of JSON says it.
    pub(crate) const fn ended(self) -> Ended {
        match self {
            Self::Passed => Ended::Passed,
            Self::FellShort => Ended::FellShort,
            Self::Wrong => Ended::Wrong,
            Self::LinkFailed => Ended::LinkFailed,
        }
    }

    /// The exit code.
    pub(crate) const fn code(self) -> u8 {
        match self {
            Self::Passed => 0,
            Self::FellShort => 1,
            Self::Wrong => 2,
            Self::LinkFailed => 3,
        }
    }
}

/// An error to be reported to the user.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The command, rig or file was wrong.
    #[error("{0}")]
    Wrong(Box<Problem>),
    /// Output could not be written.
    #[error("standard output: cannot be written: {0}")]
    Output(#[from] io::Error),
    /// The link failed.
    #[error("{}", advice::beside(.0, advice::of_link(.0)))]
    Link(#[from] payrig_link::LinkError),
}

impl Failure {
    /// The command, rig or file was wrong.
    pub(crate) fn wrong(problem: impl Into<Problem>) -> Self {
        Self::Wrong(Box::new(problem.into()))
    }

    /// What was wrong, and what to do.
    pub(crate) fn problem(&self) -> Problem {
        match self {
            Self::Wrong(problem) => (**problem).clone(),
            Self::Output(_) => self.to_string().into(),
            Self::Link(error) => Problem::from(error.to_string()).beside(advice::of_link(error)),
        }
    }

    /// What the program ends with.
    pub(crate) const fn exit(&self) -> Exit {
        match self {
            Self::Link(_) => Exit::LinkFailed,
            Self::Wrong(_) | Self::Output(_) => Exit::Wrong,
        }
    }

    /// Tells it: as a line of JSON where those are wanted.
    pub(crate) fn tell(&self) {
        lines::error(&self.problem());
        say_to_people(format_args!("payrig: {self}"));
    }
}

/// How results are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people.
    #[default]
    Text,
    /// One JSON object per line, for scripts.
    Json,
}
