//! Whose word an answer is.

use serde::{Deserialize, Serialize};

/// Who saw what a check judges by.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum SeenBy {
    /// The tool itself: what passed on the wire, and money in devices it plays.
    #[default]
    #[serde(rename = "wire")]
    Wire,
    /// The emulated machine, which was looked into: no person and no real machine was there.
    #[serde(rename = "emulation")]
    Emulation,
    /// A person at the bench.
    #[serde(rename = "person")]
    Person,
    /// Nobody: the question's default was taken.
    #[serde(rename = "nobody", alias = "default: nobody looked")]
    Nobody,
}

impl SeenBy {
    /// As reports write it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Wire => "seen on the wire",
            Self::Emulation => "read from the emulated machine",
            Self::Person => "seen by a person",
            Self::Nobody => "nobody looked: the default was taken",
        }
    }

    /// True for what is said of a check by itself: nothing more needs to be said of it.
    #[must_use]
    pub fn is_wire(&self) -> bool {
        *self == Self::Wire
    }
}
