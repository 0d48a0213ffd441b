//! How a check ends.

use serde::{Deserialize, Serialize};

/// How a check ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Outcome {
    /// What must be seen was seen.
    #[serde(rename = "pass")]
    Pass,
    /// It was not, or something else was.
    #[serde(rename = "fail")]
    Fail,
    /// The measurement is too uncertain, or what was needed did not happen.
    #[serde(rename = "cannot-tell", alias = "cannot tell")]
    CannotTell,
    /// Not done: the subject lacks what the check is about, or it was left out.
    #[serde(rename = "skipped")]
    Skipped,
}

impl Outcome {
    /// As reports write it: "pass", "fail", "cannot tell", "skipped".
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::CannotTell => "cannot tell",
            Self::Skipped => "skipped",
        }
    }
}
