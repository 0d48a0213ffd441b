//! What real devices and a real board said of themselves in recordings, and what they agreed on.

use payrig_rig::{Identity, Said};
use payrig_units::visible;
use payrig_wire::recording::{Entry, Meaning, Ours, TrainRecord};
use std::collections::BTreeMap;

/// What was heard of real units; what payrig itself said is left out.
#[derive(Debug, Default)]
pub(super) struct Heard {
    /// On the bus.
    pub(super) said: Said,
    /// Trains by line, as they came.
    pub(super) trains: BTreeMap<String, Vec<TrainRecord>>,
}

impl Heard {
    /// Listens to a recording in which this much was ours.
    pub(super) fn listen(&mut self, entries: &[Entry], ours: &Ours) {
        for entry in entries {
            match entry {
                Entry::Block(block) if ours.side_of(block.bus.as_deref()) != Some(block.source) => {
                    if let Meaning::Decoded(decoded) = &block.meaning
                        && let Some(typed) = &decoded.typed
                    {
                        self.said.hear(typed);
                    }
                }
                Entry::Train(train) if !ours.lines.contains(&train.line) => {
                    let line = self.trains.entry(train.line.clone()).or_default();
                    line.push(train.clone());
                }
                _ => {}
            }
        }
    }
}

/// Maker, model, serial number and version in a line.
pub(super) fn label(id: &Identity) -> String {
    id.line(|bytes| visible(String::from_utf8_lossy(bytes).trim()).into_owned())
}
