//! One emulated device of a bench, on a bus or on pulse lines.

use crate::pulse_peer::PulsePeer;
use crate::rig::Tender;
use payrig_bridge::PulseBridge;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::{BillKind, BillValidator};
use payrig_peripherals::cashless::CashlessDevice;
use payrig_peripherals::changer::{Changer, CoinWorth};
use payrig_peripherals::pulse::PulseDevice;
use payrig_peripherals::{BusPeripheral, Port};
use payrig_units::Micros;

/// An emulated device, whatever it is.
#[derive(Debug)]
pub(crate) enum Machine {
    Changer(Port<Changer>),
    Bill(Port<BillValidator>),
    Cashless(Port<CashlessDevice>),
    Pulse(PulsePeer),
    Bridge(Box<PulseBridge>),
}

impl Machine {
    pub(crate) fn bus(&self) -> Option<&dyn BusPeripheral> {
        match self {
            Self::Changer(p) => Some(p),
            Self::Bill(p) => Some(p),
            Self::Cashless(p) => Some(p),
            Self::Bridge(b) => Some(&**b),
            Self::Pulse(_) => None,
        }
    }

    pub(crate) fn bus_mut(&mut self) -> Option<&mut dyn BusPeripheral> {
        match self {
            Self::Changer(p) => Some(p),
            Self::Bill(p) => Some(p),
            Self::Cashless(p) => Some(p),
            Self::Bridge(b) => Some(&mut **b),
            Self::Pulse(_) => None,
        }
    }

    pub(crate) fn pulse(&self) -> Option<&dyn PulseDevice> {
        match self {
            Self::Pulse(d) => Some(d.device()),
            _ => None,
        }
    }

    pub(crate) fn pulse_mut(&mut self) -> Option<&mut dyn PulseDevice> {
        match self {
            Self::Pulse(d) => Some(d.device_mut()),
            _ => None,
        }
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        let bus = self
            .bus()
            .map_or(Micros::NEVER, BusPeripheral::next_deadline);
        let pulse = self
            .pulse()
            .map_or(Micros::NEVER, PulseDevice::next_deadline);
        bus.min(pulse)
    }
}

pub(crate) fn insert_coin(
    port: &mut Port<Changer>,
    now: Micros,
    coin: Tender,
) -> Result<(), String> {
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

pub(crate) fn insert_bill(
    port: &mut Port<BillValidator>,
    now: Micros,
    bill: Tender,
) -> Result<(), String> {
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
