//! Reading a capture or a recording: the same log and verdict as a bench that runs.
//!
//! ```no_run
//! use payrig_wire::reading::{ReadOptions, read_file};
//!
//! let options = ReadOptions { credit: vec!["line 3".into()], ..ReadOptions::default() };
//! let reading = read_file("capture.vcd".as_ref(), &options)?;
//! println!("{} entries, {}", reading.entries.len(), if reading.passed { "passed" } else { "failed" });
//! # Ok::<(), payrig_wire::reading::ReadError>(())
//! ```

use crate::analysis::{Analyst, PulseLines, Tally, pulse_finding, slept};
use crate::capture::{Capture, CaptureError, CaptureLine, FileKind, extension, open, read_bytes};
use crate::recording::{
    Entry, Header, Recording, RecordingError, TrainRecord, put_in_order, read_recording, too_large,
};
use crate::uart::{BusLines, IdleLevel, decode_bus};
use crate::{BusEvent, BusRule, Edge, Finding, RuleName};
use payrig_pulse::{LineRecord, Profile, Surveyed, TrainReport, survey};
use payrig_units::{Decimals, LedgerEntry, Micros, words};
use std::path::Path;

/// What to look at in a capture.
#[derive(Clone, Debug, Default)]
pub struct ReadOptions {
    /// The master's line; by default the one called `master`.
    pub master: Option<String>,
    /// The peripherals' line; by default the one called `peripheral`.
    pub peripheral: Option<String>,
    /// Credit lines; by default every other line.
    pub credit: Vec<String>,
    /// The bus lines rest low (tapped behind an inverter).
    pub idle_low: bool,
    /// Credit pulses are high, not low.
    pub active_high: bool,
    /// Judge pulses by this profile only; by default by the nearest ready-made one.
    pub profile: Option<Profile>,
}

/// Why a file cannot be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// A capture.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// A recording.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// There is no line to look at.
    #[error(
        "{file}: no line to look at. It has {lines}; say which of them are the bus, and which are credit lines"
    )]
    NoLines {
        /// The file.
        file: String,
        /// The lines it has.
        lines: String,
    },
}

/// What is in a file.
#[derive(Clone, Debug)]
pub struct Reading {
    /// The log, in order, the verdict last.
    pub entries: Vec<Entry>,
    /// No limit was broken.
    pub passed: bool,
    /// The name of the bench, in a recording.
    pub bench: Option<String>,
    /// The first line of a recording; what was read of a capture has none.
    pub recorded: Option<Header>,
}

impl Reading {
    /// The first line of what was read, written as a recording by this tool; `name` is that of the file, for
    /// a capture.
    #[must_use]
    pub fn header(&self, tool: &str, name: &str) -> Header {
        let new = Header::new(tool, name, None);
        match &self.recorded {
            None => new,
            Some(recorded) => Header {
                kind: new.kind,
                schema: new.schema,
                version: new.version,
                tool: new.tool,
                ..recorded.clone()
            },
        }
    }
}

/// Reads a file.
///
/// # Errors
/// When it cannot be read, is no capture or recording, or lacks a line that was named.
pub fn read_file(path: &Path, options: &ReadOptions) -> Result<Reading, ReadError> {
    let extension = extension(path);
    // Once: a pipe gives what it has a single time.
    let input = open(path, &extension)?;
    let file = path.display().to_string();
    match FileKind::of(&extension, &input.bytes) {
        Some(FileKind::Recording) if input.too_large => Err(too_large(&file).into()),
        Some(FileKind::Recording) => read_a_recording(&file, &input.bytes, options),
        _ => read_a_capture(&read_bytes(path, input)?, options),
    }
}

fn read_a_capture(capture: &Capture, options: &ReadOptions) -> Result<Reading, ReadError> {
    let named = BusLines::of(capture);
    let lines = BusLines {
        master: options.master.clone().or(named.master),
        peripheral: options.peripheral.clone().or(named.peripheral),
        idle: if options.idle_low {
            IdleLevel::Low
        } else {
            IdleLevel::High
        },
    };
    let is_bus = |l: &&CaptureLine| {
        [&lines.master, &lines.peripheral]
            .into_iter()
            .flatten()
            .any(|n| *n == l.name)
    };
    let credit: Vec<&CaptureLine> = if options.credit.is_empty() {
        let pulses = options.master.is_none() && options.peripheral.is_none();
        let wanted =
            |l: &&CaptureLine| !is_bus(l) && (lines.is_empty() || pulses && l.name == "credit");
        capture.lines.iter().filter(wanted).collect()
    } else {
        options
            .credit
            .iter()
            .map(|name| capture.line(name))
            .collect::<Result<_, _>>()?
    };
    if lines.is_empty() && credit.is_empty() {
        let names: Vec<&str> = capture.lines.iter().map(|l| l.name.as_str()).collect();
        let lines = if names.is_empty() {
            "none".to_owned()
        } else {
            names.join(", ")
        };
        return Err(ReadError::NoLines {
            file: capture.file.clone(),
            lines,
        });
    }
    let mut report = Report::new(Analyst::of_capture(capture.start));
    if capture.torn {
        let text = "the file stops in the middle of its last line, as when its writer was stopped; \
                    what comes before it was read";
        report.find(Finding::advice(BusRule::Cut, capture.end, text));
    }
    let mut end = capture.end;
    if !lines.is_empty() {
        let decoded = decode_bus(capture, &lines)?;
        decoded.findings.into_iter().for_each(|f| report.find(f));
        end = end.max(
            decoded
                .events
                .iter()
                .map(BusEvent::end)
                .max()
                .unwrap_or_default(),
        );
        report.bus(&decoded.events, &[], end);
        report.doubt_the_last_block(capture);
    }
    for line in credit {
        report.pulses(
            line,
            capture.start,
            capture.end,
            capture.uncertainty,
            options,
        );
    }
    Ok(report.end(end))
}

fn read_a_recording(file: &str, bytes: &[u8], options: &ReadOptions) -> Result<Reading, ReadError> {
    let recording = read_recording(file, bytes)?;
    let ours = &recording.header.ours;
    let mut report = Report::new(Analyst::new().speaking_for(ours.bus));
    report.peer_optional = recording.header.peer_optional;
    report.edges = recording
        .entries
        .iter()
        .any(|(_, entry)| matches!(entry, Entry::Edge { .. }));
    if let Some(torn) = &recording.torn {
        let text = format!(
            "line {} is cut off after {} bytes, as when its writer was stopped in the middle; what \
             comes before it is whole",
            torn.line, torn.bytes
        );
        report.find(Finding::advice(RuleName::Torn, recording.end(), text));
    }
    if !recording.ended() {
        let text = "this run did not end: its recording has no verdict, as when its writer was killed. What \
                    is there was judged; run it again to its end";
        report.find(Finding::limit(RuleName::Unended, recording.end(), text));
    }
    let asleep = recording.slept();
    for (from, to) in &asleep {
        for entry in slept(*from, *to) {
            match entry {
                Entry::Finding(finding) => report.find(finding),
                other => report.entries.push(other),
            }
        }
    }
    for (device, from, until) in recording.silenced(None) {
        report.analyst.silenced(device, from, until);
    }
    report.bus(&recording.events(), &asleep, recording.end());
    for bus in recording.buses() {
        report.bus_behind(&bus, &recording);
    }
    let measured = report.measured(&recording);
    for line in recording.lines().iter().filter(|l| !measured.has(&l.name)) {
        report.pulses(line, Micros::ZERO, recording.end(), Micros::ZERO, options);
    }
    // What people did and saw, and what money moved, is not to be found in the words again.
    for (_, entry) in &recording.entries {
        match entry {
            Entry::Note { .. }
            | Entry::Movement(_)
            | Entry::Power { .. }
            | Entry::Silent { .. }
            | Entry::Act { .. }
            | Entry::Step { .. } => {
                report.entries.push(entry.clone());
            }
            // Nor can what the tool did wrong itself; what it slept through is reported above, and
            // what it spoke into and silence that was asked for are found again.
            Entry::Finding(f)
                if f.origin.is_beyond_the_wires()
                    && f.rule != RuleName::Slept
                    && f.rule != RuleName::SpokeOver
                    && f.rule != RuleName::Bus(BusRule::Silent) =>
            {
                report.find(f.clone());
            }
            _ => {}
        }
    }
    let mut reading = report.end(recording.end());
    reading.bench = Some(recording.header.bench.clone());
    reading.recorded = Some(recording.header.clone());
    Ok(reading)
}

struct Report {
    analyst: Analyst,
    entries: Vec<Entry>,
    trains: u64,
    /// Breaches of limits that turned out to be the end of the capture.
    doubted: u64,
    /// Nobody had to be there.
    peer_optional: bool,
    /// A pulse line moved.
    edges: bool,
}

impl Report {
    fn new(analyst: Analyst) -> Self {
        Self {
            analyst,
            entries: Vec::new(),
            trains: 0,
            doubted: 0,
            peer_optional: false,
            edges: false,
        }
    }

    fn find(&mut self, finding: Finding) {
        self.analyst.count(&finding);
        self.entries.push(Entry::Finding(finding));
    }

    fn bus(&mut self, events: &[BusEvent], asleep: &[(Micros, Micros)], end: Micros) {
        let entries = watch(&mut self.analyst, events, asleep, end);
        self.entries.extend(entries);
    }

    /// A block that the capture ends in cannot be judged: what is wrong with it may be the cut.
    fn doubt_the_last_block(&mut self, capture: &Capture) {
        let last = self.entries.iter().rev().find_map(|e| match e {
            Entry::Block(block) => Some((block.start_us, block.end_us)),
            _ => None,
        });
        let Some((start, _)) = last.filter(|(_, end)| *end > capture.end) else {
            return;
        };
        let mut doubted = 0;
        for entry in &mut self.entries {
            let Entry::Finding(finding) = entry else {
                continue;
            };
            // One that is too long is too long whatever follows.
            let shape = matches!(
                finding.rule,
                RuleName::Bus(BusRule::Checksum | BusRule::ModeBit | BusRule::WordFormat)
            );
            if shape && finding.at == start && finding.is_limit() {
                doubted += 1;
                let text = "the capture ends in this block, so whether it is whole is not known";
                *finding = Finding::advice(BusRule::Cut, start, text);
            }
        }
        self.doubted += doubted;
    }

    /// A bus behind a bridge: its blocks and findings, each with its name.
    fn bus_behind(&mut self, bus: &str, recording: &Recording) {
        let ours = recording.header.ours.side_of(Some(bus));
        let mut analyst = Analyst::new().speaking_for(ours);
        for (device, from, until) in recording.silenced(Some(bus)) {
            analyst.silenced(device, from, until);
        }
        let (events, asleep) = (recording.events_of(bus), recording.slept());
        let entries = watch(&mut analyst, &events, &asleep, recording.end());
        for mut entry in entries {
            entry.set_bus(bus);
            match entry {
                Entry::Finding(finding) => self.find(finding),
                other => self.entries.push(other),
            }
        }
    }

    /// The lines of which a recording says what their pulses should be like.
    fn measured(&mut self, recording: &Recording) -> PulseLines {
        let entries = || recording.entries.iter().map(|(_, entry)| entry);
        let asleep = recording.slept();
        let mut lines = PulseLines::of_records(entries().filter_map(|entry| match entry {
            Entry::Line(record) => Some(record),
            _ => None,
        }));
        for (from, to) in asleep {
            lines.slept(from, to);
        }
        for entry in entries() {
            match entry {
                Entry::Movement(record) => lines.moved(&LedgerEntry::from(record).movement),
                Entry::Line(_) => self.entries.push(entry.clone()),
                Entry::Edge {
                    line,
                    at_us,
                    high,
                    uncertainty_us,
                } => {
                    self.until(&mut lines, *at_us);
                    let (at, high) = (*at_us, *high);
                    lines.named_edge(line, Edge { at, high }, *uncertainty_us);
                    self.take(&mut lines);
                }
                Entry::Power { at_us, who, on } => lines.power(who.as_deref(), *at_us, *on),
                _ => {}
            }
        }
        self.until(&mut lines, recording.end());
        lines.finish(recording.end());
        self.take(&mut lines);
        self.trains += lines.trains();
        lines
    }

    fn until(&mut self, lines: &mut PulseLines, end: Micros) {
        while lines.next_deadline() <= end {
            let due = lines.next_deadline();
            lines.idle(due);
            self.take(lines);
        }
    }

    fn take(&mut self, lines: &mut PulseLines) {
        for entry in lines.take_entries(Decimals::default()) {
            match entry {
                Entry::Finding(finding) => self.find(finding),
                other => self.entries.push(other),
            }
        }
    }

    fn pulses(
        &mut self,
        line: &CaptureLine,
        start: Micros,
        end: Micros,
        uncertainty: Micros,
        options: &ReadOptions,
    ) {
        let record = LineRecord {
            line: &line.name,
            start: (start, line.initial),
            edges: &line.edges,
            end,
            uncertainty,
        };
        let survey = survey(&record, &profiles(options));
        for found in &survey.findings {
            self.find(pulse_finding(found));
        }
        for surveyed in &survey.trains {
            self.train(surveyed);
        }
    }

    fn train(&mut self, surveyed: &Surveyed) {
        self.trains += 1;
        let report = surveyed.report();
        let text = describe(&report);
        self.entries.push(Entry::Train(TrainRecord {
            line: report.line,
            start_us: report.start_us,
            pulses: report.pulses as u64,
            widths_us: report.widths_us,
            gaps_us: report.gaps_us,
            profile: report.profile,
            text: Some(text),
        }));
    }

    fn end(mut self, end: Micros) -> Reading {
        let activity = self.peer_optional || self.entries.iter().any(Entry::is_activity);
        let silence = Tally::of(&self.analyst, self.trains).silence(activity || self.edges, end);
        if let Some(finding) = silence {
            self.find(finding);
        }
        put_in_order(&mut self.entries);
        let mut tally = Tally::of(&self.analyst, self.trains);
        tally.limits -= self.doubted.min(tally.limits);
        tally.advice += self.doubted;
        let passed = tally.limits == 0;
        self.entries.push(tally.verdict(end));
        Reading {
            entries: self.entries,
            passed,
            bench: None,
            recorded: None,
        }
    }
}

/// What an analyst makes of a whole bus.
fn watch(
    analyst: &mut Analyst,
    events: &[BusEvent],
    asleep: &[(Micros, Micros)],
    end: Micros,
) -> Vec<Entry> {
    let mut entries = Vec::new();
    let mut asleep = asleep.iter().peekable();
    for event in events {
        while let Some((from, to)) = asleep.next_if(|(from, _)| *from <= event.start()) {
            analyst.slept(*from, *to);
        }
        analyst.event_to(event, &mut entries);
    }
    asleep.for_each(|(from, to)| analyst.slept(*from, *to));
    entries.extend(analyst.finish(end));
    entries
}

fn profiles(options: &ReadOptions) -> Vec<Profile> {
    let mut profiles = match &options.profile {
        Some(profile) => vec![profile.clone()],
        None => Profile::all(),
    };
    if options.active_high {
        profiles
            .iter_mut()
            .for_each(|p| p.active = payrig_pulse::Level::High);
    }
    profiles
}

fn describe(train: &TrainReport) -> String {
    let pulses = words::count(train.pulses, "pulse");
    let times = Profile::named(&train.nearest).map(|p| format!(" ({})", p.times()));
    let times = times.unwrap_or_default();
    let fit = if train.profile == "none" {
        format!("no profile; nearest is {}{times}", train.nearest)
    } else {
        format!("profile {}{times}", train.profile)
    };
    format!("{pulses}, {fit}")
}
