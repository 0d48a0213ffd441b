//! What is done at the vending machine beyond selecting and returning.

use crate::machine::Keys;
use payrig_controller::{CardPrice, Controller, Mishap};
use payrig_mdb::cashless::Reason;
use payrig_units::{Micros, Money};

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
    /// An item has another price in cash, and on cards unless it is fixed there.
    SetPrice(u16, Money),
    /// An item has another price on cards.
    SetCardPrice(u16, CardPrice),
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
    pub const NAMES: [&'static str; 15] = [
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
        "set-card-price",
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
            Self::SetCardPrice(item, price) => board.set_card_price(now, *item, *price),
            Self::Diagnose { device, data } => {
                board.diagnose(now, device, data);
            }
        }
    }
}

impl MachineAction {
    /// In plain words; items by the keys that stand on the machine.
    #[must_use]
    pub fn text(&self, keys: &Keys) -> String {
        let named = |item: &u16| keys.item(*item);
        match self {
            Self::SelectSeveral(items) => format!("select {}", keys.items(items)),
            Self::PressKeys(pressed) => format!("press the keys {pressed}"),
            Self::GiveBack { item, .. } => format!("give {} back", named(item)),
            Self::TestVend(item) => format!("test vend of {}", named(item)),
            Self::Mishap(item, mishap) => {
                let item = named(item);
                match mishap {
                    Mishap::Part(_) => format!("{item} will be stopped midway"),
                    Mishap::LastOne => {
                        format!("{item} will be the last before the machine breaks down")
                    }
                    Mishap::Fails(why) => format!("{item} will fail: {why}"),
                    _ => format!("the machine will break down at {item}"),
                }
            }
            Self::CloseItem(item, Some(why)) => format!("{} is unavailable: {why}", named(item)),
            Self::CloseItem(item, None) => format!("{} is available again", named(item)),
            Self::SelectWith(item, _) => format!("select {} with options", named(item)),
            Self::SetPrice(item, _) => format!("{} has a new price", named(item)),
            Self::SetCardPrice(item, _) => format!("{} has a new price on cards", named(item)),
            Self::Diagnose { device, data } => {
                format!("DIAGNOSTICS to {device}, {} bytes", data.len())
            }
            Self::WelcomeCards(true) => "the board enables its readers".to_owned(),
            Self::WelcomeCards(false) => "the board disables its readers".to_owned(),
        }
    }
}
