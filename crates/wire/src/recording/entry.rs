//! The lines of a recording.

use super::records::{BlockRecord, LineRecord, MovementRecord, TrainRecord};
use crate::{BusEvent, Finding, Source};
use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use serde_json::Value;

fn is_zero(time: &Micros) -> bool {
    *time == Micros::ZERO
}

/// A line of a recording after the first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
#[serde(tag = "type", rename_all = "lowercase")]
pub enum Entry {
    /// A block on the bus.
    Block(BlockRecord),
    /// A line held active.
    Break {
        /// Whose line.
        source: Source,
        /// From when.
        start_us: Micros,
        /// Until when.
        end_us: Micros,
        /// How far these times may be off, either way.
        #[serde(default)]
        uncertainty_us: Micros,
        /// The bus, as in [`BlockRecord::bus`].
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bus: Option<String>,
    },
    /// A word that could not be read.
    Garbled {
        /// Whose line.
        source: Source,
        /// Its start bit.
        start_us: Micros,
        /// Where sampling stopped.
        end_us: Micros,
        /// The bus, as in [`BlockRecord::bus`].
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bus: Option<String>,
    },
    /// A pulse line, before anything happens on it.
    Line(LineRecord),
    /// A level change on a pulse line.
    Edge {
        /// Name of the line.
        line: String,
        /// When.
        at_us: Micros,
        /// The level after it, true for high.
        high: bool,
        /// How far the time may be off, either way.
        #[serde(default, skip_serializing_if = "is_zero")]
        uncertainty_us: Micros,
    },
    /// What a person at the machine would see or hear, or what a device says of itself.
    Note {
        /// When.
        at_us: Micros,
        /// Who, by device name.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        who: Option<String>,
        /// In plain words.
        text: String,
    },
    /// Money that moved.
    Movement(MovementRecord),
    /// A rule broken, or advice.
    Finding(Finding),
    /// The power of a machine came or went.
    Power {
        /// When.
        at_us: Micros,
        /// Which device; none for the board.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        who: Option<String>,
        /// It came.
        on: bool,
    },
    /// A device was kept silent on purpose, by the script or a person.
    Silent {
        /// From when.
        at_us: Micros,
        /// Until when.
        until_us: Micros,
        /// Which device.
        who: String,
        /// Its address on the bus; none on pulse lines.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        address: Option<u8>,
        /// Its bus, where it is not the board's.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bus: Option<String>,
    },
    /// A stretch in which the tool did not look: it was stopped, or the machine was busy with
    /// something else. What was on the wires then is left out of the verdict.
    Slept {
        /// From when.
        from_us: Micros,
        /// Until what had piled up was read.
        to_us: Micros,
    },
    /// What the script, a person or the panel did: "insert bill type 1".
    Act {
        /// When.
        at_us: Micros,
        /// In plain words.
        text: String,
    },
    /// A step of a script or examination has ended.
    Step {
        /// When.
        at_us: Micros,
        /// Number of the step, from 1.
        number: u32,
        /// What it asked for.
        text: String,
        /// Whether it came true; nothing where nothing can be said.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        passed: Option<bool>,
        /// Why not.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        why: Option<String>,
    },
    /// A pulse train, as measured.
    Train(TrainRecord),
    /// The end: whether everything passed.
    Verdict {
        /// When.
        at_us: Micros,
        /// Nothing fell short.
        passed: bool,
        /// How many findings were breaches of a limit.
        #[serde(default)]
        limits: u64,
        /// How many were advice.
        #[serde(default)]
        advice: u64,
        /// How many blocks there were.
        #[serde(default)]
        blocks: u64,
        /// How many pulse trains there were.
        #[serde(default)]
        trains: u64,
        /// In plain words.
        text: String,
    },
    /// A line of a type this version does not know, kept as it was.
    #[serde(untagged)]
    #[cfg_attr(feature = "schema", schemars(skip))]
    Unknown(Value),
}

/// The types of [`Entry`] this version knows.
pub(super) const TYPES: [&str; 15] = [
    "block", "break", "garbled", "line", "edge", "note", "movement", "finding", "power", "silent",
    "slept", "act", "step", "train", "verdict",
];

impl Entry {
    /// True for what shows that something was there to be looked at: a block on any bus, pulses, an edge
    /// of a pulse line, an expectation that was held.
    #[must_use]
    pub const fn is_activity(&self) -> bool {
        match self {
            Self::Block(_) | Self::Train(_) | Self::Edge { .. } => true,
            Self::Step { passed, .. } => passed.is_some(),
            _ => false,
        }
    }

    /// When it happened: from when until when, which is the same for what takes no time. `None` for
    /// a line whose type is not known.
    #[must_use]
    pub fn times(&self) -> Option<(Micros, Micros)> {
        let at = match self {
            Self::Block(block) => return Some((block.start_us, block.end_us)),
            Self::Break {
                start_us, end_us, ..
            }
            | Self::Garbled {
                start_us, end_us, ..
            } => return Some((*start_us, *end_us)),
            Self::Slept { from_us, to_us } => return Some((*from_us, *to_us)),
            Self::Line(line) => line.at_us,
            Self::Movement(movement) => movement.at_us,
            Self::Finding(finding) => finding.at,
            Self::Train(train) => train.start_us,
            Self::Edge { at_us, .. }
            | Self::Note { at_us, .. }
            | Self::Power { at_us, .. }
            | Self::Silent { at_us, .. }
            | Self::Act { at_us, .. }
            | Self::Step { at_us, .. }
            | Self::Verdict { at_us, .. } => *at_us,
            Self::Unknown(_) => return None,
        };
        Some((at, at))
    }

    /// The same, `by` later: to put what several benches recorded, each from zero, one after another.
    #[must_use]
    pub fn shifted(mut self, by: Micros) -> Self {
        match &mut self {
            Self::Block(block) => {
                block.start_us += by;
                block.end_us += by;
                for time in block.starts_us.iter_mut().chain(&mut block.ends_us) {
                    *time += by;
                }
            }
            Self::Break {
                start_us, end_us, ..
            }
            | Self::Garbled {
                start_us, end_us, ..
            } => {
                *start_us += by;
                *end_us += by;
            }
            Self::Silent {
                at_us, until_us, ..
            } => {
                *at_us += by;
                *until_us += by;
            }
            Self::Slept { from_us, to_us } => {
                *from_us += by;
                *to_us += by;
            }
            Self::Line(line) => line.at_us += by,
            Self::Movement(movement) => {
                movement.at_us += by;
                movement.word_at_us = movement.word_at_us.map(|at| at + by);
            }
            Self::Finding(finding) => finding.at += by,
            Self::Train(train) => train.start_us += by,
            Self::Edge { at_us, .. }
            | Self::Note { at_us, .. }
            | Self::Power { at_us, .. }
            | Self::Act { at_us, .. }
            | Self::Step { at_us, .. }
            | Self::Verdict { at_us, .. } => *at_us += by,
            Self::Unknown(_) => {}
        }
        self
    }

    /// The types of entries, as JSON has them.
    #[must_use]
    pub const fn types() -> &'static [&'static str] {
        &TYPES
    }

    /// Its type, as JSON has it; `None` for a line whose type is not known.
    #[must_use]
    pub const fn type_name(&self) -> Option<&'static str> {
        Some(match self {
            Self::Block(_) => "block",
            Self::Break { .. } => "break",
            Self::Garbled { .. } => "garbled",
            Self::Line(_) => "line",
            Self::Edge { .. } => "edge",
            Self::Note { .. } => "note",
            Self::Movement(_) => "movement",
            Self::Finding(_) => "finding",
            Self::Power { .. } => "power",
            Self::Silent { .. } => "silent",
            Self::Slept { .. } => "slept",
            Self::Act { .. } => "act",
            Self::Step { .. } => "step",
            Self::Train(_) => "train",
            Self::Verdict { .. } => "verdict",
            Self::Unknown(_) => return None,
        })
    }

    /// Names the bus an entry is from, where that is not the board's own.
    pub fn set_bus(&mut self, bus: &str) {
        match self {
            Self::Block(block) => block.bus = Some(bus.to_owned()),
            Self::Break { bus: on, .. } | Self::Garbled { bus: on, .. } => {
                *on = Some(bus.to_owned());
            }
            Self::Finding(finding) => {
                finding.text = format!("on the bus of {bus}: {}", finding.text);
            }
            _ => {}
        }
    }

    /// The bus behind a bridge that an entry is from; `None` on the board's own, and for what is of no bus.
    #[must_use]
    pub fn bus(&self) -> Option<&str> {
        match self {
            Self::Block(block) => block.bus.as_deref(),
            Self::Break { bus, .. } | Self::Garbled { bus, .. } => bus.as_deref(),
            _ => None,
        }
    }

    /// An event of the bus that is no word; words are recorded with their block.
    #[must_use]
    pub fn of_event(event: &BusEvent) -> Option<Self> {
        match *event {
            BusEvent::Word(_) => None,
            BusEvent::Break {
                start,
                end,
                source,
                uncertainty,
            } => Some(Self::Break {
                source,
                start_us: start,
                end_us: end,
                uncertainty_us: uncertainty,
                bus: None,
            }),
            BusEvent::Garbled { start, end, source } => Some(Self::Garbled {
                source,
                start_us: start,
                end_us: end,
                bus: None,
            }),
        }
    }
}
