//! The devices of a plan: what each is, and where it is connected.

use super::{BridgePlan, BridgeWay, DeviceLink, PulsePlan};
use crate::action::{BillAction, CashlessAction, ChangerAction};
use payrig_mdb::Address;
use payrig_peripherals::PortTiming;
use payrig_peripherals::bill::{self, BillConfig};
use payrig_peripherals::cashless::CashlessConfig;
use payrig_peripherals::changer::{self, ChangerConfig};
use payrig_pulse::Profile;

/// An emulated device.
#[derive(Clone, Debug)]
pub struct DevicePlan {
    /// Its name, on the bench and in the ledger.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// How it times its answers on the bus.
    pub timing: PortTiming,
    /// The bridge it is behind, where it is not connected to the board itself.
    pub behind: Option<String>,
    /// The port it has for itself.
    pub link: Option<DeviceLink>,
    /// How the real one is set, in the words of whoever set it.
    pub settings: Settings,
}

/// How a real device is set, in the words of whoever set it: nothing of it changes what is emulated.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Settings {
    /// What its label says: make, model, version.
    pub model: Option<String>,
    /// The positions of its switches, which stand for the profile and the values of its plan.
    pub switches: Option<String>,
    /// Whatever else somebody should know.
    pub note: Option<String>,
}

/// Kinds of devices.
#[derive(Clone, Debug)]
pub enum Kind {
    /// Coin changer, 08H.
    Changer(ChangerConfig, changer::Quirks),
    /// Bill validator, 30H.
    Bill(BillConfig, bill::Quirks),
    /// Cashless device, 10H or 60H.
    Cashless(CashlessConfig),
    /// On pulse lines: bill validator, coin acceptor, hopper, card reader.
    Pulse(Box<PulsePlan>),
    /// Between a device and the board.
    Bridge(Box<BridgePlan>),
}

impl DevicePlan {
    /// The address on the board's bus; `None` for a device that is not on it.
    #[must_use]
    pub fn address(&self) -> Option<Address> {
        let apart = self.behind.is_some() || self.link.is_some();
        self.own_address().filter(|_| !apart)
    }

    /// Its address on whatever bus it is on.
    #[must_use]
    pub fn own_address(&self) -> Option<Address> {
        match &self.kind {
            Kind::Changer(..) => Some(Address::CHANGER),
            Kind::Bill(..) => Some(Address::BILL_VALIDATOR),
            Kind::Cashless(config) => Some(config.unit.address()),
            Kind::Pulse(_) => None,
            Kind::Bridge(bridge) => bridge.address(),
        }
    }

    /// True when the device is real, at the other end of a link.
    #[must_use]
    pub fn is_outside(&self) -> bool {
        self.link.as_ref().is_some_and(DeviceLink::device_outside)
    }

    /// What its bus is called in the log, where it is not on the board's: the bus of a validator outside
    /// is that of the bridge it is behind.
    #[must_use]
    pub fn bus_name(&self) -> &str {
        match &self.behind {
            Some(bridge) if self.is_outside() => bridge,
            _ => &self.name,
        }
    }

    /// True when its money is reported to a board at the other end of its own link, and not to ours.
    #[must_use]
    pub fn is_for_outside_board(&self) -> bool {
        self.link.is_some() && !self.is_outside()
    }

    /// The profile of its credit lines, if it has any.
    pub(crate) fn credit_profile(&self) -> Option<&Profile> {
        match &self.kind {
            Kind::Pulse(plan) => plan.profile(),
            Kind::Bridge(bridge) => match &bridge.way {
                BridgeWay::ToPulse { config, .. } => Some(&config.profile),
                BridgeWay::ToMdb { .. } => None,
            },
            _ => None,
        }
    }

    /// Its name, and that of a hopper that belongs to it.
    #[must_use]
    pub fn names(&self) -> Vec<&String> {
        let below = match &self.kind {
            Kind::Pulse(plan) => plan.hopper().map(|h| &h.name),
            _ => None,
        };
        let other = below.filter(|name| **name != self.name);
        [&self.name].into_iter().chain(other).collect()
    }

    /// The names of the actions and expectations this device can be the object of, earlier names of
    /// them included.
    #[must_use]
    pub fn actions(&self) -> Vec<&'static str> {
        let own: &[&str] = match &self.kind {
            Kind::Changer(..) => {
                let own = ["insert-coin", "ready"].into_iter();
                return own
                    .chain(ChangerAction::NAMES)
                    .chain(["power", "silent", "go-silent"])
                    .collect();
            }
            Kind::Bill(..) => {
                let own = ["insert-bill", "ready"].into_iter();
                return own
                    .chain(BillAction::NAMES)
                    .chain(["power", "silent", "stay-silent"])
                    .collect();
            }
            Kind::Cashless(_) => {
                let own = ["present-card", "remove-card", "ready"].into_iter();
                return own
                    .chain(CashlessAction::NAMES)
                    .chain(["power", "silent"])
                    .collect();
            }
            Kind::Pulse(plan) => plan.actions(),
            Kind::Bridge(bridge) => bridge.actions(),
        };
        own.iter().copied().chain(["power", "silent"]).collect()
    }
}
