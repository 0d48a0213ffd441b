//! A bus of its own, beside the board's: between a bridge and the validator behind it, or between
//! one of our devices and a board outside.

use crate::VirtualBus;
use payrig_bridge::MdbToPulse;
use payrig_peripherals::BusPeripheral;
use payrig_units::{Micros, Money};
use payrig_wire::analysis::Analyst;
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Source, Transmission};
use std::collections::VecDeque;

/// So many POLLs of a device mean that the board has set it up.
const POLLED: u32 = 8;

/// What carries the words.
#[derive(Debug)]
enum Wire {
    Virtual(VirtualBus),
    /// A port, and what is to be sent through it.
    Port(VecDeque<Transmission>),
}

/// A bus beside the board's.
#[derive(Debug)]
pub(crate) struct Segment {
    /// The bridge, or the device that has a port for itself.
    pub(crate) name: String,
    /// The peripheral on it.
    pub(crate) from: String,
    /// Its master, where that is ours.
    pub(crate) bridge: Option<MdbToPulse>,
    wire: Wire,
    /// The POLL of the peripheral, and how often it was heard from a board outside.
    poll: u8,
    polls: u32,
    /// What the validator had reported when this was last asked.
    booked: Money,
    analyst: Analyst,
    entries: Vec<Entry>,
}

impl Segment {
    fn with(name: String, from: String, wire: Wire, analyst: Analyst) -> Self {
        Self {
            name,
            from,
            bridge: None,
            wire,
            poll: 0,
            polls: 0,
            booked: Money::ZERO,
            analyst,
            entries: Vec::new(),
        }
    }

    /// A bridge and an emulated validator.
    pub(crate) fn new(name: String, from: String, bridge: MdbToPulse, bus: VirtualBus) -> Self {
        Self {
            bridge: Some(bridge),
            ..Self::with(name, from, Wire::Virtual(bus), Analyst::new())
        }
    }

    /// A bridge, and a validator at the other end of a port.
    pub(crate) fn on_port(name: String, from: String, bridge: MdbToPulse) -> Self {
        let analyst = Analyst::new().speaking_for(Some(Source::Master));
        Self {
            bridge: Some(bridge),
            ..Self::with(name, from, Wire::Port(VecDeque::new()), analyst)
        }
    }

    /// One of our devices, and a board at the other end of a port.
    pub(crate) fn of_device(name: &str, poll: u8) -> Self {
        let analyst = Analyst::new().speaking_for(Some(Source::Peripheral));
        let wire = Wire::Port(VecDeque::new());
        Self {
            poll,
            ..Self::with(name.to_owned(), name.to_owned(), wire, analyst)
        }
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        let bus = match &self.wire {
            Wire::Virtual(bus) => bus.next(),
            Wire::Port(_) => Micros::NEVER,
        };
        let bridge = self
            .bridge
            .as_ref()
            .map_or(Micros::NEVER, MdbToPulse::next_deadline);
        bus.min(bridge).min(self.analyst.next_deadline())
    }

    /// True while a block on this bus is not complete.
    pub(crate) fn is_open(&self) -> bool {
        self.analyst.next_deadline() != Micros::NEVER
    }

    /// True when its master has set up what is on it.
    pub(crate) fn is_running(&self) -> bool {
        match &self.bridge {
            Some(bridge) => bridge.is_running(),
            None => self.polls >= POLLED,
        }
    }

    /// Lets everything due happen; the validator is there when it is ours. True when something did.
    pub(crate) fn advance(
        &mut self,
        now: Micros,
        mut validator: Option<&mut (dyn BusPeripheral + '_)>,
    ) -> bool {
        let mut any = false;
        while let Wire::Virtual(bus) = &mut self.wire
            && let Some(heard) = bus.pop(now)
        {
            any = true;
            let entries = self.analyst.event(&heard.event);
            self.entries.extend(entries);
            if heard.reaches_peer {
                self.hear(&heard.event, validator.as_deref_mut());
            }
        }
        if let Some(bridge) = &mut self.bridge
            && bridge.next_deadline() <= now
        {
            any = true;
            bridge.wake(now);
        }
        if self.analyst.next_deadline() <= now {
            let entries = self.analyst.idle(now);
            any |= !entries.is_empty();
            self.entries.extend(entries);
        }
        self.carry(validator);
        any
    }

    fn hear(&mut self, event: &BusEvent, validator: Option<&mut (dyn BusPeripheral + '_)>) {
        match (*event, validator, &mut self.bridge) {
            (BusEvent::Word(word), Some(validator), _) if word.source == Source::Master => {
                validator.heard(&word);
            }
            (BusEvent::Word(word), _, Some(bridge)) if word.source == Source::Peripheral => {
                bridge.heard(&word);
            }
            (
                BusEvent::Break {
                    start,
                    end,
                    source: Source::Master,
                    ..
                },
                Some(validator),
                _,
            ) => {
                validator.heard_break(start, end);
            }
            _ => {}
        }
    }

    /// The other end of the port was heard.
    pub(crate) fn heard_on_link(
        &mut self,
        event: &BusEvent,
        validator: Option<&mut (dyn BusPeripheral + '_)>,
    ) {
        if let BusEvent::Word(word) = event
            && word.source == Source::Master
            && word.word.mode
            && word.word.byte == self.poll
        {
            self.polls = self.polls.saturating_add(1);
        }
        self.seen(event);
        self.hear(event, validator);
    }

    /// Something was on the wire, whoever said it.
    pub(crate) fn seen(&mut self, event: &BusEvent) {
        let entries = self.analyst.event(event);
        self.entries.extend(entries);
    }

    /// Puts on the bus what those on it have to say.
    pub(crate) fn carry(&mut self, validator: Option<&mut (dyn BusPeripheral + '_)>) {
        let mut said = Vec::new();
        while let Some(sent) = self.bridge.as_mut().and_then(MdbToPulse::take_transmission) {
            said.push((Source::Master, sent));
        }
        if let Some(validator) = validator {
            while let Some(sent) = validator.take_transmission() {
                said.push((Source::Peripheral, sent));
            }
        }
        for (source, sent) in said {
            match &mut self.wire {
                Wire::Virtual(bus) => {
                    bus.transmit(source, sent);
                }
                Wire::Port(outbox) => outbox.push_back(sent),
            }
        }
    }

    /// The next thing to go through the port.
    pub(crate) fn take_outbound(&mut self) -> Option<Transmission> {
        match &mut self.wire {
            Wire::Virtual(_) => None,
            Wire::Port(outbox) => outbox.pop_front(),
        }
    }

    /// True when the validator is at the other end of a port.
    pub(crate) fn validator_outside(&self) -> bool {
        self.bridge.is_some() && matches!(self.wire, Wire::Port(_))
    }

    /// What the validator has reported since the last call.
    pub(crate) fn take_reported(&mut self) -> Money {
        let taken = self.bridge.as_ref().map_or(Money::ZERO, MdbToPulse::taken);
        let new = taken.saturating_sub(self.booked);
        self.booked = taken;
        new
    }

    /// What was on this bus since the last call, each block with the bus's name.
    pub(crate) fn take_entries(&mut self) -> Vec<Entry> {
        let mut entries = std::mem::take(&mut self.entries);
        for entry in &mut entries {
            entry.set_bus(&self.name);
        }
        entries
    }

    /// The end of the bus.
    pub(crate) fn finish(&mut self, now: Micros) {
        let entries = self.analyst.finish(now);
        self.entries.extend(entries);
    }
}
