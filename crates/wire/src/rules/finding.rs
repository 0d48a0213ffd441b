//! What was found on the wire: how grave, by which rule, how certain, and what to do.

use super::naming::{Origin, Party, RuleName};
use super::severity::Severity;
use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a measured time says about a limit, given how far the measurement may be off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Certainty {
    /// Within the limit, whatever the uncertainty.
    Pass,
    /// Outside the limit, whatever the uncertainty.
    Fail,
    /// The limit lies within the uncertainty.
    CannotTell,
}

impl Certainty {
    /// A time that may be at most `limit`.
    #[must_use]
    pub fn at_most(measured: Micros, limit: Micros, uncertainty: Micros) -> Self {
        if measured + uncertainty <= limit {
            Self::Pass
        } else if measured - uncertainty > limit {
            Self::Fail
        } else {
            Self::CannotTell
        }
    }

    /// A time that must be at least `limit`.
    #[must_use]
    pub fn at_least(measured: Micros, limit: Micros, uncertainty: Micros) -> Self {
        if measured - uncertainty >= limit {
            Self::Pass
        } else if measured + uncertainty < limit {
            Self::Fail
        } else {
            Self::CannotTell
        }
    }
}

/// Something found: a breach of a limit, or advice.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Finding {
    /// Limit or advice.
    pub severity: Severity,
    /// Which rule.
    pub rule: RuleName,
    /// Start of the block, break or set-up time concerned.
    #[serde(rename = "at_us")]
    pub at: Micros,
    /// What was measured.
    #[serde(
        rename = "measured_us",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub measured: Option<Micros>,
    /// What is allowed.
    #[serde(rename = "limit_us", default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<Micros>,
    /// How far `measured` may be off, either way.
    #[serde(
        rename = "uncertainty_us",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub uncertainty: Option<Micros>,
    /// Section of MDB/ICP 4.3, or where else the rule comes from.
    #[serde(rename = "section")]
    pub origin: Origin,
    /// How certain it is. Only [`Certainty::Fail`] is ever a [`Severity::Limit`].
    pub certainty: Certainty,
    /// Whether a peer that keeps to the tolerances of Appendix 3, section 2 would still have coped.
    /// `None` where that section says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerant_peer_copes: Option<bool>,
    /// Who is at fault, or who is concerned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub who: Option<Party>,
    /// In plain words: what is wrong, and what to do.
    pub text: String,
}

impl Finding {
    /// A breach of a limit by the rule of that name; section and limit come from the table.
    #[must_use]
    pub fn limit(rule: impl Into<RuleName>, at: Micros, text: impl Into<String>) -> Self {
        let rule = rule.into();
        let row = rule.row();
        Self {
            severity: Severity::Limit,
            at,
            measured: None,
            limit: row.and_then(|r| r.limit),
            uncertainty: None,
            origin: rule.origin(),
            rule,
            certainty: Certainty::Fail,
            tolerant_peer_copes: None,
            who: None,
            text: text.into(),
        }
    }

    /// Advice by the rule of that name.
    #[must_use]
    pub fn advice(rule: impl Into<RuleName>, at: Micros, text: impl Into<String>) -> Self {
        Self {
            severity: Severity::Advice,
            ..Self::limit(rule, at, text)
        }
    }

    /// With where the rule comes from.
    #[must_use]
    pub fn from_origin(mut self, origin: Origin) -> Self {
        self.origin = origin;
        self
    }

    /// With what was measured and how far it may be off.
    #[must_use]
    pub fn measured(mut self, measured: Micros, uncertainty: Micros) -> Self {
        self.measured = Some(measured);
        self.uncertainty = Some(uncertainty);
        self
    }

    /// With who is concerned.
    #[must_use]
    pub fn of(mut self, who: impl Into<Party>) -> Self {
        self.who = Some(who.into());
        self
    }

    /// With whether a tolerant peer would have coped: `tolerates` is what it tolerates (Appendix 3,
    /// section 2).
    #[must_use]
    pub fn peer_tolerates(mut self, tolerates: Micros) -> Self {
        self.tolerant_peer_copes = self.measured.map(|m| m <= tolerates);
        self
    }

    /// True for a breach of a limit.
    #[must_use]
    pub fn is_limit(&self) -> bool {
        self.severity == Severity::Limit
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let severity = match self.severity {
            Severity::Limit => "LIMIT",
            Severity::Advice => "advice",
        };
        write!(f, "{} {severity} {}", self.at, self.rule)?;
        if let Some(who) = &self.who {
            write!(f, " ({who})")?;
        }
        write!(f, ": {}", self.text)?;
        if !self.origin.is_empty() {
            write!(f, " [{}]", self.origin)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rules::BusRule;

    #[test]
    fn uncertainty_makes_a_verdict_honest() {
        let ms = Micros::ms;
        assert_eq!(Certainty::at_most(ms(4), ms(5), ms(1)), Certainty::Pass);
        assert_eq!(Certainty::at_most(ms(5), ms(5), ms(0)), Certainty::Pass);
        assert_eq!(
            Certainty::at_most(ms(6), ms(5), ms(1)),
            Certainty::CannotTell
        );
        assert_eq!(Certainty::at_most(ms(7), ms(5), ms(1)), Certainty::Fail);
        assert_eq!(
            Certainty::at_least(ms(100), ms(100), ms(0)),
            Certainty::Pass
        );
        assert_eq!(
            Certainty::at_least(ms(99), ms(100), ms(1)),
            Certainty::CannotTell
        );
        assert_eq!(Certainty::at_least(ms(80), ms(100), ms(1)), Certainty::Fail);
    }

    #[test]
    fn findings_keep_the_field_names_of_the_read_format() {
        let finding = Finding::limit(BusRule::InterByte, Micros(1_292_728), "late")
            .measured(Micros(1_319), Micros(1));
        let json = serde_json::to_value(&finding).unwrap();
        assert_eq!(json["severity"], "limit");
        assert_eq!(json["rule"], "inter-byte");
        assert_eq!(json["at_us"], 1_292_728);
        assert_eq!(json["measured_us"], 1_319);
        assert_eq!(json["limit_us"], 1_000);
        assert_eq!(json["section"], "3.2");
        assert_eq!(serde_json::from_value::<Finding>(json).unwrap(), finding);
    }
}
