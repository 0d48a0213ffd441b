//! Which events somebody wants.

use crate::problem::{Kind, Problem};
use payrig_rig::nearest;
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::recording::Entry;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One word, or several.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Words {
    /// One; several with commas between.
    One(String),
    /// Any of these.
    Any(Vec<String>),
}

impl Words {
    /// All of them.
    pub fn all(&self) -> impl Iterator<Item = &str> {
        let (one, any) = match self {
            Self::One(word) => (Some(word), None),
            Self::Any(words) => (None, Some(words)),
        };
        let one = one.into_iter().flat_map(|word| word.split(','));
        one.chain(any.into_iter().flatten().map(String::as_str))
            .map(str::trim)
    }
}

/// Events that have all of this; an empty filter is every event.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Filter {
    /// The type, as in a recording: `block`, `movement`, `note`, `finding`, `verdict` and so on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub r#type: Option<Words>,
    /// Of this device: whose block, note or pulse line it is, or whose money moved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// A block of this name, in the standard's terms: `POLL`, `VEND REQUEST`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Its text contains this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// A finding by this rule.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
    /// A block, break or garbled word of this side.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Side>,
    /// On the bus behind this bridge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bus: Option<String>,
}

/// A side of the bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// The board.
    Master,
    /// A device.
    Peripheral,
}

impl From<Side> for Source {
    fn from(side: Side) -> Self {
        match side {
            Side::Master => Self::Master,
            Side::Peripheral => Self::Peripheral,
        }
    }
}

impl Filter {
    /// Refuses types that no event has: it would be waited for in vain.
    ///
    /// # Errors
    /// When there is one: says which is nearest.
    pub fn check(&self, known: &[&str]) -> Result<(), Problem> {
        let types = self.r#type.iter().flat_map(Words::all);
        let Some(other) = { types }.find(|word| !known.contains(word)) else {
            return Ok(());
        };
        let problem = Problem::new(Kind::BadField, format!("no event is of type \"{other}\""));
        Err(problem.field("type").advice(match nearest(other, known) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("types: {}", known.join(", ")),
        }))
    }

    /// True for an entry that has all of it.
    #[must_use]
    pub fn wants(&self, entry: &Entry) -> bool {
        let is = |wanted: &Option<String>, found: &dyn Fn(&str) -> bool| match wanted {
            Some(wanted) => found(wanted),
            None => true,
        };
        self.wants_type(entry.type_name().unwrap_or_default())
            && is(&self.device, &|wanted| is_of(entry, wanted))
            && is(&self.name, &|wanted| match entry {
                Entry::Block(block) => block.name().is_some_and(|n| n.eq_ignore_ascii_case(wanted)),
                _ => false,
            })
            && is(&self.text, &|wanted| has_text(entry, wanted))
            && is(&self.rule, &|wanted| match entry {
                Entry::Finding(finding) => finding.rule == *wanted,
                _ => false,
            })
            && self
                .source
                .is_none_or(|side| source(entry) == Some(side.into()))
            && is(&self.bus, &|wanted| entry.bus() == Some(wanted))
    }

    /// The same for an event that is no entry: all that can be asked of it is its type and its text.
    #[must_use]
    pub fn wants_other(&self, type_name: &str, text: &str) -> bool {
        self.wants_type(type_name)
            && self
                .text
                .as_ref()
                .is_none_or(|wanted| text.contains(wanted))
            && self.device.is_none()
            && self.name.is_none()
            && self.rule.is_none()
            && self.source.is_none()
            && self.bus.is_none()
    }

    fn wants_type(&self, name: &str) -> bool {
        let wanted = self.r#type.as_ref();
        wanted.is_none_or(|words| words.all().any(|word| word == name))
    }
}

/// When it is over; `None` for what has no time.
pub(crate) fn end_of(entry: &Entry) -> Option<Micros> {
    entry.times().map(|(_, end)| end)
}

fn source(entry: &Entry) -> Option<Source> {
    match entry {
        Entry::Block(block) => Some(block.source),
        Entry::Break { source, .. } | Entry::Garbled { source, .. } => Some(*source),
        _ => None,
    }
}

fn is_of(entry: &Entry, device: &str) -> bool {
    let line = |name: &str| {
        name.strip_prefix(device)
            .is_some_and(|rest| rest.starts_with(' '))
    };
    match entry {
        Entry::Block(block) => block.device().is_some_and(|d| d == device),
        Entry::Note { who, .. } | Entry::Power { who, .. } => who.as_deref() == Some(device),
        Entry::Silent { who, .. } => who == device,
        Entry::Line(record) => record.device == device,
        Entry::Edge { line: name, .. } => line(name),
        Entry::Train(train) => line(&train.line),
        Entry::Movement(moved) => {
            let of = |place: &dyn std::fmt::Display| place.to_string().contains(device);
            of(&moved.from) || of(&moved.to)
        }
        Entry::Finding(finding) => finding.text.contains(device),
        _ => false,
    }
}

fn has_text(entry: &Entry, wanted: &str) -> bool {
    match entry {
        Entry::Block(block) => {
            block.text().is_some_and(|text| text.contains(wanted))
                || block.name().is_some_and(|name| name.contains(wanted))
        }
        Entry::Note { text, .. } | Entry::Act { text, .. } | Entry::Verdict { text, .. } => {
            text.contains(wanted)
        }
        Entry::Step { text, why, .. } => {
            text.contains(wanted) || why.as_ref().is_some_and(|why| why.contains(wanted))
        }
        Entry::Movement(moved) => moved.why.contains(wanted),
        Entry::Finding(finding) => finding.text.contains(wanted),
        Entry::Train(train) => train
            .text
            .as_ref()
            .is_some_and(|text| text.contains(wanted)),
        _ => false,
    }
}
