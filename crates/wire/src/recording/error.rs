//! Why a recording cannot be read.

use super::header::VERSION;
use crate::bounded::LIMIT;
use std::fmt;

/// A recording that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RecordingError {
    /// The file as it was named.
    pub file: String,
    /// Line in it, from 1, where there is one.
    pub line: Option<u64>,
    /// What is wrong.
    pub problem: RecordingProblem,
}

impl fmt::Display for RecordingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        write!(f, ": {}", self.problem)
    }
}

impl std::error::Error for RecordingError {}

/// What is wrong with a recording.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RecordingProblem {
    /// The file does not open or does not read.
    #[error("cannot be read: {0}. Check the path and its permissions")]
    Io(String),
    /// It is larger than anything this tool reads.
    #[error(
        "more than {} MiB, which is all that is read of a recording. Cut it into parts, each with the \
         header as its first line",
        LIMIT >> 20
    )]
    TooLarge,
    /// There is nothing in it.
    #[error("the recording is empty: its first line was never written")]
    Empty,
    /// The first line is no header.
    #[error(
        "the first line is no header of a recording ({0}); expected \
         {{\"type\":\"header\",\"schema\":\"payrig-recording\",\"version\":{VERSION},...}}"
    )]
    NoHeader(String),
    /// A later version of the format.
    #[error("version {0} of the format; this tool reads up to {VERSION}. Use a newer tool")]
    TooNew(u32),
    /// A line that does not follow the format.
    #[error(
        "{found}; expected one JSON object per line with a \"type\". Lines before it are whole: cut \
         the file there to read them"
    )]
    BadLine {
        /// What is wrong with it.
        found: String,
    },
}
