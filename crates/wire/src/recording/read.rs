//! Reading a recording: a torn last line is reported and skipped, unknown types are kept.

use super::entry::{Entry, TYPES};
use super::error::{RecordingError, RecordingProblem};
use super::header::{Header, SCHEMA, VERSION};
use crate::capture::CaptureLine;
use crate::{BusEvent, Edge, WireBlock, bounded};
use payrig_mdb::Address;
use payrig_units::{LedgerEntry, Micros};
use serde_json::Value;
use std::path::Path;

/// Types of lines that `payrig run --format json` writes beside the recording.
const BESIDE: [&str; 6] = ["ready", "error", "warning", "notice", "wrote", "end"];

/// A last line that was not written to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Torn {
    /// Its number, from 1.
    pub line: u64,
    /// How many bytes of it there are.
    pub bytes: usize,
}

/// A recording as read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recording {
    /// The file as it was named.
    pub file: String,
    /// Its first line.
    pub header: Header,
    /// Its other lines with their numbers, in the order they were written.
    pub entries: Vec<(u64, Entry)>,
    /// The last line, if the writer was killed while writing it.
    pub torn: Option<Torn>,
}

impl Recording {
    /// What the command line says beside a recording, on its standard output, is none of it.
    fn take(&mut self, number: u64, entry: Entry) {
        let is_said = match &entry {
            Entry::Unknown(value) => {
                let kind = value.get("type").and_then(Value::as_str);
                kind.is_some_and(|kind| BESIDE.contains(&kind))
            }
            _ => false,
        };
        if !is_said {
            self.entries.push((number, entry));
        }
    }

    /// The buses behind bridges, by name.
    #[must_use]
    pub fn buses(&self) -> Vec<String> {
        let mut buses: Vec<String> = Vec::new();
        for (_, entry) in &self.entries {
            if let Entry::Block(block) = entry
                && let Some(bus) = &block.bus
                && !buses.contains(bus)
            {
                buses.push(bus.clone());
            }
        }
        buses
    }

    /// Words, breaks and garbled words on the board's bus in the order in which they became known, exactly
    /// as they were. On a real link that is not always the order of time: where both sides speak at once,
    /// one of them is known later.
    #[must_use]
    pub fn events(&self) -> Vec<BusEvent> {
        self.events_on(None)
    }

    /// The same of a bus behind a bridge.
    #[must_use]
    pub fn events_of(&self, bus: &str) -> Vec<BusEvent> {
        self.events_on(Some(bus))
    }

    fn events_on(&self, wanted: Option<&str>) -> Vec<BusEvent> {
        let mut events = Vec::new();
        // A garbled word is written at once, the block that it is in when that is over.
        let mut garbled: Vec<BusEvent> = Vec::new();
        for (_, entry) in &self.entries {
            match entry {
                Entry::Block(block) if block.bus.as_deref() == wanted => {
                    let mut words = block.words().into_iter().peekable();
                    for event in garbled.drain(..) {
                        if event.source() == block.source {
                            while let Some(word) = words.next_if(|w| w.start <= event.start()) {
                                events.push(BusEvent::Word(word));
                            }
                        }
                        events.push(event);
                    }
                    events.extend(words.map(BusEvent::Word));
                }
                Entry::Break {
                    source,
                    start_us,
                    end_us,
                    uncertainty_us,
                    bus,
                } if bus.as_deref() == wanted => {
                    events.append(&mut garbled);
                    events.push(BusEvent::Break {
                        start: *start_us,
                        end: *end_us,
                        source: *source,
                        uncertainty: *uncertainty_us,
                    });
                }
                Entry::Garbled {
                    source,
                    start_us,
                    end_us,
                    bus,
                } if bus.as_deref() == wanted => {
                    garbled.push(BusEvent::Garbled {
                        start: *start_us,
                        end: *end_us,
                        source: *source,
                    });
                }
                _ => {}
            }
        }
        events.append(&mut garbled);
        events
    }

    /// The pulse lines with their edges, in order of first appearance. Where the recording does not
    /// say what a line was at its beginning, that is the opposite of its first edge.
    #[must_use]
    pub fn lines(&self) -> Vec<CaptureLine> {
        let mut lines: Vec<CaptureLine> = Vec::new();
        for (_, entry) in &self.entries {
            if let Entry::Line(record) = entry {
                // An examination states again at each check what its lines are.
                match lines.iter_mut().find(|l| l.name == record.line) {
                    Some(known) => known.level(record.at_us, record.high, Micros::ZERO),
                    None => lines.push(CaptureLine {
                        name: record.line.clone(),
                        initial: record.high,
                        edges: Vec::new(),
                    }),
                }
            }
            let Entry::Edge {
                line, at_us, high, ..
            } = entry
            else {
                continue;
            };
            match lines.iter_mut().find(|l| l.name == *line) {
                Some(known) => known.level(*at_us, *high, Micros::ZERO),
                None => {
                    lines.push(CaptureLine {
                        name: line.clone(),
                        initial: !high,
                        edges: vec![Edge {
                            at: *at_us,
                            high: *high,
                        }],
                    });
                }
            }
        }
        lines
    }

    /// Every movement of money, in order.
    #[must_use]
    pub fn movements(&self) -> Vec<LedgerEntry> {
        self.entries
            .iter()
            .filter_map(|(_, entry)| match entry {
                Entry::Movement(record) => Some(LedgerEntry::from(record)),
                _ => None,
            })
            .collect()
    }

    /// True when the run that it is of came to its end: it has its verdict, and its last line is
    /// whole. What has no end of its own ([`Header::parts`]) ends with any whole line.
    #[must_use]
    pub fn ended(&self) -> bool {
        let verdict = |(_, entry): &(u64, Entry)| matches!(entry, Entry::Verdict { .. });
        let whole = self.torn.is_none();
        whole && (self.header.has_parts() || self.entries.iter().rev().any(verdict))
    }

    /// The stretches that the tool slept through, in order.
    #[must_use]
    pub fn slept(&self) -> Vec<(Micros, Micros)> {
        let entries = self.entries.iter();
        let slept = entries.filter_map(|(_, entry)| match entry {
            Entry::Slept { from_us, to_us } => Some((*from_us, *to_us)),
            _ => None,
        });
        let mut slept: Vec<_> = slept.collect();
        slept.sort_unstable();
        slept
    }

    /// The devices that were kept silent on purpose on a bus, from when until when; the board's bus has
    /// no name.
    #[must_use]
    pub fn silenced(&self, on: Option<&str>) -> Vec<(Address, Micros, Micros)> {
        let entries = self.entries.iter();
        let silenced = entries.filter_map(|(_, entry)| match entry {
            Entry::Silent {
                at_us,
                until_us,
                address: Some(byte),
                bus,
                ..
            } if bus.as_deref() == on => Some((Address::of(*byte), *at_us, *until_us)),
            _ => None,
        });
        silenced.collect()
    }

    /// The latest time in it.
    #[must_use]
    pub fn end(&self) -> Micros {
        let times = self.entries.iter().filter_map(|(_, entry)| entry.times());
        times.map(|(_, end)| end).max().unwrap_or_default()
    }
}

impl From<&WireBlock> for Entry {
    fn from(block: &WireBlock) -> Self {
        Self::Block(super::BlockRecord::of(block))
    }
}

/// Reads a recording from a file.
///
/// # Errors
/// As [`read_recording`]; also when the file does not open.
pub fn read_recording_path(path: &Path) -> Result<Recording, RecordingError> {
    let file = path.display().to_string();
    match bounded::read(path, |_| true) {
        Ok(input) if input.too_large => Err(too_large(&file)),
        Ok(input) => read_recording(&file, &input.bytes),
        Err(e) => Err(error(&file, None, RecordingProblem::Io(e.to_string()))),
    }
}

/// Reads a recording. A last line without line break that is no whole object was torn by a kill:
/// it is reported in [`Recording::torn`] and skipped.
///
/// # Errors
/// With the line of the file: no header, a later version, a line that does not follow the format.
pub fn read_recording(file: &str, bytes: &[u8]) -> Result<Recording, RecordingError> {
    let whole = bytes.last().is_none_or(|b| *b == b'\n');
    let mut lines: Vec<(u64, &[u8])> = (1u64..).zip(bytes.split(|b| *b == b'\n')).collect();
    let mut last = lines.pop().filter(|_| !whole);
    let mut lines = lines.into_iter();
    let Some((_, first)) = lines.next().or_else(|| last.take()) else {
        return Err(error(file, None, RecordingProblem::Empty));
    };
    let header = header(file, first)?;

    let mut recording = Recording {
        file: file.to_owned(),
        header,
        entries: Vec::new(),
        torn: None,
    };
    for (number, line) in lines {
        if line.trim_ascii().is_empty() {
            continue;
        }
        let entry = entry(line)
            .map_err(|found| error(file, Some(number), RecordingProblem::BadLine { found }))?;
        recording.take(number, entry);
    }
    if let Some((number, line)) = last {
        match entry(line) {
            Ok(entry) => recording.take(number, entry),
            Err(_) => {
                recording.torn = Some(Torn {
                    line: number,
                    bytes: line.len(),
                });
            }
        }
    }
    Ok(recording)
}

fn header(file: &str, line: &[u8]) -> Result<Header, RecordingError> {
    let no_header = |why: String| error(file, Some(1), RecordingProblem::NoHeader(why));
    let value: Value = serde_json::from_slice(line).map_err(|e| no_header(e.to_string()))?;
    if value.get("schema").and_then(Value::as_str) != Some(SCHEMA) {
        return Err(no_header("its \"schema\" is another".into()));
    }
    // The version first: a later one may have another header.
    if let Some(version) = value.get("version").and_then(Value::as_u64)
        && version > u64::from(VERSION)
    {
        let version = u32::try_from(version).unwrap_or(u32::MAX);
        return Err(error(file, Some(1), RecordingProblem::TooNew(version)));
    }
    serde_json::from_value(value).map_err(|e| no_header(e.to_string()))
}

fn entry(line: &[u8]) -> Result<Entry, String> {
    let value: Value = serde_json::from_slice(line).map_err(|e| e.to_string())?;
    let kind = match value.get("type") {
        Some(Value::String(kind)) => kind.clone(),
        _ => return Err("there is no object with a \"type\"".into()),
    };
    if !TYPES.contains(&kind.as_str()) {
        return Ok(Entry::Unknown(value));
    }
    match serde_json::from_value(value) {
        // A known type that does not fit falls through to the untagged variant.
        Ok(Entry::Unknown(_)) => Err(format!("a field of this \"{kind}\" is missing or wrong")),
        Ok(entry) => Ok(entry),
        Err(e) => Err(format!("\"{kind}\": {e}")),
    }
}

pub(crate) fn too_large(file: &str) -> RecordingError {
    error(file, None, RecordingProblem::TooLarge)
}

fn error(file: &str, line: Option<u64>, problem: RecordingProblem) -> RecordingError {
    RecordingError {
        file: file.to_owned(),
        line,
        problem,
    }
}
