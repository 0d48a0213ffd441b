//! Plans: what a bench is set up from. A plan says what is on the bench, who is the board, and what
//! happens; it knows no file format (rig files become plans in `payrig-rig`).

mod board;
mod bridge;
mod check;
mod device;
mod link;
mod pulse;

pub use board::BoardPlan;
pub use bridge::{BridgePlan, BridgeWay};
pub use check::Checker;
pub use device::{DevicePlan, Kind, Settings};
pub use link::{BusLink, DeviceLink, LineLink, Pin, PortName};
pub use pulse::PulsePlan;

use crate::action::Step;
use crate::machine::Machine;
use payrig_mdb::CurrencyCode;
use payrig_units::{Decimals, Micros};
use payrig_wire::recording::Ours;

/// What a bench is set up from, checked.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Its name.
    pub name: String,
    /// Seed of everything that varies: the same rig and seed give the same recording.
    pub seed: u64,
    /// How much starts and pauses on the virtual bus vary, at most.
    pub jitter: Micros,
    /// Decimals of all amounts.
    pub decimals: Decimals,
    /// The currency its devices report.
    pub currency: CurrencyCode,
    /// What the board's bus runs over; none for the virtual bus.
    pub link: Option<BusLink>,
    /// The vending machine: where it stands, and what it sells at what prices.
    pub machine: Machine,
    /// The board.
    pub board: BoardPlan,
    /// Emulated devices.
    pub devices: Vec<DevicePlan>,
    /// What happens.
    pub script: Vec<Step>,
}

impl Plan {
    /// True when something of it is real: it runs with the wall clock.
    #[must_use]
    pub fn is_live(&self) -> bool {
        self.link.is_some() || self.devices.iter().any(|d| d.link.is_some())
    }

    /// What of it this tool speaks for on links.
    #[must_use]
    pub fn ours(&self) -> Ours {
        let mut ours = Ours::default().bus(self.link.as_ref().map(|link| link.outside.other()));
        for device in &self.devices {
            match &device.link {
                None => {}
                Some(DeviceLink::Bus(bus)) => {
                    ours = ours.bus_behind(device.bus_name(), bus.outside.other());
                }
                Some(DeviceLink::Lines(link)) => {
                    let driven = link.wires.iter().filter(|(_, pin)| pin.output().is_some());
                    ours = driven.fold(ours, |ours, (line, _)| {
                        ours.line(&format!("{} {line}", device.name))
                    });
                }
            }
        }
        ours
    }

    /// Empty books for it.
    pub(crate) fn books(&self) -> payrig_wire::analysis::Books {
        let mut books = payrig_wire::analysis::Books::new();
        for device in &self.devices {
            for below in device.names().into_iter().skip(1) {
                books.join(below, &device.name);
            }
            if let Kind::Bridge(bridge) = &device.kind {
                books.join(&device.name, &bridge.from);
            }
        }
        books
    }
}
