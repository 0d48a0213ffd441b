//! What a block means: typed where this tool decoded it, in words where a recording says so. Words
//! are made when somebody reads or writes them.

use payrig_mdb::{Address, Decoded, Typed};
use serde::ser::SerializeStruct;
use std::borrow::Cow;

/// What a block means.
#[derive(Clone, Debug, Default)]
pub enum Meaning {
    /// Nobody has decoded it.
    #[default]
    NotSaid,
    /// As this tool decoded it.
    Decoded(Decoded),
    /// As a recording says.
    Written(Box<Written>),
}

/// What a recording says of a block.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// Who is spoken to, or answers.
    pub device: Option<String>,
    /// Name of the command or response in the standard's terms.
    pub name: Option<String>,
    /// What it means.
    pub text: Option<String>,
}

impl Meaning {
    /// What a recording says.
    #[must_use]
    pub fn written(device: Option<String>, name: Option<String>, text: Option<String>) -> Self {
        match (&device, &name, &text) {
            (None, None, None) => Self::NotSaid,
            _ => Self::Written(Box::new(Written { device, name, text })),
        }
    }

    /// The message, where this tool decoded it and it could be typed.
    #[must_use]
    pub fn message(&self) -> Option<&Typed> {
        match self {
            Self::Decoded(decoded) => decoded.typed.as_ref(),
            Self::NotSaid | Self::Written(_) => None,
        }
    }

    /// Who is spoken to, or answers, where this tool decoded it.
    #[must_use]
    pub fn address(&self) -> Option<Address> {
        match self {
            Self::Decoded(decoded) => decoded.address,
            Self::NotSaid | Self::Written(_) => None,
        }
    }

    /// Who is spoken to, or answers, by name.
    #[must_use]
    pub fn device(&self) -> Option<Cow<'_, str>> {
        match self {
            Self::NotSaid => None,
            Self::Decoded(decoded) => decoded.address.map(|a| Cow::Owned(a.to_string())),
            Self::Written(written) => written.device.as_deref().map(Cow::Borrowed),
        }
    }

    /// Name of the command or response in the standard's terms, or "RAW".
    #[must_use]
    pub fn name(&self) -> Option<&str> {
        match self {
            Self::NotSaid => None,
            Self::Decoded(decoded) => Some(decoded.name()),
            Self::Written(written) => written.name.as_deref(),
        }
    }

    /// In words.
    #[must_use]
    pub fn text(&self) -> Option<Cow<'_, str>> {
        match self {
            Self::NotSaid => None,
            Self::Decoded(decoded) => Some(Cow::Owned(decoded.text())),
            Self::Written(written) => written.text.as_deref().map(Cow::Borrowed),
        }
    }

    pub(super) fn serialize_fields<S: SerializeStruct>(&self, to: &mut S) -> Result<(), S::Error> {
        match self {
            Self::NotSaid => Ok(()),
            Self::Decoded(decoded) => {
                if let Some(address) = decoded.address {
                    to.serialize_field("device", &Words(address))?;
                }
                to.serialize_field("name", decoded.name())?;
                to.serialize_field("text", &Words(decoded))
            }
            Self::Written(written) => {
                if let Some(device) = &written.device {
                    to.serialize_field("device", device)?;
                }
                if let Some(name) = &written.name {
                    to.serialize_field("name", name)?;
                }
                match &written.text {
                    Some(text) => to.serialize_field("text", text),
                    None => Ok(()),
                }
            }
        }
    }
}

/// Two are the same when they say the same, whether decoded here or read from a recording.
impl PartialEq for Meaning {
    fn eq(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Decoded(one), Self::Decoded(other)) => one == other,
            _ => {
                self.device() == other.device()
                    && self.name() == other.name()
                    && self.text() == other.text()
            }
        }
    }
}

impl Eq for Meaning {}

/// Written as its words.
struct Words<T>(T);

impl<T: std::fmt::Display> serde::Serialize for Words<T> {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&self.0)
    }
}
