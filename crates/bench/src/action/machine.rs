//! What is done at the vending machine beyond selecting and returning.

use payrig_controller::{Controller, Mishap};
use payrig_mdb::cashless::Reason;
use payrig_units::{Micros, Money};
use std::fmt;

/// What is done at the machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MachineAction {
    /// Several items are bought at once on a card.
    SelectSeveral(Vec<u16>),
    /// The keys of the machine, for a reader that asked for them.
    PressKeys(String),
    /// An item is given back for its value.
    GiveBack {
        /// Which.
        item: u16,
        /// Its value.
        value: Money,
    },
    /// A test vend by the service.
    TestVend(u16),
    /// What goes wrong with the next delivery of an item.
    Mishap(u16, Mishap),
    /// Cards are welcome, or not (READER ENABLE, READER DISABLE).
    WelcomeCards(bool),
    /// An item is unavailable, for a reason, or available again.
    CloseItem(u16, Option<Reason>),
    /// An item is selected with options that cost extra.
    SelectWith(u16, Money),
    /// An item has another price.
    SetPrice(u16, Money),
    /// DIAGNOSTICS (FFH) goes to a device, with bytes its maker defines.
    Diagnose {
        /// Which.
        device: String,
        /// Which bytes.
        data: Vec<u8>,
    },
}

impl MachineAction {
    /// Their names in a script.
    pub const NAMES: [&'static str; 14] = [
        "select-several",
        "press-keys",
        "give-back",
        "test-vend",
        "stop-item",
        "break-down",
        "enable-cards",
        "disable-cards",
        "close-item",
        "open-item",
        "fail-item",
        "set-price",
        "select-with-options",
        "diagnose",
    ];

    /// Does it.
    pub fn perform(&self, board: &mut Controller, now: Micros) {
        match self {
            Self::SelectSeveral(items) => board.select_basket(now, items),
            Self::PressKeys(keys) => keys.bytes().for_each(|key| board.press_key(now, key)),
            Self::GiveBack { item, value } => board.give_back(now, *item, *value),
            Self::TestVend(item) => board.test_vend(now, *item),
            Self::Mishap(item, mishap) => board.mishap(*item, *mishap),
            Self::WelcomeCards(on) => board.welcome_cards(now, *on),
            Self::CloseItem(item, why) => board.close_item(*item, *why),
            Self::SelectWith(item, extra) => board.select_with_options(now, *item, *extra),
            Self::SetPrice(item, price) => board.set_price(now, *item, *price),
            Self::Diagnose { device, data } => {
                board.diagnose(now, device, data);
            }
        }
    }
}

impl fmt::Display for MachineAction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SelectSeveral(items) => {
                let items: Vec<String> = items.iter().map(u16::to_string).collect();
                write!(f, "select items {}", items.join(", "))
            }
            Self::PressKeys(keys) => write!(f, "press the keys {keys}"),
            Self::GiveBack { item, .. } => write!(f, "give item {item} back"),
            Self::TestVend(item) => write!(f, "test vend of item {item}"),
            Self::Mishap(item, Mishap::Part(_)) => write!(f, "item {item} will be stopped midway"),
            Self::Mishap(item, Mishap::LastOne) => {
                write!(
                    f,
                    "item {item} will be the last before the machine breaks down"
                )
            }
            Self::Mishap(item, Mishap::Fails(why)) => write!(f, "item {item} will fail: {why}"),
            Self::Mishap(item, _) => write!(f, "the machine will break down at item {item}"),
            Self::CloseItem(item, Some(why)) => write!(f, "item {item} is unavailable: {why}"),
            Self::CloseItem(item, None) => write!(f, "item {item} is available again"),
            Self::SelectWith(item, _) => write!(f, "select item {item} with options"),
            Self::SetPrice(item, _) => write!(f, "item {item} has a new price"),
            Self::Diagnose { device, data } => {
                write!(f, "DIAGNOSTICS to {device}, {} bytes", data.len())
            }
            Self::WelcomeCards(true) => f.write_str("the board enables its readers"),
            Self::WelcomeCards(false) => f.write_str("the board disables its readers"),
        }
    }
}
