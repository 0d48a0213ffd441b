//! The emulated devices of a bench, and what a person does at them.

use crate::VirtualBus;
use crate::machine::{Machine, insert_bill, insert_coin};
use crate::on_link::poll_of;
use crate::pulse_peer::PulsePeer;
use crate::rig::{Act, BridgeWay, DeviceLink, DeviceRig, Kind, Rig};
use crate::segment::Segment;
use payrig_bridge::{MdbToPulse, PulseBridge, PulseToMdb};
use payrig_peripherals::bill::BillValidator;
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::Changer;
use payrig_peripherals::pulse::PulseDevice;
use payrig_peripherals::{BusPeripheral, Port};
use payrig_units::{self as ledger, Ledger, Micros, Money, Movement};
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Edge, TimedWord, Transmission};
use std::collections::BTreeMap;

/// Finding a place of the ledger by its printed name.
pub(crate) struct Place;

impl Place {
    /// The balance of the place a rig names; zero where no money ever was.
    pub(crate) fn find(ledger: &Ledger, name: &str) -> Money {
        ledger
            .balances()
            .find(|(p, _)| p.to_string() == name)
            .map_or(Money::ZERO, |(_, m)| m)
    }
}

#[derive(Debug)]
struct Peer {
    name: String,
    machine: Machine,
    /// On a bus, but not on the board's: behind a bridge, or on a port of its own.
    apart: bool,
}

impl Peer {
    /// True when it is on the board's bus.
    fn on_bus(&self) -> bool {
        !self.apart && self.machine.bus().is_some()
    }
}

/// The emulated devices of a bench.
#[derive(Debug, Default)]
pub(crate) struct Peers {
    peers: Vec<Peer>,
    segments: Vec<Segment>,
    /// The bridge each device is behind, whoever plays it.
    behind: BTreeMap<String, String>,
    /// What validators outside reported, to be booked.
    reported: Vec<Movement>,
}

/// A note with the name of the device it comes from.
type Note = (String, String);

impl Peers {
    /// The devices of a rig. A rig is checked when it is read, so none of them is refused here;
    /// one that were would be left out and said so by the board, which does not find it.
    pub(crate) fn new(rig: &Rig) -> Self {
        let build = |device: &DeviceRig| {
            if device.is_outside() {
                return None;
            }
            let machine = match &device.kind {
                Kind::Changer(config, quirks) => {
                    let changer = Changer::new(config.clone(), *quirks).ok()?;
                    Machine::Changer(Port::new(changer, device.timing))
                }
                Kind::Bill(config, quirks) => {
                    let bill = BillValidator::new(config.clone(), *quirks).ok()?;
                    Machine::Bill(Port::new(bill, device.timing))
                }
                Kind::Cashless(config) => {
                    let cashless = CashlessDevice::new(config.clone());
                    Machine::Cashless(Port::new(cashless, device.timing))
                }
                Kind::Pulse(rig) => Machine::Pulse(PulsePeer::new(rig).ok()?),
                Kind::Bridge(bridge) => match &bridge.way {
                    BridgeWay::ToMdb { config, hold_up } => {
                        let bridge = PulseToMdb::new(config.clone()).ok()?;
                        let bridge = PulseBridge::new(bridge, device.timing);
                        let bridge = match hold_up {
                            true => bridge,
                            false => bridge.without_hold_up(),
                        };
                        Machine::Bridge(Box::new(bridge))
                    }
                    BridgeWay::ToPulse { .. } => return None,
                },
            };
            Some(Peer {
                name: device.name.clone(),
                machine,
                apart: device.address().is_none(),
            })
        };
        let outside = |name: &str| rig.devices.iter().any(|d| d.name == name && d.is_outside());
        let segment = |device: &DeviceRig| match (&device.kind, &device.link) {
            (Kind::Bridge(bridge), _) if let BridgeWay::ToPulse { config, .. } = &bridge.way => {
                let bus = VirtualBus::new(rig.seed.wrapping_add(1), rig.jitter);
                let (name, from) = (device.name.clone(), bridge.from.clone());
                let bridge = MdbToPulse::new(config.clone(), Micros::ZERO);
                Some(match outside(&from) {
                    true => Segment::on_port(name, from, bridge),
                    false => Segment::new(name, from, bridge, bus),
                })
            }
            (_, Some(DeviceLink::Bus(_))) if !device.is_outside() => {
                Some(Segment::of_device(&device.name, poll_of(device)?))
            }
            _ => None,
        };
        let behind = |device: &DeviceRig| Some((device.name.clone(), device.behind.clone()?));
        let mut peers = Self {
            peers: rig.devices.iter().filter_map(build).collect(),
            segments: rig.devices.iter().filter_map(segment).collect(),
            behind: rig.devices.iter().filter_map(behind).collect(),
            reported: Vec::new(),
        };
        for (name, line, high) in peers.levels() {
            peers.level(&name, &line, high);
        }
        peers.carry();
        peers
    }

    /// The bridge to the bus that a pulse device is behind.
    fn bridge_of(&mut self, device: &str) -> Option<&mut PulseBridge> {
        let behind = self.behind.get(device)?;
        let bridge = self.peers.iter_mut().find(|p| p.name == *behind)?;
        match &mut bridge.machine {
            Machine::Bridge(bridge) => Some(bridge),
            _ => None,
        }
    }

    /// The level of a line as the bench begins, for the bridge that counts it.
    pub(crate) fn level(&mut self, device: &str, line: &str, high: bool) {
        if let Some(bridge) = self.bridge_of(device) {
            bridge.level(Micros::ZERO, line, high);
        }
    }

    /// Puts on the buses beside the board's what is to be said there.
    fn carry(&mut self) {
        for segment in &mut self.segments {
            let validator = self.peers.iter_mut().find(|p| p.name == segment.from);
            segment.carry(validator.and_then(|p| p.machine.bus_mut()));
        }
    }

    /// The next thing to go through a port beside the board's bus, with the name of its bus.
    pub(crate) fn take_outbound(&mut self) -> Option<(String, Transmission)> {
        let mut all = self.segments.iter_mut();
        all.find_map(|s| Some((s.name.clone(), s.take_outbound()?)))
    }

    /// The other end of such a port was heard.
    pub(crate) fn heard_on_link(&mut self, bus: &str, event: &BusEvent) {
        for segment in self.segments.iter_mut().filter(|s| s.name == bus) {
            let validator = self.peers.iter_mut().find(|p| p.name == segment.from);
            let mut validator = validator.and_then(|p| p.machine.bus_mut());
            segment.heard_on_link(event, validator.as_deref_mut());
            segment.carry(validator);
        }
    }

    /// Something of ours was on the wire of such a port.
    pub(crate) fn sent_on_link(&mut self, bus: &str, event: &BusEvent) {
        let all = self.segments.iter_mut();
        all.filter(|s| s.name == bus).for_each(|s| s.seen(event));
    }

    /// True when everything on buses beside the board's is set up by its master.
    pub(crate) fn others_running(&self) -> bool {
        self.segments.iter().all(Segment::is_running)
    }

    /// True when a device on a bus beside the board's is set up; `None` when it is not on one.
    pub(crate) fn is_running(&self, device: &str) -> Option<bool> {
        let mut all = self.segments.iter().filter(|s| s.from == device);
        all.next().map(Segment::is_running)
    }

    /// True while a block on a bus behind a bridge is not complete.
    pub(crate) fn bus_open(&self) -> bool {
        self.segments.iter().any(Segment::is_open)
    }

    /// Blocks and findings of the buses behind bridges since the last call.
    pub(crate) fn take_entries(&mut self) -> Vec<Entry> {
        let all = self.segments.iter_mut();
        all.flat_map(Segment::take_entries).collect()
    }

    /// The end of the bench.
    pub(crate) fn finish(&mut self, now: Micros) {
        self.segments.iter_mut().for_each(|s| s.finish(now));
    }

    /// Takes every device off the bus that is on it: real ones are there instead.
    pub(crate) fn unplug_from_bus(&mut self) {
        self.peers.retain(|p| !p.on_bus());
    }

    pub(crate) fn heard(&mut self, word: &TimedWord) {
        self.bus().for_each(|p| p.heard(word));
    }

    pub(crate) fn heard_break(&mut self, start: Micros, end: Micros) {
        self.bus().for_each(|p| p.heard_break(start, end));
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        let peers = self.peers.iter().map(|p| p.machine.next_deadline());
        let segments = self.segments.iter().map(Segment::next_deadline);
        peers.chain(segments).min().unwrap_or(Micros::NEVER)
    }

    /// Wakes whoever is due. True when somebody was.
    pub(crate) fn wake(&mut self, now: Micros) -> bool {
        let mut any = false;
        for peer in &mut self.peers {
            if peer.machine.next_deadline() > now {
                continue;
            }
            any = true;
            if let Some(bus) = peer.machine.bus_mut() {
                bus.wake(now);
            }
            if let Some(pulse) = peer.machine.pulse_mut() {
                pulse.wake(now);
            }
        }
        for segment in &mut self.segments {
            let validator = self.peers.iter_mut().find(|p| p.name == segment.from);
            any |= segment.advance(now, validator.and_then(|p| p.machine.bus_mut()));
            let reported = segment.take_reported();
            if segment.validator_outside() && !reported.is_zero() {
                self.reported.push(Movement {
                    from: ledger::Place::Customer,
                    to: ledger::Place::Stacker(segment.from.clone()),
                    amount: reported,
                    why: format!(
                        "as it reported to {}: it is outside, and its money is not seen",
                        segment.name
                    ),
                });
            }
        }
        any
    }

    pub(crate) fn take_transmission(&mut self) -> Option<Transmission> {
        self.bus().find_map(BusPeripheral::take_transmission)
    }

    /// Edges on the lines of pulse devices and bridges: device, line, edge. What a bridge has to
    /// hear it has heard then, and what it says to the device behind it is among them.
    pub(crate) fn take_edges(&mut self) -> Vec<(String, String, Edge)> {
        let mut edges = self.device_edges();
        for (name, line, edge) in &edges {
            if let Some(bridge) = self.bridge_of(name) {
                bridge.input_edge(edge.at, line, edge.high);
            }
        }
        let behind: Vec<String> = self.behind.keys().cloned().collect();
        for device in behind {
            let inhibits = self.bridge_of(&device).map(PulseBridge::take_edges);
            for (line, edge) in inhibits.unwrap_or_default() {
                self.input_edge(&device, &line, edge);
                edges.push((device.clone(), line, edge));
            }
        }
        edges
    }

    fn device_edges(&mut self) -> Vec<(String, String, Edge)> {
        let mut edges = Vec::new();
        for segment in &mut self.segments {
            let new = segment.bridge.as_mut().map(MdbToPulse::take_edges);
            let new = new.unwrap_or_default().into_iter();
            edges.extend(new.map(|(line, edge)| (segment.name.clone(), line, edge)));
        }
        for peer in &mut self.peers {
            if let Some(pulse) = peer.machine.pulse_mut() {
                let new = pulse.take_edges().into_iter();
                edges.extend(new.map(|(line, edge)| (peer.name.clone(), line, edge)));
            }
        }
        edges
    }

    /// The levels of all lines of pulse devices: device, line, high.
    pub(crate) fn levels(&self) -> Vec<(String, String, bool)> {
        let pulse = |peer: &Peer| {
            let levels = peer.machine.pulse().map(PulseDevice::resting_levels);
            let name = peer.name.clone();
            let levels = levels.unwrap_or_default().into_iter();
            levels.map(move |(line, high)| (name.clone(), line, high))
        };
        let bridge = |segment: &Segment| {
            let name = segment.name.clone();
            let levels = segment.bridge.as_ref().map(MdbToPulse::resting_levels);
            let levels = levels.unwrap_or_default().into_iter();
            levels.map(move |(line, high)| (name.clone(), line, high))
        };
        let peers = self.peers.iter().flat_map(pulse);
        peers.chain(self.segments.iter().flat_map(bridge)).collect()
    }

    /// True when no pulse device has anything under way.
    pub(crate) fn pulses_quiet(&self) -> bool {
        let mut pulses = self.peers.iter().filter_map(|p| p.machine.pulse());
        let bridges = self.peers.iter().all(|p| match &p.machine {
            Machine::Bridge(b) => b.bridge().is_idle(),
            _ => true,
        });
        let mut segments = self.segments.iter().filter_map(|s| s.bridge.as_ref());
        let segments = segments.all(MdbToPulse::is_idle);
        bridges && segments && pulses.all(|p| p.next_deadline() == Micros::NEVER)
    }

    /// An edge on a line that a pulse device listens to.
    pub(crate) fn input_edge(&mut self, device: &str, line: &str, edge: Edge) {
        let named = self.peers.iter_mut().filter(|p| p.name == device);
        for pulse in named.filter_map(|p| p.machine.pulse_mut()) {
            pulse.input_edge(edge.at, line, edge.high);
        }
        let named = self.segments.iter_mut().filter(|s| s.name == device);
        for bridge in named.filter_map(|s| s.bridge.as_mut()) {
            bridge.input_edge(edge.at, line, edge.high);
        }
    }

    /// An edge of a real device, for the bridge that counts it.
    pub(crate) fn outside_edge(
        &mut self,
        device: &str,
        line: &str,
        edge: Edge,
        uncertainty: Micros,
    ) {
        if let Some(bridge) = self.bridge_of(device) {
            bridge.input_edge_within(edge.at, line, edge.high, uncertainty);
        }
    }

    /// Money that moved and things to be seen since the last call.
    pub(crate) fn take_news(&mut self) -> (Vec<Movement>, Vec<Note>) {
        let mut movements = std::mem::take(&mut self.reported);
        let mut notes = Vec::new();
        for peer in &mut self.peers {
            let mut seen = Vec::new();
            if let Some(bus) = peer.machine.bus_mut() {
                movements.extend(bus.take_movements());
                seen.extend(bus.take_notes());
            }
            if let Some(pulse) = peer.machine.pulse_mut() {
                movements.extend(pulse.take_movements());
                seen.extend(pulse.take_notes());
            }
            notes.extend(seen.into_iter().map(|text| (peer.name.clone(), text)));
        }
        for segment in &mut self.segments {
            let seen = segment.bridge.as_mut().map(MdbToPulse::take_notes);
            let seen = seen.unwrap_or_default().into_iter();
            notes.extend(seen.map(|text| (segment.name.clone(), text)));
        }
        (movements, notes)
    }

    fn bus(&mut self) -> impl Iterator<Item = &mut dyn BusPeripheral> {
        let on_bus = self.peers.iter_mut().filter(|p| !p.apart);
        on_bus.filter_map(|p| p.machine.bus_mut())
    }

    /// Does what a step says at one of the devices.
    ///
    /// # Errors
    /// When the device cannot do that: says why.
    pub(crate) fn perform(&mut self, now: Micros, act: &Act) -> Result<(), String> {
        let (name, act) = match act {
            Act::InsertCoin { device, .. }
            | Act::InsertBill { device, .. }
            | Act::AtBillValidator { device, .. }
            | Act::AtChanger { device, .. }
            | Act::AtCashless { device, .. }
            | Act::PresentCard { device, .. }
            | Act::RemoveCard { device }
            | Act::Power {
                device: Some(device),
                ..
            } => (device, act),
            _ => return Err("not something done at a device".to_owned()),
        };
        if let Act::Power { on, .. } = act
            && let Some(segment) = self.segments.iter_mut().find(|s| s.name == *name)
            && let Some(bridge) = &mut segment.bridge
        {
            bridge.power(now, *on);
            return Ok(());
        }
        let Some(peer) = self.peers.iter_mut().find(|p| p.name == *name) else {
            return Err(format!("there is no device \"{name}\""));
        };
        match (act, &mut peer.machine) {
            (Act::Power { on, .. }, machine) => {
                if let Some(bus) = machine.bus_mut() {
                    bus.power(now, *on);
                }
                if let Some(pulse) = machine.pulse_mut() {
                    pulse.power(now, *on);
                }
                Ok(())
            }
            (Act::InsertCoin { coin, .. }, Machine::Changer(port)) => insert_coin(port, now, *coin),
            (Act::InsertBill { bill, .. }, Machine::Bill(port)) => insert_bill(port, now, *bill),
            (Act::AtChanger { what, .. }, Machine::Changer(port)) => {
                what.perform(port.device_mut(), now)
            }
            (Act::AtBillValidator { what, .. }, Machine::Bill(port)) => {
                what.perform(port.device_mut(), now)
            }
            (Act::AtCashless { what, .. }, Machine::Cashless(port)) => {
                what.perform(port.device_mut(), now)
            }
            (act, Machine::Pulse(device)) => match device.perform(now, act) {
                true => Ok(()),
                false => Err(format!("{name} cannot do that")),
            },
            (Act::PresentCard { balance, .. }, Machine::Cashless(port)) => {
                let card = match balance {
                    Some(balance) => Card::with(*balance),
                    None => Card::unknown(),
                };
                port.device_mut().present_card(now, card);
                Ok(())
            }
            (Act::RemoveCard { .. }, Machine::Cashless(port)) => {
                port.device_mut().remove_card(now);
                Ok(())
            }
            _ => Err(format!("{name} cannot do that")),
        }
    }
}
