//! Limits of the standard and advice, kept apart.

use serde::{Deserialize, Serialize};

/// How grave a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// A recommendation, or something worth knowing. Never fails a test.
    Advice,
    /// A limit of the standard was broken.
    Limit,
}
