//! What a stage knows of the link it is on.

use crate::rig::{DeviceRig, Rig};
use payrig_mdb::Role;
use payrig_wire::{Source, TimedWord, Transmission};
use std::collections::VecDeque;

/// So many POLLs of a device mean that the board has set it up.
const POLLED: u32 = 8;

/// The address byte of a device's POLL.
pub(crate) fn poll_of(device: &DeviceRig) -> Option<u8> {
    let address = device.own_address()?;
    let command = match address.role() {
        Role::Cashless(_) => 2,
        _ => 3,
    };
    Some(address.with(command))
}

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
        let poll = |d: &DeviceRig| {
            let on_bus = d.address().is_some();
            let poll = poll_of(d).filter(|_| on_bus)?;
            Some((d.name.clone(), poll, 0))
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
