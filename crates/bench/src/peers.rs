//! The emulated devices of a bench, and what a person does at them.

use crate::pulse_peer::PulsePeer;
use crate::rig::{Act, DeviceRig, Kind, Rig, Tender};
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::{BillKind, BillValidator};
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::{Changer, CoinWorth};
use payrig_peripherals::pulse::PulseDevice;
use payrig_peripherals::{BusPeripheral, Port};
use payrig_units::{Ledger, Micros, Money, Movement};
use payrig_wire::{Edge, TimedWord, Transmission};

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
enum Machine {
    Changer(Port<Changer>),
    Bill(Port<BillValidator>),
    Cashless(Port<CashlessDevice>),
    Pulse(PulsePeer),
}

impl Machine {
    fn bus(&self) -> Option<&dyn BusPeripheral> {
        match self {
            Self::Changer(p) => Some(p),
            Self::Bill(p) => Some(p),
            Self::Cashless(p) => Some(p),
            Self::Pulse(_) => None,
        }
    }

    fn bus_mut(&mut self) -> Option<&mut dyn BusPeripheral> {
        match self {
            Self::Changer(p) => Some(p),
            Self::Bill(p) => Some(p),
            Self::Cashless(p) => Some(p),
            Self::Pulse(_) => None,
        }
    }

    fn pulse(&self) -> Option<&dyn PulseDevice> {
        match self {
            Self::Pulse(d) => Some(d.device()),
            _ => None,
        }
    }

    fn pulse_mut(&mut self) -> Option<&mut dyn PulseDevice> {
        match self {
            Self::Pulse(d) => Some(d.device_mut()),
            _ => None,
        }
    }

    fn next_deadline(&self) -> Micros {
        let bus = self
            .bus()
            .map_or(Micros::NEVER, BusPeripheral::next_deadline);
        let pulse = self
            .pulse()
            .map_or(Micros::NEVER, PulseDevice::next_deadline);
        bus.min(pulse)
    }
}

#[derive(Debug)]
struct Peer {
    name: String,
    machine: Machine,
}

/// The emulated devices of a bench.
#[derive(Debug, Default)]
pub(crate) struct Peers {
    peers: Vec<Peer>,
}

/// A note with the name of the device it comes from.
type Note = (String, String);

impl Peers {
    /// The devices of a rig. A rig is checked when it is read, so none of them is refused here;
    /// one that were would be left out and said so by the board, which does not find it.
    pub(crate) fn new(rig: &Rig) -> Self {
        let build = |device: &DeviceRig| {
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
            };
            Some(Peer {
                name: device.name.clone(),
                machine,
            })
        };
        Self {
            peers: rig.devices.iter().filter_map(build).collect(),
        }
    }

    /// Takes every device off the bus that is on it: real ones are there instead.
    pub(crate) fn unplug_from_bus(&mut self) {
        self.peers.retain(|p| p.machine.bus().is_none());
    }

    pub(crate) fn heard(&mut self, word: &TimedWord) {
        self.bus().for_each(|p| p.heard(word));
    }

    pub(crate) fn heard_break(&mut self, start: Micros, end: Micros) {
        self.bus().for_each(|p| p.heard_break(start, end));
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        self.peers
            .iter()
            .map(|p| p.machine.next_deadline())
            .min()
            .unwrap_or(Micros::NEVER)
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
        any
    }

    pub(crate) fn take_transmission(&mut self) -> Option<Transmission> {
        self.bus().find_map(BusPeripheral::take_transmission)
    }

    /// Edges on the lines of pulse devices: device, line, edge.
    pub(crate) fn take_edges(&mut self) -> Vec<(String, String, Edge)> {
        let mut edges = Vec::new();
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
        self.peers.iter().flat_map(pulse).collect()
    }

    /// True when no pulse device has anything under way.
    pub(crate) fn pulses_quiet(&self) -> bool {
        let mut pulses = self.peers.iter().filter_map(|p| p.machine.pulse());
        pulses.all(|p| p.next_deadline() == Micros::NEVER)
    }

    /// An edge on a line that a pulse device listens to.
    pub(crate) fn input_edge(&mut self, device: &str, line: &str, edge: Edge) {
        let named = self.peers.iter_mut().filter(|p| p.name == device);
        for pulse in named.filter_map(|p| p.machine.pulse_mut()) {
            pulse.input_edge(edge.at, line, edge.high);
        }
    }

    /// Money that moved and things to be seen since the last call.
    pub(crate) fn take_news(&mut self) -> (Vec<Movement>, Vec<Note>) {
        let (mut movements, mut notes) = (Vec::new(), Vec::new());
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
        (movements, notes)
    }

    fn bus(&mut self) -> impl Iterator<Item = &mut dyn BusPeripheral> {
        self.peers.iter_mut().filter_map(|p| p.machine.bus_mut())
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

fn insert_coin(port: &mut Port<Changer>, now: Micros, coin: Tender) -> Result<(), String> {
    let changer = port.device_mut();
    match coin {
        Tender::Unknown => changer.insert_slug(now),
        Tender::Worth(value) => {
            let config = changer.config();
            let of_value = |t: &CoinType| {
                config
                    .coin(*t)
                    .is_some_and(|c| c.worth == CoinWorth::Money(value))
            };
            match CoinType::all().find(of_value) {
                Some(coin_type) => changer.insert_coin(now, coin_type),
                // A coin the changer does not know is an object like any other.
                None => changer.insert_slug(now),
            }
        }
    }
    Ok(())
}

fn insert_bill(port: &mut Port<BillValidator>, now: Micros, bill: Tender) -> Result<(), String> {
    let validator = port.device_mut();
    let known = match bill {
        Tender::Worth(value) => {
            (0..16).find(|t| validator.config().kind(*t) == BillKind::Value(value))
        }
        Tender::Unknown => None,
    };
    match known {
        Some(bill_type) => validator.insert_bill(now, bill_type),
        None => validator.insert_unknown_paper(now),
    };
    Ok(())
}
