//! What is wrong on a pulse line.

use crate::Window;
use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How much a finding weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing: nothing is proved to be wrong.
    Advice,
    /// Wrong.
    Limit,
}

/// What is breached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum PulseRule {
    /// A pulse is shorter or longer than its profile allows.
    PulseWidth,
    /// A pause within a train is shorter or longer than its profile allows.
    PulseGap,
    /// A contact settles more slowly than the bounce time.
    PulseBounce,
    /// Excursions too short for a pulse were ignored.
    PulseGlitch,
    /// The record begins or ends within a pulse.
    PulseCut,
    /// A train is no whole number of units of money.
    PulseRemainder,
    /// A train starts while the acceptor is held off.
    PulseWhileInhibited,
    /// The line stays active.
    LineStuck,
    /// The line never moves.
    LineSilent,
    /// The line rests at the level that should be a pulse.
    LineReversed,
    /// A line that is in no profile moves.
    LineUnknown,
}

impl PulseRule {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::PulseWidth,
        Self::PulseGap,
        Self::PulseBounce,
        Self::PulseGlitch,
        Self::PulseCut,
        Self::PulseRemainder,
        Self::PulseWhileInhibited,
        Self::LineStuck,
        Self::LineSilent,
        Self::LineReversed,
        Self::LineUnknown,
    ];

    /// The name used in reports: `pulse-width`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::PulseWidth => "pulse-width",
            Self::PulseGap => "pulse-gap",
            Self::PulseBounce => "pulse-bounce",
            Self::PulseGlitch => "pulse-glitch",
            Self::PulseCut => "pulse-cut",
            Self::PulseRemainder => "pulse-remainder",
            Self::PulseWhileInhibited => "pulse-while-inhibited",
            Self::LineStuck => "line-stuck",
            Self::LineSilent => "line-silent",
            Self::LineReversed => "line-reversed",
            Self::LineUnknown => "line-unknown",
        }
    }
}

impl fmt::Display for PulseRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// Something wrong, or worth knowing, about a line or a train on it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct PulseFinding {
    /// How much it weighs.
    pub severity: Severity,
    /// What is breached.
    pub rule: PulseRule,
    /// Name of the line.
    pub line: String,
    /// Start of the train concerned; for a line as a whole, when it was noticed.
    pub at: Micros,
    /// Which pulse or pause is furthest out, counted from 1, where one is.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub number: Option<usize>,
    /// The furthest-out time measured, where one is concerned.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub measured: Option<Micros>,
    /// What was allowed.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub allowed: Option<Window>,
    /// In plain words.
    pub text: String,
}

impl PulseFinding {
    /// A finding without a measured time.
    #[must_use]
    pub fn new(severity: Severity, rule: PulseRule, line: &str, at: Micros, text: String) -> Self {
        Self {
            severity,
            rule,
            line: line.to_owned(),
            at,
            number: None,
            measured: None,
            allowed: None,
            text,
        }
    }

    /// True when something is proved to be wrong.
    #[must_use]
    pub fn is_limit(&self) -> bool {
        self.severity == Severity::Limit
    }
}

impl fmt::Display for PulseFinding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}: {}: {}", self.at, self.line, self.rule, self.text)
    }
}
