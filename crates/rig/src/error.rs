//! Errors that point into a rig file.

use std::fmt;
use std::path::PathBuf;

/// What is wrong with a rig, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RigError {
    /// The file, or the name of the embedded rig.
    pub file: PathBuf,
    /// Line, from 1; 0 when the error is about the file as a whole.
    pub line: usize,
    /// What is wrong and what was expected.
    pub message: String,
    /// What to do about it.
    pub hint: Option<String>,
}

impl fmt::Display for RigError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
        }
        write!(f, ": {}", self.message)?;
        match &self.hint {
            Some(hint) => write!(f, "\n  {hint}"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for RigError {}

/// The candidate most like `word`, when one is near enough to be meant.
#[must_use]
pub fn nearest<'a>(word: &str, candidates: &[&'a str]) -> Option<&'a str> {
    candidates
        .iter()
        .map(|c| (strsim::damerau_levenshtein(word, c), *c))
        .filter(|(distance, c)| *distance <= 2.max(c.len() / 3))
        .min()
        .map(|(_, c)| c)
}
