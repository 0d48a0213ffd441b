//! What a person does at a cashless device, or it does by itself.

use payrig_mdb::cashless::{Malfunction, PaymentMedia};
use payrig_peripherals::cashless::{Card, CashlessDevice, Coupon};
use payrig_units::{Micros, Money};
use std::fmt;

/// What a person does at a cashless device, or it does by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CashlessAction {
    /// The return button of the reader.
    PressCancel,
    /// A coupon is scanned.
    ScanCoupon(Coupon),
    /// An item is selected at the reader or on a phone.
    RemoteSelect {
        /// The item.
        item: u16,
        /// What the card or account holds; `None` when the reader does not know.
        balance: Option<Money>,
        /// Sugar, cup and so on (7.4.4, Z13-Z16).
        options: u32,
    },
    /// A card with terms of its own is presented.
    PresentMember {
        /// What is on it.
        balance: Option<Money>,
        /// Its payment type and payment data (7.4.4, Z8-Z10).
        media: PaymentMedia,
    },
    /// The reader asks for keys.
    AskKeys {
        /// How many.
        count: u8,
    },
    /// The reader wants a text shown.
    ShowText {
        /// The text.
        text: String,
        /// For how long.
        time: Micros,
    },
    /// The reader asks for the time.
    AskTime,
    /// Something is wrong with the reader (MALFUNCTION/ERROR).
    Malfunction(Malfunction),
    /// It works again.
    MalfunctionOver,
}

impl CashlessAction {
    /// Their names in a script.
    pub const NAMES: [&'static str; 9] = [
        "press-cancel",
        "scan-coupon",
        "remote-select",
        "present-member-card",
        "ask-keys",
        "show-text",
        "ask-time",
        "malfunction",
        "malfunction-over",
    ];

    /// Does it.
    ///
    /// # Errors
    /// When the device cannot do that in its state, or the option is not enabled.
    pub fn perform(&self, device: &mut CashlessDevice, now: Micros) -> Result<(), String> {
        let state = device.state();
        let done = match self {
            Self::PressCancel => {
                device.press_cancel(now);
                true
            }
            Self::ScanCoupon(coupon) => device.scan_coupon(now, *coupon),
            Self::RemoteSelect {
                item,
                balance,
                options,
            } => {
                let card = balance.map_or(Card::unknown(), Card::with);
                device.select_item(now, *item, *options, card)
            }
            Self::PresentMember { balance, media } => {
                let card = balance.map_or(Card::unknown(), Card::with);
                let media = *media;
                device.present_card(now, Card { media, ..card });
                true
            }
            Self::AskKeys { count } => device.ask_for_keys(now, *count),
            Self::ShowText { text, time } => {
                let tenths = u8::try_from(time.as_us() / 100_000).unwrap_or(u8::MAX);
                device.show(now, text, tenths)
            }
            Self::AskTime => device.ask_time(now),
            Self::Malfunction(code) => {
                device.fail(now, *code);
                true
            }
            Self::MalfunctionOver => {
                device.repair();
                true
            }
        };
        match done {
            true => Ok(()),
            false => Err(format!(
                "{} cannot do that in state {state}; where it takes an option (coupon, \
                 remote-vend, data-entry) reader and board must both have it in their `options`",
                device.config().name
            )),
        }
    }
}

impl fmt::Display for CashlessAction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PressCancel => f.write_str("the return button of the reader is pressed"),
            Self::ScanCoupon(coupon) => write!(f, "coupon {} is scanned", coupon.id),
            Self::RemoteSelect { item, .. } => write!(f, "item {item} is selected at the reader"),
            Self::PresentMember { media, .. } => {
                write!(f, "a card of payment type {} is presented", media.kind)
            }
            Self::AskKeys { count } => write!(f, "the reader asks for {count} keys"),
            Self::ShowText { text, .. } => write!(f, "the reader wants \"{text}\" shown"),
            Self::AskTime => f.write_str("the reader asks for the time"),
            Self::Malfunction(code) => write!(f, "the reader fails: {}", code.text()),
            Self::MalfunctionOver => f.write_str("the reader works again"),
        }
    }
}
