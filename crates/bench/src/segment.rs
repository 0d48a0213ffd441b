//! A bus of its own behind a bridge: an MDB validator with the bridge as its VMC.

use crate::analyst::Analyst;
use payrig_bridge::MdbToPulse;
use payrig_link::VirtualBus;
use payrig_peripherals::BusPeripheral;
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Source};

/// The bus between a bridge and the validator behind it.
#[derive(Debug)]
pub(crate) struct Segment {
    /// The bridge.
    pub(crate) name: String,
    /// The validator.
    pub(crate) from: String,
    pub(crate) bridge: MdbToPulse,
    bus: VirtualBus,
    analyst: Analyst,
    entries: Vec<Entry>,
}

impl Segment {
    pub(crate) fn new(name: String, from: String, bridge: MdbToPulse, bus: VirtualBus) -> Self {
        Self {
            name,
            from,
            bridge,
            bus,
            analyst: Analyst::new(),
            entries: Vec::new(),
        }
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        self.bus
            .next()
            .min(self.bridge.next_deadline())
            .min(self.analyst.next_deadline())
    }

    /// True while a block on this bus is not complete.
    pub(crate) fn is_open(&self) -> bool {
        self.analyst.next_deadline() != Micros::NEVER
    }

    /// Lets everything due happen. True when something did.
    pub(crate) fn advance(&mut self, now: Micros, validator: &mut dyn BusPeripheral) -> bool {
        let mut any = false;
        while let Some(heard) = self.bus.pop(now) {
            any = true;
            let entries = self.analyst.event(&heard.event);
            self.entries.extend(entries);
            match heard.event {
                _ if !heard.reaches_peer => {}
                BusEvent::Word(word) if word.source == Source::Master => validator.heard(&word),
                BusEvent::Word(word) => self.bridge.heard(&word),
                BusEvent::Break { start, end, .. } => validator.heard_break(start, end),
                BusEvent::Garbled { .. } => {}
            }
        }
        if self.bridge.next_deadline() <= now {
            any = true;
            self.bridge.wake(now);
        }
        if self.analyst.next_deadline() <= now {
            let entries = self.analyst.idle(now);
            any |= !entries.is_empty();
            self.entries.extend(entries);
        }
        self.carry(validator);
        any
    }

    /// Puts on the bus what the two have to say.
    pub(crate) fn carry(&mut self, validator: &mut dyn BusPeripheral) {
        while let Some(sent) = self.bridge.take_transmission() {
            self.bus.transmit(Source::Master, sent);
        }
        while let Some(sent) = validator.take_transmission() {
            self.bus.transmit(Source::Peripheral, sent);
        }
    }

    /// What was on this bus since the last call, each block with the bus's name.
    pub(crate) fn take_entries(&mut self) -> Vec<Entry> {
        let mut entries = std::mem::take(&mut self.entries);
        for entry in &mut entries {
            on_bus(entry, &self.name);
        }
        entries
    }

    /// The end of the bus.
    pub(crate) fn finish(&mut self, now: Micros) {
        let entries = self.analyst.finish(now);
        self.entries.extend(entries);
    }
}

/// Names the bus an entry is from.
pub(crate) fn on_bus(entry: &mut Entry, bus: &str) {
    match entry {
        Entry::Block(block) => block.bus = Some(bus.to_owned()),
        Entry::Break { bus: on, .. } | Entry::Garbled { bus: on, .. } => *on = Some(bus.to_owned()),
        Entry::Finding(finding) => finding.text = format!("on the bus of {bus}: {}", finding.text),
        _ => {}
    }
}
