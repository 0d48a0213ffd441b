//! What the board of a rig uses of its cashless devices, and what is done at the machine that only
//! they care for.

use super::cashless::read_options;
use super::error::RigError;
use super::fields::Fields;
use payrig_controller::{BasketShares, CashlessUse, Clock, Controller, Mishap};
use payrig_units::{Decimals, Micros, Money};
use std::fmt;

/// The keys of `[board]` that are about cashless devices.
pub(super) fn read(fields: &Fields<'_>) -> Result<CashlessUse, RigError> {
    let mut uses = CashlessUse::default();
    if let Some(options) = read_options(fields, "cashless-options")? {
        uses.options = options;
    }
    uses.revalue = fields.boolean("revalue")?;
    uses.mixed = fields.boolean("mixed-payments")?;
    let shares = [
        ("even", BasketShares::Even),
        ("on-failures", BasketShares::OnFailures),
    ];
    uses.basket = fields.word("basket-discount", &shares)?.unwrap_or_default();
    let columns = fields.number("display-columns", 0..33)?;
    uses.columns = columns.map_or(uses.columns, |n| n as u8);
    let rows = fields.number("display-rows", 0..33)?;
    uses.rows = rows.map_or(uses.rows, |n| n as u8);
    if let Some(text) = fields.string("clock")? {
        let clock = parse_clock(&text);
        uses.clock = Some(clock.ok_or_else(|| {
            fields.error(format!(
                "`clock` is \"{text}\"; expected date and time as in \"2026-12-31 23:59:00\""
            ))
        })?);
    }
    Ok(uses)
}

/// `2026-12-31 23:59:00`, years 2000 to 2099.
fn parse_clock(text: &str) -> Option<Clock> {
    let (date, time) = text.strip_prefix("20")?.split_once(' ')?;
    let three = |text: &str, between: char| -> Option<[u8; 3]> {
        let mut parts = text.split(between).map(|part| match part.len() {
            2 => part.parse().ok(),
            _ => None,
        });
        let numbers = [parts.next()??, parts.next()??, parts.next()??];
        parts.next().is_none().then_some(numbers)
    };
    Clock::new(three(date, '-')?, three(time, ':')?)
}

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
}

impl MachineAct {
    /// Their names in a script.
    pub(super) const NAMES: [&'static str; 8] = [
        "select-several",
        "press-keys",
        "give-back",
        "test-vend",
        "stop-item",
        "break-down",
        "enable-cards",
        "disable-cards",
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
            Self::Mishap(item, _) => write!(f, "the machine will break down at item {item}"),
            Self::WelcomeCards(true) => f.write_str("the board enables its readers"),
            Self::WelcomeCards(false) => f.write_str("the board disables its readers"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::Rig;
    use payrig_mdb::cashless::Options;
    use std::path::Path;

    fn rig(board: &str, script: &str) -> Result<Rig, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n{board}\n[[board.item]]\nnumber = 11\n\
             price = \"1.00\"\n[[device]]\nkind = \"cashless\"\nname = \"card\"\n{script}\n"
        );
        Rig::parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
    }

    #[test]
    fn what_the_board_uses() {
        let rig = rig(
            "cashless-options = [\"basket\", \"coupon\"]\nrevalue = true\nmixed-payments = true\n\
             basket-discount = \"on-failures\"\nclock = \"2026-12-31 23:59:00\"",
            "",
        )
        .unwrap();
        let board = rig.board.controller(&rig).unwrap();
        let uses = board.cashless;
        assert_eq!(uses.options, Options::BASKET | Options::COUPON);
        assert!(uses.revalue && uses.mixed);
        assert_eq!(uses.basket, BasketShares::OnFailures);
        assert_eq!(uses.clock, Clock::new([26, 12, 31], [23, 59, 0]));
    }

    #[test]
    fn clocks() {
        assert!(parse_clock("2024-02-29 00:00:00").is_some());
        for text in [
            "2025-02-29 00:00:00",
            "2024-2-29 00:00:00",
            "24-02-29",
            "",
            "20",
        ] {
            assert_eq!(parse_clock(text), None, "{text}");
        }
    }

    #[test]
    fn errors_say_what_was_expected() {
        let cases = [
            ("clock = \"yesterday\"", "", "2026-12-31 23:59:00"),
            (
                "cashless-options = [\"baskets\"]",
                "",
                "did you mean \"basket\"",
            ),
            ("", "[[script]]\ndo = \"select-several\"", "[11, 12]"),
            (
                "",
                "[[script]]\ndo = \"select-several\"\nitems = [12]",
                "numbers of items",
            ),
            ("", "[[script]]\ndo = \"press-keys\"\nkeys = \"é\"", "ASCII"),
            ("", "[[script]]\ndo = \"give-back\"\nitem = 7", "`value`"),
        ];
        for (board, script, says) in cases {
            let error = rig(board, script).unwrap_err();
            assert!(error.contains("t.toml:") && error.contains(says), "{error}");
        }
    }
}
