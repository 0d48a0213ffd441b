//! Actions and expectations: what a script, a check, a person or a caller from outside can do to a
//! bench and look for on it.
//!
//! ```
//! use payrig_bench::Bench;
//! use payrig_bench::action::{Action, Tender};
//! use payrig_units::{Decimals, Micros, Money};
//!
//! let coin = Action::InsertCoin { device: "changer".into(), coin: Tender::Worth(Money(25)) };
//! assert!(coin.text(Decimals(2)).contains("0.25"));
//! // What cannot be done says why, and nothing has happened.
//! let mut empty = Bench::new(1, Micros::ZERO, Decimals(2));
//! let refusal = empty.act(&coin).unwrap_err();
//! assert!(refusal.to_string().contains("changer"), "{refusal}");
//! ```

mod bill;
mod cashless;
mod changer;
mod expectation;
mod machine;
mod step;

pub use bill::BillAction;
pub use cashless::CashlessAction;
pub use changer::{ChangerAction, Coin};
pub use expectation::Expectation;
pub use machine::MachineAction;
pub use step::{Step, StepKind};

use crate::Fault;
use crate::machine::Keys;
use payrig_mdb::Address;
use payrig_units::{Decimals, Micros, Money};

/// A coin or bill that is put in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tender {
    /// Of this value.
    Worth(Money),
    /// Of this coin type or bill type of a device on the bus (MDB/ICP 4.3, sections 5.3 and 6.3).
    Type(u8),
    /// Something the device does not know.
    Unknown,
}

/// What can be done to a bench. Devices are named as in the plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Action {
    /// A coin is put into a changer or a pulse coin acceptor.
    InsertCoin {
        /// Which.
        device: String,
        /// The coin.
        coin: Tender,
    },
    /// A bill is put into a bill validator, on MDB or pulses.
    InsertBill {
        /// Which.
        device: String,
        /// The bill.
        bill: Tender,
    },
    /// Something happens to a bill validator on MDB, or is done at it.
    AtBillValidator {
        /// Which.
        device: String,
        /// What.
        what: BillAction,
    },
    /// Something happens to a changer, or is done at it.
    AtChanger {
        /// Which.
        device: String,
        /// What.
        what: ChangerAction,
    },
    /// The machine's door is opened for service, or closed for sales.
    Service {
        /// Opened.
        on: bool,
    },
    /// Something is done at a cashless device, or it does something.
    AtCashless {
        /// Which.
        device: String,
        /// What.
        what: CashlessAction,
    },
    /// Something is done at the machine.
    AtMachine(MachineAction),
    /// A card is presented.
    PresentCard {
        /// To which reader.
        device: String,
        /// Its balance; `None` when the reader does not know it.
        balance: Option<Money>,
        /// What the customer chose to pay, at a reader that pays by pulses.
        amount: Option<Money>,
    },
    /// The card is taken away.
    RemoveCard {
        /// From which reader.
        device: String,
    },
    /// A selection key.
    Select {
        /// The item's number.
        item: u16,
    },
    /// The coin return lever of the machine.
    PressReturn,
    /// The next delivery of this item fails.
    JamItem {
        /// The item's number.
        item: u16,
    },
    /// What was to make a delivery of this item fail is undone: it falls again.
    FreeItem {
        /// The item's number.
        item: u16,
    },
    /// Power to a device.
    Power {
        /// Which; `None` for the board.
        device: Option<String>,
        /// On or off.
        on: bool,
    },
    /// A device says nothing for a time: on a bus it answers and obeys nothing, on pulse lines it
    /// sends no pulse.
    Silent {
        /// Which.
        device: String,
        /// How long.
        time: Micros,
    },
    /// The board resets the bus.
    BusReset,
    /// Something goes wrong on the wire.
    Fault(FaultAction),
    /// Nothing goes wrong on the wire any more: faults that have not struck, or not often enough, are
    /// taken away.
    EndFaults {
        /// The device whose bus they are on; all buses for none.
        device: Option<String>,
        /// Only in exchanges with this address; all for none.
        address: Option<Address>,
    },
}

/// A fault, and the bus it is on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FaultAction {
    /// The device whose bus it is, also one behind a bridge or on a port of its own; the board's bus
    /// for none.
    pub device: Option<String>,
    /// What goes wrong there.
    pub fault: Fault,
}

impl Action {
    /// The names of those that are not of one kind of device or of the machine only.
    const OWN: [&'static str; 14] = [
        "insert-coin",
        "insert-bill",
        "present-card",
        "remove-card",
        "select",
        "press-return",
        "jam-item",
        "free-item",
        "power",
        "silent",
        "bus-reset",
        "service",
        "fault",
        "end-faults",
    ];

    /// The names of all of them.
    pub fn names() -> impl Iterator<Item = &'static str> {
        Self::OWN
            .into_iter()
            .chain(BillAction::NAMES)
            .chain(ChangerAction::NAMES)
            .chain(CashlessAction::NAMES)
            .chain(MachineAction::NAMES)
    }

    /// The device it is done at; `None` for what is done at the board.
    #[must_use]
    pub fn device(&self) -> Option<&str> {
        match self {
            Self::InsertCoin { device, .. }
            | Self::InsertBill { device, .. }
            | Self::AtBillValidator { device, .. }
            | Self::AtChanger { device, .. }
            | Self::AtCashless { device, .. }
            | Self::PresentCard { device, .. }
            | Self::Silent { device, .. }
            | Self::RemoveCard { device } => Some(device),
            Self::Power { device, .. } => device.as_deref(),
            _ => None,
        }
    }

    /// In plain words; items by their numbers.
    #[must_use]
    pub fn text(&self, decimals: Decimals) -> String {
        self.text_at(decimals, &Keys::default())
    }

    /// In plain words; items by the keys that stand on the machine.
    #[must_use]
    pub fn text_at(&self, decimals: Decimals, keys: &Keys) -> String {
        let tender = |t: &Tender, thing: &str| match t {
            Tender::Worth(value) => format!("{thing} of {}", value.show(decimals)),
            Tender::Type(number) => format!("{thing} of type {number}"),
            Tender::Unknown => format!("unknown {thing}"),
        };
        match self {
            Self::InsertCoin { device, coin } => format!("{} into {device}", tender(coin, "coin")),
            Self::InsertBill { device, bill } => format!("{} into {device}", tender(bill, "bill")),
            Self::AtBillValidator { device, what } => format!("{device}: {what}"),
            Self::AtChanger { device, what } => format!("{device}: {}", what.text(decimals)),
            Self::Service { on: true } => "the door is opened for service".to_owned(),
            Self::Service { on: false } => "the door is closed".to_owned(),
            Self::AtCashless { device, what } => format!("{device}: {what}"),
            Self::AtMachine(what) => what.text(keys),
            Self::PresentCard {
                device,
                amount: Some(amount),
                ..
            } => {
                let amount = amount.as_minor();
                format!("{amount} minor units chosen and a card shown to {device}")
            }
            Self::PresentCard {
                device,
                balance: Some(balance),
                ..
            } => format!("card with {} to {device}", balance.show(decimals)),
            Self::PresentCard {
                device,
                balance: None,
                ..
            } => format!("card with unknown balance to {device}"),
            Self::RemoveCard { device } => format!("card away from {device}"),
            Self::Select { item } => format!("select {}", keys.item(*item)),
            Self::PressReturn => "press the coin return".to_owned(),
            Self::JamItem { item } => format!("{} will jam", keys.item(*item)),
            Self::FreeItem { item } => format!("{} falls again", keys.item(*item)),
            Self::Power { device, on } => {
                let who = device.as_deref().unwrap_or("the board");
                format!("power to {who} {}", if *on { "on" } else { "off" })
            }
            Self::BusReset => "the board resets the bus".to_owned(),
            Self::Silent { device, time } => format!("{device}: silent for {time}"),
            Self::EndFaults {
                device: Some(device),
                ..
            } => format!("no more faults on the wire of {device}"),
            Self::EndFaults { device: None, .. } => "no more faults on the wire".to_owned(),
            Self::Fault(FaultAction { device, fault }) => {
                let wire = match device {
                    Some(device) => format!("the wire of {device}"),
                    None => "the wire".to_owned(),
                };
                format!("fault on {wire}: {:?} from {:?}", fault.kind, fault.from)
            }
        }
    }
}
