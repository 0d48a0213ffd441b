//! What is looked for on a bench.

use payrig_units::{Decimals, Money, Place, words};

/// Something a step expects.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Expectation {
    /// The board's cash credit.
    Credit(Money),
    /// The display shows a text that contains this.
    Display(String),
    /// A place of the ledger holds this much.
    Balance {
        /// Which.
        place: Place,
        /// How much.
        amount: Money,
    },
    /// This many items were delivered since the start.
    Sold(u32),
    /// The board's exact-change light.
    ExactChange(bool),
    /// Somebody at the machine saw this (a device's note that contains it).
    Seen(String),
    /// A device is set up and polled.
    Ready {
        /// Which.
        device: String,
        /// Or not.
        ready: bool,
    },
}

impl Expectation {
    /// Their names.
    pub const NAMES: [&'static str; 7] = [
        "credit",
        "display",
        "balance",
        "sold",
        "exact-change",
        "seen",
        "ready",
    ];

    /// In plain words.
    #[must_use]
    pub fn text(&self, decimals: Decimals) -> String {
        match self {
            Self::Credit(value) => format!("credit is {}", value.show(decimals)),
            Self::Display(text) => format!("display shows \"{text}\""),
            Self::Balance { place, amount } => {
                format!("{place} holds {}", amount.show(decimals))
            }
            Self::Sold(count) => format!("{} delivered", words::count(*count, "item")),
            Self::ExactChange(true) => "exact-change light on".to_owned(),
            Self::ExactChange(false) => "exact-change light off".to_owned(),
            Self::Seen(text) => format!("\"{text}\" is seen"),
            Self::Ready {
                device,
                ready: true,
            } => format!("{device} is set up"),
            Self::Ready { device, .. } => format!("{device} is not set up"),
        }
    }
}
