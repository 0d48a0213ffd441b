//! What the larger lines of a recording hold: blocks, movements, pulse lines and trains.

use crate::{Source, TimedWord, WORD_TIME, WireBlock};
use payrig_mdb::Word;
use payrig_pulse::{ProfileRecord, Train};
use payrig_units::{LedgerEntry, Micros, Money, Movement, Place};
use serde::{Deserialize, Serialize};

/// A block as recorded and as reported. Every word's start is kept, so pauses survive.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BlockRecord {
    /// Who sent it.
    pub source: Source,
    /// Start-bit edge of the first word.
    pub start_us: Micros,
    /// End of the last stop bit.
    pub end_us: Micros,
    /// The bytes in hex, CHK included.
    #[serde(with = "hex")]
    pub bytes: Vec<u8>,
    /// The mode bits, 0 or 1.
    #[serde(with = "bits")]
    pub modes: Vec<bool>,
    /// Start of each word.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub starts_us: Vec<Micros>,
    /// End of each word, where one does not last 1146 us.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ends_us: Vec<Micros>,
    /// How far these times may be off, either way (the largest of the words').
    #[serde(default)]
    pub uncertainty_us: Micros,
    /// Who is spoken to, or answers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// Name of the command or response in the standard's terms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// What it means, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// The bus it is on, where that is not the board's own: the name of the bridge in between.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bus: Option<String>,
}

impl BlockRecord {
    /// A record of a block, not decoded yet.
    #[must_use]
    pub fn of(block: &WireBlock) -> Self {
        let starts: Vec<Micros> = block.words.iter().map(|w| w.start).collect();
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
            uncertainty_us: block
                .words
                .iter()
                .map(|w| w.uncertainty)
                .max()
                .unwrap_or_default(),
            device: None,
            name: None,
            text: None,
            bus: None,
        }
    }

    /// With what it means.
    #[must_use]
    pub fn decoded(mut self, device: Option<String>, name: &str, text: &str) -> Self {
        self.device = device;
        self.name = (!name.is_empty()).then(|| name.to_owned());
        self.text = (!text.is_empty()).then(|| text.to_owned());
        self
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
                    uncertainty: self.uncertainty_us,
                }
            })
            .collect()
    }
}

/// Money that moved: a [`LedgerEntry`] with its times in microseconds by name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
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

/// Bytes as `["0B", "0B"]`.
mod hex {
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

    pub(super) fn serialize<S: Serializer>(bytes: &[u8], s: S) -> Result<S::Ok, S::Error> {
        let text: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
        text.serialize(s)
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

    pub(super) fn serialize<S: Serializer>(bits: &[bool], s: S) -> Result<S::Ok, S::Error> {
        let numbers: Vec<u8> = bits.iter().map(|b| u8::from(*b)).collect();
        numbers.serialize(s)
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
