//! What is done at the machine of a rig that only cashless devices care for.

use super::error::RigError;
use super::fields::Fields;
use super::selections::{EXPECTED_CARD, number_of, parse_card_price, read_number};
use payrig_bench::action::MachineAction;
use payrig_bench::machine::Machine;
use payrig_controller::Mishap;
use payrig_mdb::cashless::Reason;
use payrig_units::Decimals;

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

/// Reads an act; `None` for a name that is none of these. `machine` has what is for sale.
pub(super) fn read_action(
    fields: &Fields<'_>,
    name: &str,
    machine: &Machine,
    decimals: Decimals,
) -> Result<Option<MachineAction>, RigError> {
    let item = || {
        let item = read_number(fields, "item", machine)?;
        fields.need("item", "an item: its number, or its keys in quotes", item)
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
                chosen.push(number_of(fields, "items", value, machine)?);
            }
            let some = (!chosen.is_empty()).then_some(chosen);
            MachineAction::SelectSeveral(fields.need("items", "numbers, as in [11, 12]", some)?)
        }
        "press-keys" => {
            let keys = fields.string("keys")?;
            let keys = fields.need("keys", "keys in quotes, as in \"1234\"", keys)?;
            if !keys.is_ascii() || keys.contains('\0') {
                return Err(fields.error("`keys` are ASCII characters (section 7.4.17)"));
            }
            MachineAction::PressKeys(keys)
        }
        // What is given back need not be for sale.
        "give-back" => MachineAction::GiveBack {
            item: match fields.number_or_none("item", 1..65_535) {
                Some(number) => number as u16,
                None => item()?,
            },
            value: value("what it is worth, as in \"0.25\"")?,
        },
        "test-vend" => MachineAction::TestVend(item()?),
        "stop-item" => {
            let worth = value("what is delivered until then is worth, as in \"0.75\"")?;
            MachineAction::Mishap(item()?, Mishap::Part(worth))
        }
        "break-down" => match fields.boolean("delivers")? {
            true => MachineAction::Mishap(item()?, Mishap::LastOne),
            false => MachineAction::Mishap(item()?, Mishap::Breakdown),
        },
        "enable-cards" => MachineAction::WelcomeCards(true),
        "disable-cards" => MachineAction::WelcomeCards(false),
        "close-item" => MachineAction::CloseItem(item()?, Some(why()?)),
        "open-item" => MachineAction::CloseItem(item()?, None),
        "fail-item" => MachineAction::Mishap(item()?, Mishap::Fails(why()?)),
        "set-price" => MachineAction::SetPrice(item()?, value("the new price, as in \"1.50\"")?),
        "set-card-price" => {
            let price = fields.string("value")?;
            let price = price.and_then(|text| parse_card_price(&text, decimals));
            MachineAction::SetCardPrice(item()?, fields.need("value", EXPECTED_CARD, price)?)
        }
        "select-with-options" => {
            MachineAction::SelectWith(item()?, value("what the options cost, as in \"0.25\"")?)
        }
        "diagnose" => {
            let device = fields.string("device")?;
            let device = fields.need("device", "the name of a device on the bus", device)?;
            let data = fields.string("bytes")?.unwrap_or_default();
            let data = hexadecimal(&data);
            let data = fields.need("bytes", "at most 33 bytes, as in \"01 A0\"", data)?;
            MachineAction::Diagnose { device, data }
        }
        _ => return Ok(None),
    }))
}

#[cfg(test)]
mod tests {
    use crate::parse;
    use payrig_bench::Plan;
    use std::path::Path;

    fn rig(board: &str, script: &str) -> Result<Plan, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n{board}\n[[board.item]]\nnumber = 11\n\
             price = \"1.00\"\n[[device]]\nkind = \"cashless\"\nname = \"card\"\n{script}\n"
        );
        parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
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
