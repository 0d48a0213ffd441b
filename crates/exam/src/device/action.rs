//! What is done at a device and what it answers.

use super::setup::Kind;
use payrig_bench::action::{Action, BillAction, ChangerAction, Coin, Tender};
use payrig_peripherals::bill::Fault;
use payrig_units::{Decimals, Money};

/// How an exchange is closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Close {
    /// ACK after good data.
    Ack,
    /// NAK after data.
    Nak,
    /// Nothing, as if the ACK were lost.
    Silence,
}

/// What the device answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Nothing.
    Silence,
    /// ACK.
    Ack,
    /// NAK.
    Nak,
    /// Data with a right CHK, without it.
    Data(Vec<u8>),
    /// Something that is no valid answer.
    Bad(Vec<u8>),
}

impl Answer {
    /// The data, where there is any.
    #[must_use]
    pub fn data(&self) -> Option<&[u8]> {
        match self {
            Self::Data(data) => Some(data),
            _ => None,
        }
    }

    /// Bytes of its data, without CHK.
    #[must_use]
    pub fn length(&self) -> usize {
        self.data().map_or(0, <[u8]>::len)
    }

    /// The answer in plain words.
    #[must_use]
    pub fn text(&self) -> String {
        let hex = |bytes: &[u8]| {
            let hex: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
            hex.join(" ")
        };
        match self {
            Self::Silence => "silence".to_owned(),
            Self::Ack => "ACK".to_owned(),
            Self::Nak => "NAK".to_owned(),
            Self::Data(data) => format!("data {}", hex(data)),
            Self::Bad(bytes) => format!("{}, which is no valid answer", hex(bytes)),
        }
    }
}

/// What restores a device that is to serve the next check too.
#[must_use]
pub(super) fn undone_by(action: &Action) -> Option<Action> {
    let at_changer = |device: &String, what| {
        let device = device.clone();
        Some(Action::AtChanger { device, what })
    };
    let at_validator = |device: &String, what| {
        let device = device.clone();
        Some(Action::AtBillValidator { device, what })
    };
    match action {
        Action::AtChanger { device, what } => match *what {
            ChangerAction::HoldLever(true) => at_changer(device, ChangerAction::HoldLever(false)),
            ChangerAction::BreakTubeSensor(coin, true) => {
                at_changer(device, ChangerAction::BreakTubeSensor(coin, false))
            }
            _ => None,
        },
        Action::AtBillValidator { device, what } => match *what {
            BillAction::RemoveCashBox => {
                at_validator(device, BillAction::ReplaceCashBox { emptied: true })
            }
            // To be emptied it is taken out, which is undone in its turn.
            BillAction::FillStacker => at_validator(device, BillAction::RemoveCashBox),
            BillAction::Break(fault) => at_validator(device, BillAction::Repair(fault)),
            _ => None,
        },
        Action::PresentCard {
            device,
            balance: Some(_),
            ..
        } => Some(Action::RemoveCard {
            device: device.clone(),
        }),
        Action::Power { device, on: false } => Some(Action::Power {
            device: device.clone(),
            on: true,
        }),
        _ => None,
    }
}

/// What a person is asked to do at a device of this kind. `worth` is what the coin or bill is worth, where
/// that is known.
#[must_use]
pub(super) fn instruction(action: &Action, kind: Kind, worth: Money, decimals: Decimals) -> String {
    let of = match worth.is_zero() {
        true => String::new(),
        false => format!(" of {}", worth.show(decimals)),
    };
    let show = |amount: Money| amount.show(decimals);
    match action {
        Action::InsertCoin { coin, .. } => match coin {
            Tender::Type(number) => format!("put in a coin{of} (type {number})"),
            Tender::Worth(value) => format!("put in a coin of {}", show(*value)),
            Tender::Unknown => "put in something that is no coin: a slug, a token".to_owned(),
        },
        Action::InsertBill { bill, .. } => match bill {
            Tender::Type(number) => format!("put in a bill{of} (type {number})"),
            Tender::Worth(value) => format!("put in a bill of {}", show(*value)),
            Tender::Unknown => "put in a piece of plain paper, cut like a bill".to_owned(),
        },
        Action::PresentCard {
            amount: Some(amount),
            ..
        } => {
            let amount = show(*amount);
            format!("choose {amount} and show a card that has so much on it")
        }
        Action::PresentCard {
            balance: Some(balance),
            ..
        } => format!("present a card with {} on it", show(*balance)),
        Action::RemoveCard { .. } => "take the card away".to_owned(),
        Action::Power { on: false, .. } => "cut the device's power".to_owned(),
        Action::Power { on: true, .. } => "give the device its power back".to_owned(),
        Action::AtChanger { what, .. } => match *what {
            ChangerAction::HoldLever(true) => "press the return lever and hold it".to_owned(),
            ChangerAction::HoldLever(false) => "release the return lever".to_owned(),
            ChangerAction::BreakTubeSensor(Coin::Type(coin), true) => format!(
                "disturb the sensor of the tube of coin type {}: unplug or cover it",
                coin.get()
            ),
            ChangerAction::BreakTubeSensor(Coin::Type(coin), false) => {
                format!("restore the sensor of the tube of coin type {}", coin.get())
            }
            what => format!("at the {kind}: {}", what.text(decimals)),
        },
        Action::AtBillValidator { what, .. } => match *what {
            BillAction::RemoveCashBox => "take the cash box away".to_owned(),
            BillAction::ReplaceCashBox { emptied: true } => {
                "put the cash box back, empty".to_owned()
            }
            BillAction::FillStacker => "make the stacker full, or block it as full".to_owned(),
            BillAction::Break(Fault::Jam) => "block the bill path, so that a bill jams".to_owned(),
            BillAction::Repair(Fault::Jam) => "clear the bill path".to_owned(),
            what => format!("at the {kind}: {what}"),
        },
        other => other.text(decimals),
    }
}
