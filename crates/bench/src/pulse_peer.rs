//! The emulated devices on pulse lines, and what a person does at them.

use crate::rig::{Act, PulseRig, Tender};
use payrig_peripherals::pulse::{
    PulseAcceptor, PulseCardReader, PulseCoinAcceptor, PulseConfigError, PulseDevice, PulseHopper,
};
use payrig_units::{Micros, Money};

/// A device on pulse lines.
#[derive(Debug)]
pub(crate) enum PulsePeer {
    Bill(PulseAcceptor),
    Coin(Box<PulseCoinAcceptor>),
    Hopper(PulseHopper),
    Card(PulseCardReader),
}

impl PulsePeer {
    pub(crate) fn new(rig: &PulseRig) -> Result<Self, PulseConfigError> {
        Ok(match rig {
            PulseRig::Bill(config) => Self::Bill(PulseAcceptor::new(config.clone())?),
            PulseRig::Coin(config) => Self::Coin(Box::new(PulseCoinAcceptor::new(config.clone())?)),
            PulseRig::Hopper(config) => Self::Hopper(PulseHopper::new(config.clone())?),
            PulseRig::Card(config) => Self::Card(PulseCardReader::new(config.clone())?),
        })
    }

    pub(crate) fn device(&self) -> &dyn PulseDevice {
        match self {
            Self::Bill(d) => d,
            Self::Coin(d) => &**d,
            Self::Hopper(d) => d,
            Self::Card(d) => d,
        }
    }

    pub(crate) fn device_mut(&mut self) -> &mut dyn PulseDevice {
        match self {
            Self::Bill(d) => d,
            Self::Coin(d) => &mut **d,
            Self::Hopper(d) => d,
            Self::Card(d) => d,
        }
    }

    /// Does what a step says. False when this device cannot do that.
    pub(crate) fn perform(&mut self, now: Micros, act: &Act) -> bool {
        let worth = |tender: &Tender| match tender {
            Tender::Worth(value) => *value,
            Tender::Unknown => Money::ZERO,
        };
        match (self, act) {
            (Self::Bill(device), Act::InsertBill { bill, .. }) => {
                device.insert_bill(now, worth(bill));
            }
            (Self::Coin(device), Act::InsertCoin { coin, .. }) => {
                device.insert_coin(now, worth(coin));
            }
            (Self::Card(device), Act::PresentCard { amount, .. }) => {
                device.present_card(now, *amount);
            }
            (Self::Card(device), Act::RemoveCard { .. }) => device.remove_card(now),
            _ => return false,
        }
        true
    }
}
