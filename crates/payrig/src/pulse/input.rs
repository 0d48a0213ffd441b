//! The lines of a file to look at.

use crate::Failure;
use clap::{Args, ValueEnum};
use payrig_pulse::{Edge, LineRecord};
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::capture::{FileKind, read_path};
use payrig_wire::recording::{Entry, LineRole, read_recording_path};
use std::path::{Path, PathBuf};

/// What to look at.
#[derive(Debug, Args)]
pub(crate) struct InputArguments {
    /// A logic capture (.vcd, .csv) or a recording (.jsonl).
    pub(crate) file: PathBuf,
    /// Name of the line; may be given several times [default: credit, or every line that is not of
    /// the bus].
    #[arg(long, value_name = "LINE")]
    pub(crate) line: Vec<String>,
    /// Level of the line during a pulse.
    #[arg(long, value_enum, default_value_t = LevelName::Low)]
    pub(crate) active: LevelName,
    /// Decimals of amounts.
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(0..=4))]
    pub(crate) decimals: u8,
}

/// A level by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum LevelName {
    /// Near the supply.
    High,
    /// Near ground.
    Low,
}

impl LevelName {
    pub(crate) fn level(self) -> payrig_pulse::Level {
        payrig_pulse::Level::of(self == Self::High)
    }
}

/// A line with all that happened on it.
#[derive(Debug)]
pub(crate) struct Line {
    pub(crate) name: String,
    start: (Micros, bool),
    pub(crate) edges: Vec<Edge>,
    pub(crate) end: Micros,
    uncertainty: Micros,
}

impl Line {
    pub(crate) fn record(&self) -> LineRecord<'_> {
        LineRecord {
            line: &self.name,
            start: self.start,
            edges: &self.edges,
            end: self.end,
            uncertainty: self.uncertainty,
        }
    }
}

/// An amount on the command line.
pub(crate) fn amount(text: &str, decimals: Decimals) -> Result<Money, Failure> {
    let money = Money::parse(text, decimals);
    let money = money.map_err(Failure::wrong)?;
    if money <= Money::ZERO {
        return Err(Failure::wrong(format!("{text} is not above zero")));
    }
    Ok(money)
}

impl InputArguments {
    pub(crate) fn decimals(&self) -> Decimals {
        Decimals(self.decimals)
    }

    /// The lines asked for, or those that can be meant.
    pub(crate) fn lines(&self) -> Result<Vec<Line>, Failure> {
        let all = match kind(&self.file) {
            Some(FileKind::Recording) => of_recording(&self.file)?,
            _ => of_capture(&self.file)?,
        };
        let names: Vec<&str> = all.iter().map(|(line, _)| line.name.as_str()).collect();
        if let Some(missing) = self.line.iter().find(|l| !names.contains(&l.as_str())) {
            let near = payrig_rig::nearest(missing, &names);
            let hint = match near {
                Some(near) => format!("did you mean \"{near}\"?"),
                None if names.is_empty() => "it has none".to_owned(),
                None => format!("it has {}", names.join(", ")),
            };
            let file = self.file.display();
            return Err(Failure::wrong(format!(
                "{file}: no line \"{missing}\"; {hint}"
            )));
        }
        let one = all.iter().any(|(line, _)| line.name == "credit");
        let wanted = |(line, likely): &(Line, bool)| match self.line.is_empty() {
            true if one => line.name == "credit",
            true => *likely,
            false => self.line.contains(&line.name),
        };
        let all_names = names.join(", ");
        let found: Vec<Line> = all
            .into_iter()
            .filter(wanted)
            .map(|(line, _)| line)
            .collect();
        if found.is_empty() {
            let file = self.file.display();
            return Err(Failure::wrong(format!(
                "{file}: no credit line to look at; it has {}; name one with --line",
                if all_names.is_empty() {
                    "no lines"
                } else {
                    &all_names
                }
            )));
        }
        Ok(found)
    }
}

fn kind(file: &Path) -> Option<FileKind> {
    let bytes = std::fs::read(file).ok()?;
    let extension = file.extension().unwrap_or_default().to_string_lossy();
    FileKind::of(&extension, &bytes)
}

/// Lines, each with whether it may carry credit.
fn of_capture(file: &Path) -> Result<Vec<(Line, bool)>, Failure> {
    let capture = read_path(file).map_err(|e| Failure::wrong(e.to_string()))?;
    let line = |l: &payrig_wire::capture::CaptureLine| {
        let other = ["master", "peripheral", "inhibit", "motor", "exit"];
        let likely = !other.contains(&l.name.as_str());
        let line = Line {
            name: l.name.clone(),
            start: (capture.start, l.initial),
            edges: l.edges.clone(),
            end: capture.end,
            uncertainty: capture.uncertainty,
        };
        (line, likely)
    };
    Ok(capture.lines.iter().map(line).collect())
}

fn of_recording(file: &Path) -> Result<Vec<(Line, bool)>, Failure> {
    let recording = read_recording_path(file).map_err(|e| Failure::wrong(e.to_string()))?;
    let role = |name: &str| {
        let entries = recording.entries.iter();
        entries.clone().find_map(|(_, entry)| match entry {
            Entry::Line(l) if l.line == name => Some(l.role),
            _ => None,
        })
    };
    let line = |l: payrig_wire::capture::CaptureLine| {
        let likely = role(&l.name).is_none_or(|role| role == LineRole::Credit);
        let line = Line {
            name: l.name,
            start: (Micros::ZERO, l.initial),
            edges: l.edges,
            end: recording.end(),
            uncertainty: Micros::ZERO,
        };
        (line, likely)
    };
    Ok(recording.lines().into_iter().map(line).collect())
}
