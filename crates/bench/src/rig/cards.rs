//! What is done at the machine of a rig that only cashless devices care for.

use super::error::RigError;
use super::fields::Fields;
use payrig_controller::{Controller, Mishap};
use payrig_mdb::cashless::Reason;
use payrig_units::{Decimals, Micros, Money};
use std::fmt;

/// What is done at the machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MachineAct {
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
    /// An item is not to be had, for a reason, or is again.
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

/// Reasons of 7.4.8 and 7.4.12, in words.
const REASONS: [(&str, Reason); 9] = [
    ("unknown", Reason(0x00)),
    ("sold-out", Reason(0x02)),
    ("defective", Reason(0x03)),
    ("used-up", Reason(0x04)),
    ("blocked", Reason(0x05)),
    ("inhibited", Reason(0x06)),
    ("past-date", Reason(0x07)),
    ("temperature", Reason(0x08)),
    ("busy", Reason(0x09)),
];

/// What a device answers DIAGNOSTICS with.
pub(super) fn read_diagnostics(fields: &Fields<'_>) -> Result<Option<Vec<u8>>, RigError> {
    let Some(text) = fields.string("diagnostics")? else {
        return Ok(None);
    };
    let bytes = hexadecimal(&text).filter(|b| !b.is_empty());
    match bytes {
        Some(bytes) => Ok(Some(bytes)),
        None => Err(fields.error("`diagnostics` are 1 to 33 bytes, as in \"01 A0\"")),
    }
}

/// Bytes in hexadecimal, as in `01 A0`; at most 33 fit DIAGNOSTICS.
fn hexadecimal(text: &str) -> Option<Vec<u8>> {
    let byte = |word: &str| (word.len() <= 2).then(|| u8::from_str_radix(word, 16).ok())?;
    let bytes: Option<Vec<u8>> = text.split_whitespace().map(byte).collect();
    bytes.filter(|b| b.len() <= 33)
}

impl MachineAct {
    /// Their names in a script.
    pub(super) const NAMES: [&'static str; 14] = [
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

    /// Reads an act; `None` for a name that is none of these. `items` are the numbers for sale.
    pub(super) fn read(
        fields: &Fields<'_>,
        name: &str,
        items: &[u16],
        decimals: Decimals,
    ) -> Result<Option<Self>, RigError> {
        let item = || {
            let item = fields.number("item", 1..65_535)?;
            Ok(fields.need("item", "the number of an item", item)? as u16)
        };
        let why = || {
            let why = fields.word("why", &REASONS)?;
            fields.need(
                "why",
                "one of sold-out, defective, used-up, blocked, inhibited, \
                past-date, temperature, busy, unknown",
                why,
            )
        };
        let value = |expected| {
            let value = fields.money("value", decimals)?;
            fields.need("value", expected, value)
        };
        Ok(Some(match name {
            "select-several" => {
                let mut chosen = Vec::new();
                for value in fields.array("items")? {
                    let number = value.get_ref().as_integer();
                    let number =
                        number.and_then(|n| u16::from_str_radix(n.as_str(), n.radix()).ok());
                    match number.filter(|n| items.contains(n)) {
                        Some(number) => chosen.push(number),
                        None => return Err(fields.wrong("items", value, "numbers of items")),
                    }
                }
                let some = (!chosen.is_empty()).then_some(chosen);
                Self::SelectSeveral(fields.need("items", "numbers, as in [11, 12]", some)?)
            }
            "press-keys" => {
                let keys = fields.string("keys")?;
                let keys = fields.need("keys", "keys in quotes, as in \"1234\"", keys)?;
                if !keys.is_ascii() || keys.contains('\0') {
                    return Err(fields.error("`keys` are ASCII characters (section 7.4.17)"));
                }
                Self::PressKeys(keys)
            }
            "give-back" => Self::GiveBack {
                item: item()?,
                value: value("what it is worth, as in \"0.25\"")?,
            },
            "test-vend" => Self::TestVend(item()?),
            "stop-item" => {
                let worth = value("what is delivered until then is worth, as in \"0.75\"")?;
                Self::Mishap(item()?, Mishap::Part(worth))
            }
            "break-down" => match fields.boolean("delivers")? {
                true => Self::Mishap(item()?, Mishap::LastOne),
                false => Self::Mishap(item()?, Mishap::Breakdown),
            },
            "enable-cards" => Self::WelcomeCards(true),
            "disable-cards" => Self::WelcomeCards(false),
            "close-item" => Self::CloseItem(item()?, Some(why()?)),
            "open-item" => Self::CloseItem(item()?, None),
            "fail-item" => Self::Mishap(item()?, Mishap::Fails(why()?)),
            "set-price" => Self::SetPrice(item()?, value("the new price, as in \"1.50\"")?),
            "select-with-options" => {
                Self::SelectWith(item()?, value("what the options cost, as in \"0.25\"")?)
            }
            "diagnose" => {
                let device = fields.string("device")?;
                let device = fields.need("device", "the name of a device on the bus", device)?;
                let data = fields.string("bytes")?.unwrap_or_default();
                let data = hexadecimal(&data);
                let data = fields.need("bytes", "at most 33 bytes, as in \"01 A0\"", data)?;
                Self::Diagnose { device, data }
            }
            _ => return Ok(None),
        }))
    }

    /// Does it.
    pub(crate) fn perform(&self, board: &mut Controller, now: Micros) {
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

impl fmt::Display for MachineAct {
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
            Self::CloseItem(item, Some(why)) => write!(f, "item {item} is not to be had: {why}"),
            Self::CloseItem(item, None) => write!(f, "item {item} is to be had again"),
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

#[cfg(test)]
mod tests {
    use crate::rig::Rig;
    use std::path::Path;

    fn rig(board: &str, script: &str) -> Result<Rig, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n{board}\n[[board.item]]\nnumber = 11\n\
             price = \"1.00\"\n[[device]]\nkind = \"cashless\"\nname = \"card\"\n{script}\n"
        );
        Rig::parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
    }

    #[test]
    fn errors_say_what_was_expected() {
        let cases = [
            ("", "[[script]]\ndo = \"select-several\"", "[11, 12]"),
            (
                "",
                "[[script]]\ndo = \"select-several\"\nitems = [12]",
                "numbers of items",
            ),
            ("", "[[script]]\ndo = \"press-keys\"\nkeys = \"é\"", "ASCII"),
            ("", "[[script]]\ndo = \"give-back\"\nitem = 7", "`value`"),
            (
                "",
                "[[script]]\ndo = \"close-item\"\nitem = 11\nwhy = \"sold\"",
                "sold-out",
            ),
            (
                "",
                "[[script]]\ndo = \"diagnose\"\ndevice = \"card\"\nbytes = \"1FF\"",
                "at most 33 bytes",
            ),
        ];
        for (board, script, says) in cases {
            let error = rig(board, script).unwrap_err();
            assert!(error.contains("t.toml:") && error.contains(says), "{error}");
        }
    }
}
