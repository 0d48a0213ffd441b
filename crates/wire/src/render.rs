//! JSON lines for scripts: what `payrig read FILE --format json` prints, one object per line.
//!
//! Blocks in order of start, findings, pulse trains, and last the verdict. Field names are part of
//! the interface; fields may be added, never renamed.

use crate::Finding;
use crate::recording::BlockRecord;
use payrig_units::Micros;
use serde::{Deserialize, Serialize};
use std::io;

/// A group of pulses on a credit line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TrainLine {
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
    /// Name of the nearest profile, or `none`.
    pub profile: String,
    /// In words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}

/// The last line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct VerdictLine {
    /// No limit was broken.
    pub passed: bool,
    /// How many findings were breaches of a limit.
    pub limits: u64,
    /// How many were advice.
    pub advice: u64,
    /// How many blocks were read.
    pub blocks: u64,
    /// How many pulse trains were read.
    pub trains: u64,
    /// In words.
    pub text: String,
}

/// A line for scripts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "lowercase")]
pub enum ReportLine {
    /// A block.
    Block(BlockRecord),
    /// A finding.
    Finding(Finding),
    /// A pulse train.
    Train(TrainLine),
    /// The verdict.
    Verdict(VerdictLine),
}

impl ReportLine {
    /// Writes it with its line break.
    ///
    /// # Errors
    /// When `output` does.
    pub fn write(&self, mut output: impl io::Write) -> io::Result<()> {
        let mut line = serde_json::to_vec(self)?;
        line.push(b'\n');
        output.write_all(&line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Source;

    #[test]
    fn fields_are_those_scripts_rely_on() {
        let block = ReportLine::Block(BlockRecord {
            source: Source::Master,
            start_us: Micros(335_000),
            end_us: Micros(337_312),
            bytes: vec![0x0B, 0x0B],
            modes: vec![true, false],
            starts_us: vec![],
            ends_us: vec![],
            uncertainty_us: Micros(1),
            device: None,
            name: None,
            text: None,
        });
        let mut out = Vec::new();
        block.write(&mut out).unwrap();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "{\"type\":\"block\",\"source\":\"master\",\"start_us\":335000,\"end_us\":337312,\
             \"bytes\":[\"0B\",\"0B\"],\"modes\":[1,0],\"uncertainty_us\":1}\n"
        );
        let train = ReportLine::Train(TrainLine {
            line: "credit".into(),
            start_us: Micros(1),
            pulses: 2,
            widths_us: vec![Micros(50_000); 2],
            gaps_us: vec![Micros(49_000)],
            profile: "short".into(),
            text: None,
        });
        let json = serde_json::to_string(&train).unwrap();
        assert_eq!(
            json,
            "{\"type\":\"train\",\"line\":\"credit\",\"start_us\":1,\"pulses\":2,\
             \"widths_us\":[50000,50000],\"gaps_us\":[49000],\"profile\":\"short\"}"
        );
    }
}
