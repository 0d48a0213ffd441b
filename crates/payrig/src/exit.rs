//! How a command ends, and in which form it says what it found.

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
    Wrong(String),
    /// Output could not be written.
    #[error("standard output: cannot be written: {0}")]
    Output(#[from] io::Error),
    /// The link failed.
    #[error("{0}")]
    Link(#[from] payrig_link::LinkError),
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
