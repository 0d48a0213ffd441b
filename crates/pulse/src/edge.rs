//! A level change, and what a level means on a line.

use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A level change on a pulse line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Edge {
    /// When.
    pub at: Micros,
    /// The level after it, true for high.
    pub high: bool,
}

/// One of the two levels of a line.
///
/// Open-collector outputs (transistor or relay to ground, pull-up on the board) rest high and are
/// active low; that is by far the commonest (common practice, no source).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Near ground.
    #[default]
    Low,
    /// Near the supply.
    High,
}

impl Level {
    /// The level of a line that is `high` or not.
    #[must_use]
    pub const fn of(high: bool) -> Self {
        if high { Self::High } else { Self::Low }
    }

    /// True for high.
    #[must_use]
    pub const fn is_high(self) -> bool {
        matches!(self, Self::High)
    }

    /// The other level.
    #[must_use]
    pub const fn other(self) -> Self {
        Self::of(!self.is_high())
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(if self.is_high() { "high" } else { "low" })
    }
}
