//! What a stage knows of the link it is on.

use crate::rig::Rig;
use payrig_mdb::Role;
use payrig_wire::{Source, TimedWord, Transmission};
use std::collections::VecDeque;

/// So many POLLs of a device mean that the board has set it up.
const POLLED: u32 = 8;

/// The other end of a link, and our outbox.
#[derive(Debug)]
pub(crate) struct OnLink {
    /// Which side of the bus is not ours.
    outside: Source,
    /// What is to be sent.
    pub(crate) outbox: VecDeque<Transmission>,
    /// Our devices: name, POLL byte, POLLs heard.
    polls: Vec<(String, u8, u32)>,
}

impl OnLink {
    /// A rig with this side outside.
    pub(crate) fn new(rig: &Rig, outside: Source) -> Self {
        let polls = match outside {
            Source::Master => Self::polls_of(rig),
            Source::Peripheral => Vec::new(),
        };
        Self {
            outside,
            outbox: VecDeque::new(),
            polls,
        }
    }

    /// The side that is ours.
    pub(crate) fn ours(&self) -> Source {
        match self.outside {
            Source::Master => Source::Peripheral,
            Source::Peripheral => Source::Master,
        }
    }

    /// The devices an outside board will poll.
    fn polls_of(rig: &Rig) -> Vec<(String, u8, u32)> {
        let poll = |d: &crate::rig::DeviceRig| {
            let address = d.address()?;
            let command = if matches!(address.role(), Role::Cashless(_)) {
                2
            } else {
                3
            };
            Some((d.name.clone(), address.with(command), 0))
        };
        rig.devices.iter().filter_map(poll).collect()
    }

    pub(crate) fn count_poll(&mut self, word: &TimedWord) {
        if word.source == Source::Master && word.word.mode {
            for (_, poll, heard) in &mut self.polls {
                *heard += u32::from(*poll == word.word.byte);
            }
        }
    }

    pub(crate) fn all_polled(&self) -> bool {
        self.polls.iter().all(|(_, _, heard)| *heard >= POLLED)
    }

    pub(crate) fn is_polled(&self, device: &str) -> bool {
        self.polls
            .iter()
            .any(|(name, _, heard)| name == device && *heard >= POLLED)
    }
}
