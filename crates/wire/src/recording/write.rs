//! Writing a recording: one line at a time, each flushed before the next thing happens.

use super::entry::Entry;
use super::header::Header;
use super::records::{BlockRecord, MovementRecord};
use crate::{BusEvent, Edge, Finding};
use payrig_units::{LedgerEntry, Micros};
use serde::Serialize;
use std::io::{self, Write};

/// Writes a recording.
#[derive(Debug)]
pub struct RecordingWriter<W: Write> {
    output: W,
    /// The line that is being written; kept for its room.
    line: Vec<u8>,
}

impl<W: Write> RecordingWriter<W> {
    /// Starts a recording with its header.
    ///
    /// # Errors
    /// When `output` does.
    pub fn start(output: W, header: &Header) -> io::Result<Self> {
        let line = Vec::new();
        let mut writer = Self { output, line };
        writer.line(header)?;
        Ok(writer)
    }

    /// Writes an entry.
    ///
    /// # Errors
    /// When the output does. What was written before stays whole.
    pub fn entry(&mut self, entry: &Entry) -> io::Result<()> {
        self.line(entry)
    }

    /// Writes a block.
    ///
    /// # Errors
    /// As [`RecordingWriter::entry`].
    pub fn block(&mut self, block: BlockRecord) -> io::Result<()> {
        self.entry(&Entry::Block(block))
    }

    /// Writes a break or a garbled word; words are written with their block.
    ///
    /// # Errors
    /// As [`RecordingWriter::entry`].
    pub fn event(&mut self, event: &BusEvent) -> io::Result<()> {
        match Entry::of_event(event) {
            Some(entry) => self.entry(&entry),
            None => Ok(()),
        }
    }

    /// Writes a level change on a pulse line.
    ///
    /// # Errors
    /// As [`RecordingWriter::entry`].
    pub fn edge(&mut self, line: &str, edge: Edge) -> io::Result<()> {
        self.entry(&Entry::Edge {
            line: line.to_owned(),
            at_us: edge.at,
            high: edge.high,
            uncertainty_us: Micros::ZERO,
        })
    }

    /// Writes a movement of money.
    ///
    /// # Errors
    /// As [`RecordingWriter::entry`].
    pub fn movement(&mut self, entry: &LedgerEntry) -> io::Result<()> {
        self.entry(&Entry::Movement(MovementRecord::from(entry)))
    }

    /// Writes a finding.
    ///
    /// # Errors
    /// As [`RecordingWriter::entry`].
    pub fn finding(&mut self, finding: &Finding) -> io::Result<()> {
        self.entry(&Entry::Finding(finding.clone()))
    }

    /// Writes a note.
    ///
    /// # Errors
    /// As [`RecordingWriter::entry`].
    pub fn note(&mut self, at: Micros, who: Option<&str>, text: &str) -> io::Result<()> {
        self.entry(&Entry::Note {
            at_us: at,
            who: who.map(str::to_owned),
            text: text.to_owned(),
        })
    }

    /// The output back.
    pub fn into_inner(self) -> W {
        self.output
    }

    fn line(&mut self, value: &impl Serialize) -> io::Result<()> {
        // One write per line: a kill leaves whole lines and at most one torn at the end.
        self.line.clear();
        serde_json::to_writer(&mut self.line, value)?;
        self.line.push(b'\n');
        self.output.write_all(&self.line)?;
        self.output.flush()
    }
}
