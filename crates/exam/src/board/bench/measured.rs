//! What is measured of a board in passing, for the report: when it acknowledges, how it spaces its
//! bytes; and the pulses it was sent.

use super::{BoardBench, HeardBlock};
use crate::seen::Timed;
use payrig_pulse::{LineSetup, Profile, Train, TrainReader};
use payrig_units::Micros;
use payrig_wire::Edge;
use payrig_wire::recording::{Entry, LineRole, TrainRecord};

/// From the end of every data answer to the board's ACK, NAK or RET of it.
pub(super) fn acknowledged(b: &BoardBench) -> Vec<Timed> {
    let pairs = b.blocks.iter().zip(b.blocks.iter().skip(1));
    pairs
        .filter(|(data, next)| data.is_data() && next.is_verdict())
        .filter(|(data, next)| b.looked(data.at, next.end))
        .map(|(data, next)| next.began().since(data.ended()))
        .collect()
}

/// The longest pause between two bytes of every command.
pub(super) fn pauses(b: &BoardBench) -> Vec<Timed> {
    let commands = b.blocks.iter().filter(|c| c.is_command());
    let commands = commands.filter(|c| b.looked(c.at, c.end));
    let longest = |command: &HeardBlock| command.pauses.iter().max().copied();
    commands.map(|c| longest(c).unwrap_or_default()).collect()
}

/// Trains that went to the board on its credit lines, read from the recording.
pub(super) fn sent_trains(entries: &[Entry], until: Micros) -> Vec<TrainRecord> {
    let mut trains = Vec::new();
    for entry in entries {
        let Entry::Line(line) = entry else { continue };
        let profile = line.profile.clone().map(Profile::try_from);
        let (LineRole::Credit, Some(Ok(profile))) = (line.role, profile) else {
            continue;
        };
        let mut reader = TrainReader::new(LineSetup::of(&profile, &line.line));
        let edges = entries.iter().filter_map(|e| match e {
            Entry::Edge {
                line: of,
                at_us,
                high,
                ..
            } if *of == line.line => Some(Edge {
                at: *at_us,
                high: *high,
            }),
            _ => None,
        });
        let mut found: Vec<Train> = edges.filter_map(|e| reader.edge(e.at, e.high)).collect();
        found.extend(reader.finish(until));
        trains.extend(found.iter().map(|t| TrainRecord::of(t, &profile.name)));
    }
    trains
}
