//! What is done at a device and what it answers.

use payrig_units::{Decimals, Money};

/// What the person does at the device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceAction {
    /// Puts in a coin of this type.
    Coin(u8),
    /// Puts in something that is no coin.
    Slug,
    /// Presses the return lever.
    PressLever,
    /// Lets it go.
    ReleaseLever,
    /// Disturbs a tube sensor: unplugs it, covers it.
    BreakTubeSensor(u8),
    /// Puts in a bill of this type.
    Bill(u8),
    /// Puts in a piece of paper.
    Paper,
    /// Takes the cash box away.
    RemoveCashBox,
    /// Blocks the bill path.
    JamBill,
    /// Presents a card with this balance.
    Card(i64),
    /// Puts a bill or coin of this value into the pulse acceptor, or shows a card for so much.
    PulseMoney(i64),
    /// Takes the card away before it is answered.
    TakeCard,
    /// Fills the stacker with bills.
    FillStacker,
    /// Puts a tube sensor right again.
    MendTubeSensor(u8),
    /// Puts the cash box back, and empties the stacker where it was full.
    ReturnCashBox,
    /// Clears the bill path.
    ClearJam,
    /// Cuts the device's power, or gives it back.
    Power(bool),
}

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

impl DeviceAction {
    /// What puts a device right again that is to serve the next check too.
    #[must_use]
    pub const fn undone_by(self) -> Option<Self> {
        match self {
            Self::PressLever => Some(Self::ReleaseLever),
            Self::BreakTubeSensor(t) => Some(Self::MendTubeSensor(t)),
            Self::RemoveCashBox | Self::FillStacker => Some(Self::ReturnCashBox),
            Self::JamBill => Some(Self::ClearJam),
            Self::Card(_) => Some(Self::TakeCard),
            Self::Power(false) => Some(Self::Power(true)),
            _ => None,
        }
    }

    /// What a person is asked to do. `worth` is what the coin or bill is worth, where that is known.
    #[must_use]
    pub fn instruction(self, worth: Money, decimals: Decimals) -> String {
        let of = match worth.is_zero() {
            true => String::new(),
            false => format!(" of {}", worth.show(decimals)),
        };
        let show = |amount: i64| Money(amount).show(decimals);
        match self {
            Self::Coin(t) => format!("put in a coin{of} (type {t})"),
            Self::Slug => "put in something that is no coin: a slug, a token".to_owned(),
            Self::PressLever => "press the return lever and hold it".to_owned(),
            Self::ReleaseLever => "let the return lever go".to_owned(),
            Self::BreakTubeSensor(t) => {
                format!("disturb the sensor of the tube of coin type {t}: unplug or cover it")
            }
            Self::Bill(t) => format!("put in a bill{of} (type {t})"),
            Self::Paper => "put in a piece of plain paper, cut like a bill".to_owned(),
            Self::RemoveCashBox => "take the cash box away".to_owned(),
            Self::JamBill => "block the bill path, so that a bill jams".to_owned(),
            Self::Card(balance) => format!("present a card with {} on it", show(balance)),
            Self::PulseMoney(value) => {
                format!(
                    "put in a bill or coin of {0}, or a card for {0}",
                    show(value)
                )
            }
            Self::MendTubeSensor(t) => {
                format!("put the sensor of the tube of coin type {t} right again")
            }
            Self::ReturnCashBox => "put the cash box back, empty".to_owned(),
            Self::ClearJam => "clear the bill path".to_owned(),
            Self::TakeCard => "take the card away".to_owned(),
            Self::FillStacker => "make the stacker full, or block it as full".to_owned(),
            Self::Power(false) => "cut the device's power".to_owned(),
            Self::Power(true) => "give the device its power back".to_owned(),
        }
    }
}
