//! A bench as a plan describes it.

use crate::bench::{Bench, LineLevel, Peers, ReportedOutside, Script};
use crate::bus::{Bus, BusId};
use crate::machine::Keys;
use crate::node::{Node, NodeId};
use crate::nodes::{Peripheral, PulseNode, ToBus, ToPulses};
use crate::plan::{BridgeWay, DeviceLink, DevicePlan, Kind, Plan};
use crate::wiring::Wiring;
use payrig_bridge::{MdbToPulse, PulseBridge, PulseToMdb};
use payrig_controller::Controller;
use payrig_mdb::Role;
use payrig_peripherals::Port;
use payrig_peripherals::bill::BillValidator;
use payrig_peripherals::cashless::CashlessDevice;
use payrig_peripherals::changer::Changer;
use payrig_units::Micros;
use payrig_wire::Source;
use payrig_wire::analysis::PulseLines;
use payrig_wire::recording::{Entry, LineRole};

impl Bench {
    /// Sets up a rig at time zero. What of it is on links is at the other end of ports, and lines
    /// from there rest.
    #[must_use]
    pub fn of(rig: &Plan) -> Self {
        Self::live(rig, &[])
    }

    /// Sets up a rig at time zero with what is at the other end of its links: lines from there have
    /// these levels.
    #[must_use]
    pub fn live(rig: &Plan, levels: &[LineLevel]) -> Self {
        let mut rig = rig.clone();
        let outside = rig.link.as_ref().map(|l| l.outside);
        if let Some(outside) = outside {
            rig.board.ours = outside == Source::Peripheral;
        }
        let devices_outside = outside == Some(Source::Peripheral);
        let rig = &rig;
        let mut bench = Self::new(rig.seed, rig.jitter, rig.decimals);
        if let Some(outside) = outside {
            bench.board_bus_on_port(outside);
        }
        if rig.is_live() {
            bench.set_live();
        }
        bench.asks_outside = rig.in_lock_step();
        bench.pulses = pulse_lines(rig);
        bench.books = rig.books();
        bench.keys = Keys::of(&rig.machine);
        bench.script = Script::new(rig.script.clone());
        bench.wiring = Wiring::new(rig, devices_outside);
        bench.peers = Peers::Needed;
        bench.reported_outside = ReportedOutside::of(rig);
        for device in &rig.devices {
            // Real ones are there instead.
            let real = devices_outside && device.address().is_some();
            if !real && !device.is_outside() {
                bench.add_device(rig, device);
            }
            if outside == Some(Source::Master)
                && device.address().is_some()
                && let (Some(byte), Some(bus)) = (poll_of(device), bench.buses.first_mut())
            {
                bus.count_polls(&device.name, byte);
            }
        }
        for device in &rig.devices {
            if let Some(bridge) = device.behind.as_ref().and_then(|name| bench.find(name)) {
                bench.count_by(&device.name, bridge);
            }
        }
        if let Some(config) = rig.board.controller(rig) {
            bench.add_board(Box::new(Controller::new(config, Micros::ZERO)));
        }
        tracing::info!(
            target: "payrig::node", bench = rig.name, devices = rig.devices.len(), live = rig.is_live(),
            "set up"
        );
        bench.begin();
        bench.set_up_lines(levels);
        let lines = bench.pulses.records().map(Entry::Line);
        bench.pending.extend(lines);
        bench.caution();
        bench.collect();
        bench.publish();
        bench
    }

    /// Puts a device on the bench. A rig is checked when it is read, so none is refused here; one that
    /// were would be left out and reported by the board, which does not find it.
    fn add_device(&mut self, rig: &Plan, device: &DevicePlan) -> Option<NodeId> {
        let timing = device.timing;
        let name = &device.name;
        let node: Box<dyn Node> = match &device.kind {
            Kind::Changer(config, quirks) => {
                let changer = Changer::new(config.clone(), *quirks).ok()?;
                Box::new(Peripheral(Port::new(changer, timing)))
            }
            Kind::Bill(config, quirks) => {
                let bill = BillValidator::new(config.clone(), *quirks).ok()?;
                Box::new(Peripheral(Port::new(bill, timing)))
            }
            Kind::Cashless(config) => {
                let cashless = CashlessDevice::new(config.clone());
                Box::new(Peripheral(Port::new(cashless, timing)))
            }
            Kind::Pulse(pulse) => Box::new(PulseNode::new(pulse).ok()?),
            Kind::Bridge(bridge) => match &bridge.way {
                BridgeWay::ToMdb { config, hold_up } => {
                    let to_mdb = PulseToMdb::new(config.clone()).ok()?;
                    let to_mdb = PulseBridge::new(to_mdb, timing);
                    Box::new(ToBus {
                        bridge: match hold_up {
                            true => to_mdb,
                            false => to_mdb.without_hold_up(),
                        },
                        counts: bridge.from.clone(),
                    })
                }
                BridgeWay::ToPulse { config, .. } => {
                    let from = rig.devices.iter().find(|d| d.name == bridge.from);
                    let real = from.is_some_and(DevicePlan::is_outside);
                    let mut bus = match real {
                        true => Bus::on_port(Some(name.clone()), Source::Peripheral),
                        false => {
                            let seed = rig.seed.wrapping_add(1);
                            Bus::simulated(Some(name.clone()), seed, rig.jitter)
                        }
                    };
                    bus.serves = Some(bridge.from.clone());
                    let bus = self.add_bus(bus);
                    let outside = real.then(|| bridge.from.clone());
                    let to_pulse = MdbToPulse::new(config.clone(), Micros::ZERO);
                    let node = ToPulses::new(to_pulse, name.clone(), outside);
                    let id = self.add_node(name, Box::new(node), Some((bus, Source::Master)));
                    if let Some(validator) = self.find(&bridge.from) {
                        self.put_on(validator, bus, Source::Peripheral);
                    }
                    return Some(id);
                }
            },
        };
        let on = match (&device.link, device.address()) {
            (Some(DeviceLink::Bus(_)), _) => {
                let mut bus = Bus::on_port(Some(name.clone()), Source::Master);
                bus.serves = Some(name.clone());
                if let Some(byte) = poll_of(device) {
                    bus.count_polls(name, byte);
                }
                Some((self.add_bus(bus), Source::Peripheral))
            }
            (_, Some(_)) => Some((BusId::BOARD, Source::Peripheral)),
            (_, None) => None,
        };
        let id = self.add_node(name, node, on);
        self.set_address(id, device.own_address());
        Some(id)
    }
}

/// The address byte of a device's POLL.
fn poll_of(device: &DevicePlan) -> Option<u8> {
    let address = device.own_address()?;
    let command = match address.role() {
        Role::Cashless(_) => 2,
        _ => 3,
    };
    Some(address.with(command))
}

/// The pulse lines of a rig.
fn pulse_lines(rig: &Plan) -> PulseLines {
    let mut lines = PulseLines::default();
    for device in &rig.devices {
        if let Kind::Bridge(bridge) = &device.kind
            && let BridgeWay::ToPulse { config, .. } = &bridge.way
        {
            let inhibit = &config.profile.inhibit;
            let high = !inhibit.inhibits.is_high();
            lines.add_input(&device.name, &inhibit.line, LineRole::Inhibit, high);
            let behind = device.behind.clone();
            lines.add_credit(&device.name, config.profile.clone(), behind, false);
        }
        let Kind::Pulse(pulse) = &device.kind else {
            continue;
        };
        for input in pulse.lines() {
            lines.add_input(&device.name, &input.name, input.role, input.high);
        }
        if let Some(profile) = pulse.profile() {
            let behind = device.behind.clone();
            lines.add_credit(&device.name, profile.clone(), behind, device.is_outside());
        }
    }
    lines
}
