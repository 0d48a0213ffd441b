//! What a transmission means, in words and typed.

use crate::{Address, ParseError, bill, cashless, changer, other};
use std::fmt;

/// What a transmission means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decoded {
    /// Who is spoken to, or who answers; `None` where nothing before tells.
    pub address: Option<Address>,
    /// The name of the command or response in the standard's terms ("POLL", "JUST RESET"), or
    /// "RAW".
    pub name: String,
    /// In words, one line; for what cannot be typed, its bytes and why.
    pub text: String,
    /// The message itself; `None` for what cannot be typed.
    pub typed: Option<Typed>,
}

/// A message of one of the device modules, or one of the three single bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Typed {
    /// To the changer.
    ChangerCommand(changer::Command),
    /// From the changer.
    ChangerResponse(changer::Response),
    /// To the bill validator.
    BillCommand(bill::Command),
    /// From the bill validator.
    BillResponse(bill::Response),
    /// To a cashless device; the command says which.
    CashlessCommand(cashless::Command),
    /// From a cashless device; [`Decoded::address`] says which.
    CashlessResponse(cashless::Response),
    /// To any other address.
    OtherCommand(other::Command),
    /// From any other address.
    OtherResponse(other::Response),
    /// ACK of either side.
    Ack,
    /// NAK of either side.
    Nak,
    /// RET of the master.
    Ret,
}

impl Decoded {
    pub(super) fn new(
        address: Option<Address>,
        name: &str,
        text: impl fmt::Display,
        typed: Typed,
    ) -> Self {
        Self {
            address,
            name: name.to_owned(),
            text: text.to_string(),
            typed: Some(typed),
        }
    }

    /// Bytes that are no message, and why.
    pub(super) fn raw(address: Option<Address>, bytes: &[u8], why: impl fmt::Display) -> Self {
        let mut text = String::from("raw");
        for byte in bytes {
            text.push_str(&format!(" {byte:02X}"));
        }
        Self {
            address,
            name: "RAW".to_owned(),
            text: format!("{text} ({why})"),
            typed: None,
        }
    }

    pub(super) fn or_raw(
        address: Address,
        bytes: &[u8],
        decoded: Result<Self, ParseError>,
    ) -> Self {
        decoded.unwrap_or_else(|error| Self::raw(Some(address), bytes, error))
    }
}

/// The text alone.
impl fmt::Display for Decoded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}
