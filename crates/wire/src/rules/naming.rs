//! What a finding names: the rule, who is concerned, and where the rule comes from. Each is typed,
//! and written in a log as the same words it is read from.

use super::table::{BusRule, Rule};
use crate::Source;
use payrig_mdb::Address;
use payrig_pulse::PulseRule;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::fmt;

/// Which rule a finding is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum RuleName {
    /// Of what travels on the bus ([`super::RULES`]).
    Bus(BusRule),
    /// Of what travels on a pulse line.
    Pulse(PulseRule),
    /// Pulses came while whoever counts them had no power.
    PulseUnheard,
    /// The books do not agree.
    Money,
    /// A step of a script did not come true.
    Script,
    /// This tool itself was late.
    OwnLate,
    /// This tool itself spoke before the other side had ended.
    SpokeOver,
    /// A stretch in which this tool did not look.
    Slept,
    /// The bench itself does not work.
    Bench,
    /// Nothing was there to be judged.
    NothingRead,
    /// The file stops in the middle of its last line.
    Torn,
    /// The run did not come to its end.
    Unended,
    /// A rule that this version does not know, in a log of another one.
    Other(Box<str>),
}

impl RuleName {
    /// As it is written in a log: `inter-byte`.
    #[must_use]
    pub fn as_str(&self) -> &str {
        match self {
            Self::Bus(rule) => rule.name(),
            Self::Pulse(rule) => rule.name(),
            Self::PulseUnheard => "pulse-unheard",
            Self::Money => "money",
            Self::Script => "script",
            Self::OwnLate => "own-late",
            Self::SpokeOver => "spoke-over",
            Self::Slept => "slept",
            Self::Bench => "bench",
            Self::NothingRead => "nothing-read",
            Self::Torn => "torn",
            Self::Unended => "unended",
            Self::Other(name) => name,
        }
    }

    /// Where it comes from, unless a finding says otherwise.
    #[must_use]
    pub fn origin(&self) -> Origin {
        match self {
            Self::Bus(rule) => match rule.row() {
                Some(row) => Origin::Standard(Cow::Borrowed(row.section)),
                None => Origin::Other("".into()),
            },
            Self::Pulse(_) | Self::PulseUnheard | Self::NothingRead => Origin::CommonPractice,
            Self::Money => Origin::Ledger,
            Self::Script => Origin::Script,
            Self::OwnLate | Self::SpokeOver | Self::Slept | Self::Bench | Self::Unended => {
                Origin::Tool
            }
            Self::Torn | Self::Other(_) => Origin::Other("".into()),
        }
    }

    /// Its row in the table, for rules of the bus.
    #[must_use]
    pub fn row(&self) -> Option<&'static Rule> {
        match self {
            Self::Bus(rule) => rule.row(),
            _ => None,
        }
    }
}

impl From<&str> for RuleName {
    fn from(name: &str) -> Self {
        const OWN: [RuleName; 10] = [
            RuleName::PulseUnheard,
            RuleName::Money,
            RuleName::Script,
            RuleName::OwnLate,
            RuleName::SpokeOver,
            RuleName::Slept,
            RuleName::Bench,
            RuleName::NothingRead,
            RuleName::Torn,
            RuleName::Unended,
        ];
        let bus = || BusRule::ALL.iter().find(|r| r.name() == name);
        let pulse = || PulseRule::ALL.iter().find(|r| r.name() == name);
        let own = OWN.into_iter().find(|r| r.as_str() == name);
        own.or_else(|| bus().map(|r| Self::Bus(*r)))
            .or_else(|| pulse().map(|r| Self::Pulse(*r)))
            .unwrap_or_else(|| Self::Other(name.into()))
    }
}

impl From<BusRule> for RuleName {
    fn from(rule: BusRule) -> Self {
        Self::Bus(rule)
    }
}

impl From<PulseRule> for RuleName {
    fn from(rule: PulseRule) -> Self {
        Self::Pulse(rule)
    }
}

/// Who is at fault, or who is concerned.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Party {
    /// The VMC, or whoever speaks for it.
    Master,
    /// A peripheral; which one is not known.
    Peripheral,
    /// The peripheral of this address.
    Device(Address),
    /// The capture itself.
    Capture,
    /// A break, whose length a link does not report.
    Break,
    /// A line of a capture or of a pulse device, by name.
    Line(Box<str>),
}

impl Party {
    /// The side of the bus it is on. What is no side at all does not speak for the master.
    #[must_use]
    pub const fn side(&self) -> Source {
        match self {
            Self::Master => Source::Master,
            _ => Source::Peripheral,
        }
    }
}

impl fmt::Display for Party {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Master => f.write_str("master"),
            Self::Peripheral => f.write_str("peripheral"),
            Self::Device(address) => write!(f, "{address}"),
            Self::Capture => f.write_str("capture"),
            Self::Break => f.write_str("a break"),
            Self::Line(name) => f.write_str(name),
        }
    }
}

impl From<Source> for Party {
    fn from(source: Source) -> Self {
        match source {
            Source::Master => Self::Master,
            Source::Peripheral => Self::Peripheral,
        }
    }
}

impl From<&str> for Party {
    fn from(name: &str) -> Self {
        match name {
            "master" => Self::Master,
            "peripheral" => Self::Peripheral,
            "capture" => Self::Capture,
            "a break" => Self::Break,
            _ => match Address::named(name) {
                Some(address) => Self::Device(address),
                None => Self::Line(name.into()),
            },
        }
    }
}

impl From<String> for Party {
    fn from(name: String) -> Self {
        Self::from(name.as_str())
    }
}

/// Where a finding comes from.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Origin {
    /// A section of MDB/ICP 4.3, broken or recommended by what was on the bus.
    Standard(Cow<'static, str>),
    /// What is usual, for which there is no source.
    CommonPractice,
    /// The books of the bench.
    Ledger,
    /// The script of the rig.
    Script,
    /// This tool: what it did wrong or could not do.
    Tool,
    /// A source that this version does not know, in a log of another one; empty where none is
    /// given.
    Other(Box<str>),
}

impl Origin {
    /// As it is written in a log: `3.2`, `the ledger`.
    #[must_use]
    pub fn as_str(&self) -> &str {
        match self {
            Self::Standard(section) => section,
            Self::CommonPractice => "common practice, no source",
            Self::Ledger => "the ledger",
            Self::Script => "the rig",
            Self::Tool => "about this tool",
            Self::Other(text) => text,
        }
    }

    /// True where no source is given.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.as_str().is_empty()
    }

    /// True for what was not on any wire, so that it cannot be found there again.
    #[must_use]
    pub const fn is_beyond_the_wires(&self) -> bool {
        matches!(self, Self::Ledger | Self::Script | Self::Tool)
    }
}

impl From<&str> for Origin {
    fn from(text: &str) -> Self {
        match text {
            "common practice, no source" => Self::CommonPractice,
            // The second is how versions before 0.2 wrote an amount that is out of range.
            "the ledger" | "ledger" => Self::Ledger,
            "the rig" => Self::Script,
            "about this tool" => Self::Tool,
            _ if text.starts_with(|c: char| c.is_ascii_digit()) || text.starts_with("App") => {
                Self::Standard(Cow::Owned(text.to_owned()))
            }
            _ => Self::Other(text.into()),
        }
    }
}

macro_rules! text {
    ($($name:ident)*) => {$(
        impl AsRef<str> for $name {
            fn as_ref(&self) -> &str {
                self.as_str()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.as_str())
            }
        }

        /// With what is written in a log.
        impl PartialEq<str> for $name {
            fn eq(&self, other: &str) -> bool {
                self.as_str() == other
            }
        }

        /// With what is written in a log.
        impl PartialEq<&str> for $name {
            fn eq(&self, other: &&str) -> bool {
                self.as_str() == *other
            }
        }
    )*};
}

text!(RuleName Origin);

macro_rules! as_text {
    ($($name:ident)*) => {$(
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                Cow::<'de, str>::deserialize(deserializer).map(|text| Self::from(text.as_ref()))
            }
        }
    )*};
}

as_text!(RuleName Origin Party);

#[cfg(feature = "schema")]
mod schema {
    use super::{Origin, Party, RuleName};
    use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
    use std::borrow::Cow;

    macro_rules! text_schema {
        ($($name:ident: $what:literal, $($example:literal),+;)*) => {$(
            impl JsonSchema for $name {
                fn schema_name() -> Cow<'static, str> {
                    stringify!($name).into()
                }

                fn schema_id() -> Cow<'static, str> {
                    concat!(module_path!(), "::", stringify!($name)).into()
                }

                fn json_schema(_: &mut SchemaGenerator) -> Schema {
                    json_schema!({
                        "type": "string",
                        "description": $what,
                        "examples": [$($example),+],
                    })
                }
            }
        )*};
    }

    text_schema! {
        RuleName: "Which rule a finding is about. Later versions may know more.",
            "inter-byte", "pulse-width", "money", "script";
        Origin: "Where a rule comes from: a section of MDB/ICP 4.3, or what else says so; empty where nothing does.",
            "3.2", "common practice, no source", "the ledger", "the rig", "about this tool";
        Party: "Who is at fault, or who is concerned: a side of the bus, a device by its name there, a line by its own.",
            "master", "peripheral", "changer", "coin credit";
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rules() -> impl Iterator<Item = RuleName> {
        let bus = BusRule::ALL.iter().map(|r| RuleName::Bus(*r));
        let pulse = PulseRule::ALL.iter().map(|r| RuleName::Pulse(*r));
        let own = [
            "pulse-unheard",
            "money",
            "script",
            "own-late",
            "spoke-over",
            "slept",
            "bench",
        ];
        let own = own.into_iter().chain(["nothing-read", "torn", "unended"]);
        bus.chain(pulse).chain(own.map(RuleName::from))
    }

    #[test]
    fn every_rule_is_read_from_its_name_and_no_two_share_one() {
        let mut seen = std::collections::BTreeSet::new();
        for rule in rules() {
            assert!(!matches!(rule, RuleName::Other(_)), "{rule}");
            assert_eq!(RuleName::from(rule.as_str()), rule);
            assert!(seen.insert(rule.as_str().to_owned()), "{rule}");
        }
    }

    #[test]
    fn every_party_and_origin_is_read_from_its_words() {
        let devices = (0..32u8).map(|n| Party::Device(Address::of(n << 3)));
        let others = [
            Party::Master,
            Party::Peripheral,
            Party::Capture,
            Party::Break,
        ];
        for party in devices
            .chain(others)
            .chain([Party::Line("coin credit".into())])
        {
            assert_eq!(Party::from(party.to_string()), party);
        }
        for origin in [
            Origin::Standard("3.2".into()),
            Origin::Standard("Appendix 3, section 2".into()),
            Origin::CommonPractice,
            Origin::Ledger,
            Origin::Script,
            Origin::Tool,
            Origin::Other("".into()),
        ] {
            assert_eq!(Origin::from(origin.as_str()), origin);
        }
        assert_eq!(Origin::from("ledger"), Origin::Ledger);
    }

    proptest! {
        /// What another version wrote is written again as it was; "ledger" alone is a slip of an
        /// earlier one.
        #[test]
        fn any_words_survive(text in "\\PC{0,30}") {
            let json = serde_json::to_value(&text).unwrap();
            let again = |value: serde_json::Result<serde_json::Value>| value.unwrap();
            let rule: RuleName = serde_json::from_value(json.clone()).unwrap();
            let party: Party = serde_json::from_value(json.clone()).unwrap();
            let origin: Origin = serde_json::from_value(json.clone()).unwrap();
            prop_assert_eq!(again(serde_json::to_value(rule)), json.clone());
            prop_assert_eq!(again(serde_json::to_value(party)), json.clone());
            if text != "ledger" {
                prop_assert_eq!(again(serde_json::to_value(origin)), json);
            }
        }
    }
}
