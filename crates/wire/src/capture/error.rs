//! Why a capture cannot be read: file, line, what was expected, what to do.

use crate::bounded::LIMIT;
use std::fmt;

/// A capture that cannot be read, or a line it does not have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaptureError {
    /// The file as it was named.
    pub file: String,
    /// Line of text in it, from 1, where there is one.
    pub line: Option<u64>,
    /// What is wrong.
    pub problem: Box<CaptureProblem>,
}

impl CaptureError {
    pub(crate) fn new(file: &str, line: Option<u64>, problem: CaptureProblem) -> Self {
        Self {
            file: file.to_owned(),
            line,
            problem: Box::new(problem),
        }
    }
}

impl fmt::Display for CaptureError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        write!(f, ": {}", self.problem)
    }
}

impl std::error::Error for CaptureError {}

/// What is wrong with a capture.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CaptureProblem {
    /// The file does not open or does not read.
    #[error("cannot be read: {0}. Check the path and its permissions")]
    Io(String),
    /// It is larger than anything this tool reads.
    #[error("more than {} MiB, which is all that is read of a capture. Export a shorter stretch of it",
            LIMIT >> 20)]
    TooLarge,
    /// There is nothing in it.
    #[error(
        "the capture is empty: {0}. Record again, and check that the channels were switched on"
    )]
    Empty(String),
    /// Neither extension nor content shows the format.
    #[error(
        "not a known kind of capture (extension {extension}). Expected .vcd (value change dump) \
         or .csv with the header \"Time [s],name,...\". Export it from the analyser as one of these"
    )]
    UnknownKind {
        /// The extension, or "none".
        extension: String,
    },
    /// A recording of a bench was given to a reader of captures.
    #[error("this is a recording of a bench (JSON lines), not a logic capture")]
    IsRecording,
    /// Bytes that are no text.
    #[error(
        "not UTF-8 text. Expected a text file; a binary capture has to be exported as VCD or CSV"
    )]
    NotUtf8,
    /// The text does not follow the format.
    #[error("{found}; expected {expected}")]
    Syntax {
        /// What stands there.
        found: String,
        /// What should.
        expected: String,
    },
    /// Time runs backwards.
    #[error(
        "time goes back from {before} us to {after} us; expected times that never decrease. Was \
         the file put together from two captures?"
    )]
    TimeGoesBack {
        /// The time before, in microseconds.
        before: i128,
        /// The time that follows it.
        after: i128,
    },
    /// A level that is neither 0 nor 1.
    #[error("line \"{name}\" has level \"{level}\"; expected 0 or 1{hint}")]
    BadLevel {
        /// Name of the line.
        name: String,
        /// What stands there.
        level: String,
        /// What to do.
        hint: &'static str,
    },
    /// A line that the capture does not have.
    #[error("{}", no_such_line(.wanted, .names, .nearest.as_deref()))]
    NoSuchLine {
        /// The name asked for.
        wanted: String,
        /// The names there are.
        names: Vec<String>,
        /// The name most like it.
        nearest: Option<String>,
    },
}

fn no_such_line(wanted: &str, names: &[String], nearest: Option<&str>) -> String {
    let mut text = format!(
        "there is no line \"{wanted}\"; the capture has {}",
        names
            .iter()
            .map(|n| format!("\"{n}\""))
            .collect::<Vec<_>>()
            .join(", ")
    );
    if let Some(nearest) = nearest {
        text.push_str(&format!(". Did you mean \"{nearest}\"?"));
    }
    text
}
