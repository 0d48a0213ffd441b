//! What the larger lines of a recording hold: blocks, movements, pulse lines and trains.

use super::meaning::Meaning;
use crate::{Source, TimedWord, WORD_TIME, WireBlock};
use payrig_mdb::{Address, Decoded, Typed, Word};
use payrig_pulse::{ProfileRecord, Train};
use payrig_units::{LedgerEntry, Micros, Money, Movement, Place};
use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize, Serializer};
use std::borrow::Cow;

/// A block as recorded and as reported. Every word's start is kept, so pauses survive.
///
/// In JSON its meaning is `device`, `name` and `text`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(from = "Fields")]
pub struct BlockRecord {
    /// Who sent it.
    pub source: Source,
    /// Start-bit edge of the first word.
    pub start_us: Micros,
    /// End of the last stop bit.
    pub end_us: Micros,
    /// The bytes, CHK included; in hex in JSON.
    pub bytes: Vec<u8>,
    /// The mode bits; 0 or 1 in JSON.
    pub modes: Vec<bool>,
    /// Start of each word.
    pub starts_us: Vec<Micros>,
    /// End of each word, where one does not last 1146 us.
    pub ends_us: Vec<Micros>,
    /// How far these times may be off, either way (the largest of the words').
    pub uncertainty_us: Micros,
    /// The same of each word, where they are not all alike.
    pub uncertainties_us: Vec<Micros>,
    /// What it means: typed where this tool decoded it, in words where a recording says so.
    pub meaning: Meaning,
    /// The bus it is on, where that is not the board's own: the name of the bridge in between.
    pub bus: Option<String>,
}

/// A block as JSON has it.
#[derive(Deserialize)]
struct Fields {
    source: Source,
    start_us: Micros,
    end_us: Micros,
    #[serde(deserialize_with = "hex::deserialize")]
    bytes: Vec<u8>,
    #[serde(deserialize_with = "bits::deserialize")]
    modes: Vec<bool>,
    #[serde(default)]
    starts_us: Vec<Micros>,
    #[serde(default)]
    ends_us: Vec<Micros>,
    #[serde(default)]
    uncertainty_us: Micros,
    #[serde(default)]
    uncertainties_us: Vec<Micros>,
    #[serde(default)]
    device: Option<String>,
    #[serde(default)]
    name: Option<String>,
    #[serde(default)]
    text: Option<String>,
    #[serde(default)]
    bus: Option<String>,
}

impl From<Fields> for BlockRecord {
    fn from(fields: Fields) -> Self {
        Self {
            source: fields.source,
            start_us: fields.start_us,
            end_us: fields.end_us,
            bytes: fields.bytes,
            modes: fields.modes,
            starts_us: fields.starts_us,
            ends_us: fields.ends_us,
            uncertainty_us: fields.uncertainty_us,
            uncertainties_us: fields.uncertainties_us,
            meaning: Meaning::written(fields.device, fields.name, fields.text),
            bus: fields.bus,
        }
    }
}

impl Serialize for BlockRecord {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut block = serializer.serialize_struct("BlockRecord", 13)?;
        block.serialize_field("source", &self.source)?;
        block.serialize_field("start_us", &self.start_us)?;
        block.serialize_field("end_us", &self.end_us)?;
        block.serialize_field("bytes", &hex::Hex(&self.bytes))?;
        block.serialize_field("modes", &bits::Bits(&self.modes))?;
        if !self.starts_us.is_empty() {
            block.serialize_field("starts_us", &self.starts_us)?;
        }
        if !self.ends_us.is_empty() {
            block.serialize_field("ends_us", &self.ends_us)?;
        }
        block.serialize_field("uncertainty_us", &self.uncertainty_us)?;
        if !self.uncertainties_us.is_empty() {
            block.serialize_field("uncertainties_us", &self.uncertainties_us)?;
        }
        self.meaning.serialize_fields(&mut block)?;
        if let Some(bus) = &self.bus {
            block.serialize_field("bus", bus)?;
        }
        block.end()
    }
}

impl BlockRecord {
    /// A record of a block, not decoded yet.
    #[must_use]
    pub fn of(block: &WireBlock) -> Self {
        let starts: Vec<Micros> = block.words.iter().map(|w| w.start).collect();
        let uncertainty = block.words.iter().map(|w| w.uncertainty).max();
        let uncertainty = uncertainty.unwrap_or_default();
        let alike = block.words.iter().all(|w| w.uncertainty == uncertainty);
        let usual = block.words.iter().all(|w| w.end == w.start + WORD_TIME);
        Self {
            source: block.source,
            start_us: block.start,
            end_us: block.end,
            bytes: block.bytes(),
            modes: block.modes(),
            starts_us: starts,
            ends_us: if usual {
                Vec::new()
            } else {
                block.words.iter().map(|w| w.end).collect()
            },
            uncertainty_us: uncertainty,
            uncertainties_us: if alike {
                Vec::new()
            } else {
                block.words.iter().map(|w| w.uncertainty).collect()
            },
            meaning: Meaning::NotSaid,
            bus: None,
        }
    }

    /// With what it means.
    #[must_use]
    pub fn meaning(mut self, decoded: Decoded) -> Self {
        self.meaning = Meaning::Decoded(decoded);
        self
    }

    /// The message, where this tool decoded it and it could be typed. `None` for a block as read
    /// from a recording, which has words only: [`crate::reading`] decodes it anew.
    #[must_use]
    pub fn message(&self) -> Option<&Typed> {
        self.meaning.message()
    }

    /// Who is spoken to, or answers, where this tool decoded it.
    #[must_use]
    pub fn address(&self) -> Option<Address> {
        self.meaning.address()
    }

    /// Who is spoken to, or answers, by name.
    #[must_use]
    pub fn device(&self) -> Option<Cow<'_, str>> {
        self.meaning.device()
    }

    /// Name of the command or response in the standard's terms.
    #[must_use]
    pub fn name(&self) -> Option<&str> {
        self.meaning.name()
    }

    /// What it means, in words.
    #[must_use]
    pub fn text(&self) -> Option<Cow<'_, str>> {
        self.meaning.text()
    }

    /// The words, as they were. Where starts are missing the words are taken to follow each other
    /// without pause.
    #[must_use]
    pub fn words(&self) -> Vec<TimedWord> {
        let mut next = self.start_us;
        self.bytes
            .iter()
            .enumerate()
            .map(|(i, byte)| {
                let start = self.starts_us.get(i).copied().unwrap_or(next);
                let end = self.ends_us.get(i).copied().unwrap_or(start + WORD_TIME);
                next = end;
                TimedWord {
                    start,
                    end,
                    source: self.source,
                    word: Word {
                        byte: *byte,
                        mode: self.modes.get(i).copied().unwrap_or(false),
                    },
                    uncertainty: {
                        let own = self.uncertainties_us.get(i).copied();
                        own.unwrap_or(self.uncertainty_us)
                    },
                }
            })
            .collect()
    }
}

/// Money that moved: a [`LedgerEntry`] with its times in microseconds by name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct MovementRecord {
    /// When it was booked.
    pub at_us: Micros,
    /// Where it was.
    pub from: Place,
    /// Where it is now.
    pub to: Place,
    /// How much, in minor units.
    pub amount: Money,
    /// Why, in plain words.
    pub why: String,
    /// Start of the word on the wire that moved it, where one did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub word_at_us: Option<Micros>,
}

impl From<&LedgerEntry> for MovementRecord {
    fn from(entry: &LedgerEntry) -> Self {
        Self {
            at_us: entry.at,
            from: entry.movement.from.clone(),
            to: entry.movement.to.clone(),
            amount: entry.movement.amount,
            why: entry.movement.why.clone(),
            word_at_us: entry.word_at,
        }
    }
}

impl From<&MovementRecord> for LedgerEntry {
    fn from(record: &MovementRecord) -> Self {
        Self {
            at: record.at_us,
            movement: Movement {
                from: record.from.clone(),
                to: record.to.clone(),
                amount: record.amount,
                why: record.why.clone(),
            },
            word_at: record.word_at_us,
        }
    }
}

/// What a line of a pulse device is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum LineRole {
    /// Credit pulses, from the device.
    Credit,
    /// Holds an acceptor off, to the device.
    Inhibit,
    /// Runs a hopper's motor, to the device.
    Motor,
    /// A hopper's exit sensor, from the device.
    Exit,
}

/// A line of a pulse device, as it is when the recording begins.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct LineRecord {
    /// When.
    pub at_us: Micros,
    /// The device it belongs to.
    pub device: String,
    /// Its name in edges: the device's name, a space, the line's own name.
    pub line: String,
    /// What it is for.
    pub role: LineRole,
    /// Its level, true for high.
    pub high: bool,
    /// The bridge that counts its pulses; none for the board.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub counted_by: Option<String>,
    /// The device is real: what it takes is not seen, only what its line says.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub outside: bool,
    /// What pulses on it should be like, for credit lines.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<ProfileRecord>,
}

/// A group of pulses on a credit line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct TrainRecord {
    /// Name of the line.
    pub line: String,
    /// Start of the first pulse.
    pub start_us: Micros,
    /// How many pulses.
    pub pulses: u64,
    /// How long each was active.
    pub widths_us: Vec<Micros>,
    /// How long the line rested between them.
    pub gaps_us: Vec<Micros>,
    /// Name of the profile it is in, or `none`.
    pub profile: String,
    /// In words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}

impl TrainRecord {
    /// A train as it was read, of the profile of this name; without words.
    #[must_use]
    pub fn of(train: &Train, profile: &str) -> Self {
        Self {
            line: train.line.clone(),
            start_us: train.start(),
            pulses: u64::try_from(train.count()).unwrap_or(u64::MAX),
            widths_us: train.widths(),
            gaps_us: train.gaps(),
            profile: profile.to_owned(),
            text: None,
        }
    }
}

#[cfg(feature = "schema")]
mod schema {
    use super::BlockRecord;
    use crate::Source;
    use payrig_units::Micros;
    use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
    use std::borrow::Cow;

    /// A block as it is written.
    #[derive(JsonSchema)]
    #[schemars(deny_unknown_fields)]
    #[allow(dead_code, reason = "it is written by hand; this is its shape")]
    struct Written {
        /// Who sent it.
        source: Source,
        /// Start-bit edge of the first word.
        start_us: Micros,
        /// End of the last stop bit.
        end_us: Micros,
        /// The bytes, CHK included, each as two hex digits.
        bytes: Vec<Byte>,
        /// The mode bit of each byte.
        modes: Vec<Bit>,
        /// Start of each word.
        #[schemars(skip_serializing_if = "Vec::is_empty")]
        starts_us: Vec<Micros>,
        /// End of each word, where one does not last 1146 us.
        #[schemars(skip_serializing_if = "Vec::is_empty")]
        ends_us: Vec<Micros>,
        /// How far these times may be off, either way (the largest of the words').
        uncertainty_us: Micros,
        /// The same of each word, where they are not all alike.
        #[schemars(skip_serializing_if = "Vec::is_empty")]
        uncertainties_us: Vec<Micros>,
        /// Who is spoken to, or answers.
        #[schemars(skip_serializing_if = "str::is_empty")]
        device: String,
        /// Name of the command or response in the standard's terms.
        #[schemars(skip_serializing_if = "str::is_empty")]
        name: String,
        /// What it means, in words.
        #[schemars(skip_serializing_if = "str::is_empty")]
        text: String,
        /// The bus it is on, where that is not the board's own: the name of the bridge in between.
        #[schemars(skip_serializing_if = "str::is_empty")]
        bus: String,
    }

    struct Byte;

    impl JsonSchema for Byte {
        fn inline_schema() -> bool {
            true
        }

        fn schema_name() -> Cow<'static, str> {
            "Byte".into()
        }

        fn json_schema(_: &mut SchemaGenerator) -> Schema {
            json_schema!({"type": "string", "pattern": "^[0-9A-F]{2}$"})
        }
    }

    struct Bit;

    impl JsonSchema for Bit {
        fn inline_schema() -> bool {
            true
        }

        fn schema_name() -> Cow<'static, str> {
            "Bit".into()
        }

        fn json_schema(_: &mut SchemaGenerator) -> Schema {
            json_schema!({"type": "integer", "enum": [0, 1]})
        }
    }

    impl JsonSchema for BlockRecord {
        fn schema_name() -> Cow<'static, str> {
            "BlockRecord".into()
        }

        fn schema_id() -> Cow<'static, str> {
            concat!(module_path!(), "::BlockRecord").into()
        }

        fn json_schema(generator: &mut SchemaGenerator) -> Schema {
            Written::json_schema(generator)
        }
    }
}

/// Bytes as `["0B", "0B"]`.
mod hex {
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

    pub(super) struct Hex<'a>(pub(super) &'a [u8]);

    impl Serialize for Hex<'_> {
        fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
            s.collect_seq(self.0.iter().map(|byte| Byte(*byte)))
        }
    }

    struct Byte(u8);

    impl Serialize for Byte {
        fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
            let digit = |n: u8| if n < 10 { b'0' + n } else { b'A' + (n - 10) };
            let text = [digit(self.0 >> 4), digit(self.0 & 15)];
            // Two digits are always text.
            s.serialize_str(std::str::from_utf8(&text).unwrap_or_default())
        }
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Vec<u8>, D::Error> {
        Vec::<String>::deserialize(d)?
            .iter()
            .map(|text| {
                let digits = text.len() == 2 && text.bytes().all(|b| b.is_ascii_hexdigit());
                digits
                    .then(|| u8::from_str_radix(text, 16).ok())
                    .flatten()
                    .ok_or_else(|| {
                        D::Error::custom(format!("\"{text}\" is no byte; expected two hex digits"))
                    })
            })
            .collect()
    }
}

/// Booleans as `[1, 0]`.
mod bits {
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

    pub(super) struct Bits<'a>(pub(super) &'a [bool]);

    impl Serialize for Bits<'_> {
        fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
            s.collect_seq(self.0.iter().map(|bit| u8::from(*bit)))
        }
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Vec<bool>, D::Error> {
        Vec::<u8>::deserialize(d)?
            .into_iter()
            .map(|n| match n {
                0 => Ok(false),
                1 => Ok(true),
                other => Err(D::Error::custom(format!(
                    "{other} is no mode bit; expected 0 or 1"
                ))),
            })
            .collect()
    }
}
