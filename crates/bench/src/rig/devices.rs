//! The `[[device]]` tables: what is emulated.

use super::bill::{BillAct, read as read_bill};
use super::bridge::{self, BridgeRig, BridgeWay};
use super::cashless::{self, CashlessAct};
use super::changer::{ChangerAct, read as read_changer};
use super::error::{RigError, nearest};
use super::fields::Fields;
use super::link::{self, DeviceLink};
use super::pulse::{self, PulseRig, PulseWord};
use payrig_mdb::{Address, CurrencyCode};
use payrig_peripherals::PortTiming;
use payrig_peripherals::bill::{self, BillConfig};
use payrig_peripherals::cashless::CashlessConfig;
use payrig_peripherals::changer::{self, ChangerConfig};
use payrig_pulse::Profile;
use payrig_units::Decimals;

/// An emulated device.
#[derive(Clone, Debug)]
pub struct DeviceRig {
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
    Pulse(Box<PulseRig>),
    /// Between a device and the board.
    Bridge(Box<BridgeRig>),
}

impl DeviceRig {
    /// The address on the board's bus; `None` for a device that is not on it.
    #[must_use]
    pub fn address(&self) -> Option<Address> {
        let apart = self.behind.is_some() || self.link.is_some();
        self.own_address().filter(|_| !apart)
    }

    /// Its address on whatever bus it is on.
    pub(crate) fn own_address(&self) -> Option<Address> {
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

    /// True when a board at the other end of its own link, and not ours, is told of its money.
    #[must_use]
    pub fn is_for_outside_board(&self) -> bool {
        self.link.is_some() && !self.is_outside()
    }

    /// The profile of its credit lines, if it has any.
    pub(crate) fn credit_profile(&self) -> Option<&Profile> {
        match &self.kind {
            Kind::Pulse(rig) => rig.profile(),
            Kind::Bridge(bridge) => match &bridge.way {
                BridgeWay::ToPulse { config, .. } => Some(&config.profile),
                BridgeWay::ToMdb { .. } => None,
            },
            _ => None,
        }
    }

    /// Its name, and that of a hopper that belongs to it.
    pub(crate) fn names(&self) -> Vec<&String> {
        let below = match &self.kind {
            Kind::Pulse(rig) => rig.hopper().map(|h| &h.name),
            _ => None,
        };
        let other = below.filter(|name| **name != self.name);
        [&self.name].into_iter().chain(other).collect()
    }

    /// The acts of a script this device can be the object of.
    pub(crate) fn acts(&self) -> Vec<&'static str> {
        if self.is_outside() {
            return Vec::new();
        }
        let own: &[&str] = match &self.kind {
            Kind::Changer(..) => {
                let own = ["insert-coin", "ready"].into_iter();
                return own.chain(ChangerAct::NAMES).chain(["power"]).collect();
            }
            Kind::Bill(..) => {
                let own = ["insert-bill", "ready"].into_iter();
                return own.chain(BillAct::NAMES).chain(["power"]).collect();
            }
            Kind::Cashless(_) => {
                let own = ["present-card", "remove-card", "ready"].into_iter();
                return own.chain(CashlessAct::NAMES).chain(["power"]).collect();
            }
            Kind::Pulse(rig) => rig.acts(),
            Kind::Bridge(bridge) => bridge.acts(),
        };
        own.iter().copied().chain(["power"]).collect()
    }
}

/// What all devices of a rig share.
pub(super) struct Setting {
    pub(super) decimals: Decimals,
    pub(super) currency: CurrencyCode,
}

#[derive(Clone, Copy)]
enum Word {
    Changer,
    Bill,
    Cashless,
    Pulse(PulseWord),
    Bridge,
}

/// Reads a device; `all` are those that stand before it in the rig.
pub(super) fn read(
    fields: &Fields<'_>,
    setting: &Setting,
    all: &[DeviceRig],
) -> Result<DeviceRig, RigError> {
    let kinds = [
        ("changer", Word::Changer),
        ("bill-validator", Word::Bill),
        ("cashless", Word::Cashless),
        ("pulse-bill-validator", Word::Pulse(PulseWord::Bill)),
        ("pulse-coin-acceptor", Word::Pulse(PulseWord::Coin)),
        ("pulse-hopper", Word::Pulse(PulseWord::Hopper)),
        ("pulse-card-reader", Word::Pulse(PulseWord::Card)),
        ("bridge", Word::Bridge),
    ];
    let kind = fields.word("kind", &kinds)?;
    let names: Vec<&str> = kinds.iter().map(|(name, _)| *name).collect();
    let kind = fields.need("kind", &format!("one of {}", names.join(", ")), kind)?;
    let name = fields.string("name")?;
    let name = fields.need("name", "what the bench calls it", name)?;
    let defaults = PortTiming::default();
    let timing = match kind {
        Word::Pulse(_) => defaults,
        _ => PortTiming {
            answer: fields.time("answer")?.unwrap_or(defaults.answer),
            gap: fields.time("gap")?.unwrap_or(defaults.gap),
        },
    };
    let kind = match kind {
        Word::Changer => read_changer(fields, setting, &name)?,
        Word::Bill => read_bill(fields, setting, &name)?,
        Word::Cashless => cashless::read(fields, setting, &name)?,
        Word::Bridge => Kind::Bridge(Box::new(bridge::read(fields, setting, &name, all)?)),
        Word::Pulse(word) => Kind::Pulse(Box::new(pulse::read(word, fields, setting, &name)?)),
    };
    let link = link::read(fields, &kind)?;
    if link.as_ref().is_some_and(DeviceLink::device_outside) && fields.get("faults").is_some() {
        return Err(
            fields.error("a real device is wrong in its own way: leave [device.faults] out")
        );
    }
    fields.finish()?;
    let behind = None;
    Ok(DeviceRig {
        name,
        kind,
        timing,
        behind,
        link,
    })
}

/// Names of quirks, each handed to `set`; false means there is none of that name.
pub(super) fn quirks(
    fields: &Fields<'_>,
    names: &[&'static str],
    mut set: impl FnMut(&str) -> bool,
) -> Result<(), RigError> {
    for value in fields.array("quirks")? {
        let name = value.get_ref().as_str().unwrap_or_default();
        if !set(name) && !set(&name.replace('-', "_")) {
            let mut error = fields.wrong("quirks", value, "the name of a quirk");
            let kebab: Vec<String> = names.iter().map(|n| n.replace('_', "-")).collect();
            let kebab: Vec<&str> = kebab.iter().map(String::as_str).collect();
            error.hint = Some(match nearest(name, &kebab) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("quirks it has: {}", kebab.join(", ")),
            });
            return Err(error);
        }
    }
    Ok(())
}
