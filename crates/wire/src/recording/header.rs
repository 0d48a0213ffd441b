//! The first line of a recording: what wrote it, of which bench, and what of that bench was ours.

use crate::Source;
use payrig_units::Decimals;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Name of the format, in the first line.
pub const SCHEMA: &str = "payrig-recording";
/// Version of the format; readers take this one and older ones.
pub const VERSION: u32 = 2;

/// The type of the first line, of recordings and of all else that is written line by line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum HeaderType {
    /// The first line.
    #[default]
    Header,
}

/// The first line.
///
/// ```
/// use payrig_wire::Source;
/// use payrig_wire::recording::{Header, Ours};
///
/// let ours = Ours::default().bus(Source::Peripheral).line("old credit");
/// let header = Header::new("payrig 0.1.0", "break room", None)
///     .ours(ours)
///     .live("2026-11-29T03:00:00Z");
/// assert!(header.live);
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Header {
    /// "header"; versions before 0.2 wrote none.
    #[serde(rename = "type", default)]
    pub kind: HeaderType,
    /// [`SCHEMA`].
    pub schema: String,
    /// [`VERSION`].
    pub version: u32,
    /// What wrote it, with its version.
    pub tool: String,
    /// Name of the bench; for a capture, of its file. Empty where nothing came of it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub bench: String,
    /// Decimals of all amounts. Recordings of versions before 0.2 do not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decimals: Option<Decimals>,
    /// The letters of the currency in ISO 4217, where the rig says one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub currency: Option<String>,
    /// Seed of a simulated bench: the same seed gives the same recording.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seed: Option<u64>,
    /// Something of the bench was real, and its time was the wall clock's.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub live: bool,
    /// The wall clock at time zero of a live bench, as RFC 3339; none for a simulated one, which has
    /// no clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub started: Option<String>,
    /// What of a live bench this tool spoke for. Recordings of versions before 0.2 do not say.
    #[serde(default, skip_serializing_if = "Ours::is_empty")]
    pub ours: Ours,
    /// What is recorded has no end of its own, so that no verdict is waited for: checks one after
    /// another, as an examination records them.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub parts: bool,
    /// Checks one after another, and a verdict after the last: without one it did not end. Versions
    /// before 0.2 wrote none.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub ends: bool,
    /// Nobody had to be at the other end of a link, so that a bench on which nothing was sent passes.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub peer_optional: bool,
}

impl Header {
    /// A header of this format, of a simulated bench.
    #[must_use]
    pub fn new(tool: &str, bench: &str, seed: Option<u64>) -> Self {
        Self {
            kind: HeaderType::Header,
            schema: SCHEMA.to_owned(),
            version: VERSION,
            tool: tool.to_owned(),
            bench: bench.to_owned(),
            decimals: None,
            currency: None,
            seed,
            live: false,
            started: None,
            ours: Ours::default(),
            parts: false,
            ends: false,
            peer_optional: false,
        }
    }

    /// With how its amounts are written: decimals, and the letters of the currency in ISO 4217.
    #[must_use]
    pub fn money(mut self, decimals: Decimals, currency: Option<String>) -> Self {
        (self.decimals, self.currency) = (Some(decimals), currency);
        self
    }

    /// Of a live bench: `started` is the wall clock at its time zero, as RFC 3339.
    #[must_use]
    pub fn live(mut self, started: impl Into<String>) -> Self {
        self.live = true;
        self.started = Some(started.into());
        self
    }

    /// With what of the bench this tool speaks for.
    #[must_use]
    pub fn ours(mut self, ours: Ours) -> Self {
        self.ours = ours;
        self
    }

    /// Of a bench on which nobody has to be heard.
    #[must_use]
    pub fn with_peer_optional(mut self, optional: bool) -> Self {
        self.peer_optional = optional;
        self
    }

    /// Of checks one after another, with a verdict after the last.
    #[must_use]
    pub fn with_end(mut self) -> Self {
        self.ends = true;
        self
    }

    /// True for a recording of checks one after another that need not end with a verdict; versions
    /// before 0.2 show it by the name only.
    pub(crate) fn has_parts(&self) -> bool {
        !self.ends && (self.parts || self.bench.starts_with("examination of the "))
    }

    /// Of checks one after another, without a verdict at the end.
    #[must_use]
    pub fn of_parts(mut self) -> Self {
        self.parts = true;
        self
    }
}

/// What of a live bench this tool speaks for. What it breaks there is its own fault, and accuses
/// nobody; the rest is somebody else's. Where all is simulated this is empty: devices and
/// board are then what is looked at.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Ours {
    /// Our side of the board's bus.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bus: Option<Source>,
    /// Our side of buses behind bridges, by the name of the bridge.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub buses: BTreeMap<String, Source>,
    /// Pulse lines that we drive, by the names they have in edges.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub lines: BTreeSet<String>,
}

impl Ours {
    /// True when it is empty.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// With our side of the board's bus.
    #[must_use]
    pub fn bus(mut self, side: impl Into<Option<Source>>) -> Self {
        self.bus = side.into();
        self
    }

    /// With our side of a bus behind a bridge.
    #[must_use]
    pub fn bus_behind(mut self, bridge: &str, side: Source) -> Self {
        self.buses.insert(bridge.to_owned(), side);
        self
    }

    /// With a pulse line that we drive.
    #[must_use]
    pub fn line(mut self, name: &str) -> Self {
        self.lines.insert(name.to_owned());
        self
    }

    /// Our side of a bus: of the board's own, or of the one behind a bridge.
    #[must_use]
    pub fn side_of(&self, bus: Option<&str>) -> Option<Source> {
        match bus {
            None => self.bus,
            Some(bridge) => self.buses.get(bridge).copied(),
        }
    }
}
