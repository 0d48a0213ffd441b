//! The cashless device of a rig: its table, and what a script does at it.

use super::error::{RigError, nearest};
use super::fields::Fields;
use super::machine::read_diagnostics;
use super::setting::{Setting, quirks};
use payrig_bench::action::CashlessAction;
use payrig_bench::plan::Kind;
use payrig_mdb::cashless::{Identification, Level, Malfunction, Options, PaymentMedia, Unit};
use payrig_peripherals::cashless::{Answers, CashlessConfig, Coupon, Policy, Quirks, WhileBusy};
use payrig_units::{Decimals, Micros};

/// Optional features of level 03 by name (MDB/ICP 4.3, section 7.4.4, Z31-Z34).
pub(super) const OPTIONS: [(&str, Options); 11] = [
    ("file-transport", Options::FTL),
    ("money-32-bit", Options::MONEY_32),
    ("multi-currency", Options::MULTI_CURRENCY),
    ("negative-vend", Options::NEGATIVE_VEND),
    ("data-entry", Options::DATA_ENTRY),
    ("always-idle", Options::ALWAYS_IDLE),
    ("remote-vend", Options::REMOTE_VEND),
    ("basket", Options::BASKET),
    ("coupon", Options::COUPON),
    ("ask-begin-session", Options::ASK_BEGIN_SESSION),
    ("enhanced-items", Options::ENHANCED_ITEMS),
];

/// A list of options by name; `None` when the key is missing.
pub(super) fn read_options(
    fields: &Fields<'_>,
    key: &'static str,
) -> Result<Option<Options>, RigError> {
    let mut all = fields.get(key).map(|_| Options::NONE);
    for value in fields.array(key)? {
        let name = value.get_ref().as_str().unwrap_or_default();
        let Some((_, option)) = OPTIONS.iter().find(|(n, _)| *n == name) else {
            let names = OPTIONS.map(|(n, _)| n);
            let mut error = fields.wrong(key, value, "the name of an option of level 3");
            error.hint = Some(match nearest(name, &names) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("options there are: {}", names.join(", ")),
            });
            return Err(error);
        };
        all = Some(all.unwrap_or_default() | *option);
    }
    Ok(all)
}

pub(super) fn read(fields: &Fields<'_>, setting: &Setting, name: &str) -> Result<Kind, RigError> {
    let mut config = CashlessConfig {
        name: name.to_owned(),
        ..CashlessConfig::default()
    };
    let decimals = setting.decimals;
    config.currency = setting.currency;
    config.decimals = decimals.0;
    config.unit = match fields.number("unit", 1..3)? {
        Some(2) => Unit::Two,
        _ => Unit::One,
    };
    config.scale = fields
        .number("scaling", 1..256)?
        .unwrap_or(u64::from(config.scale)) as u8;
    read_level(fields, &mut config)?;
    for (key, switch) in [
        ("multi-vend", &mut config.multivend),
        ("refunds", &mut config.restores_funds),
        ("refund-needs-card", &mut config.refund_needs_card),
        ("display", &mut config.has_display),
        ("cash-sale", &mut config.cash_sale),
    ] {
        *switch = fields.boolean_or_none(key)?.unwrap_or(*switch);
    }
    config.diagnostics = read_diagnostics(fields)?;
    if config.refund_needs_card && !config.restores_funds {
        return Err(fields.error(
            "`refund-needs-card = true` says nothing with `refunds = false`; leave one out",
        ));
    }
    config.max_balance = fields.money("max-balance", decimals)?;
    let answers = [
        ("at-poll", Answers::AtPoll),
        ("straight", Answers::Straight),
    ];
    config.answers = fields.word("answers", &answers)?.unwrap_or_default();
    let busy = [("ack", WhileBusy::Ack), ("silent", WhileBusy::Silence)];
    config.while_busy = fields.word("while-busy", &busy)?.unwrap_or_default();
    config.approve_delay = fields
        .time("approve-delay")?
        .unwrap_or(config.approve_delay);
    config.refund_delay = fields.time("refund-delay")?.unwrap_or(config.refund_delay);
    if let Some(seconds) = fields.number("response-time", 0..256)? {
        config.response_time = seconds as u8;
    }
    if let Some(serial) = fields.string("serial")? {
        config.id = Identification::new("ZZZ", &serial, "HARBOUR LOOP", [0x01, 0x00]);
    }
    config.policy = read_policy(fields, decimals)?;
    let mut switches = config.quirks;
    quirks(fields, Quirks::NAMES, |name| switches.set(name, true))?;
    config.quirks = switches;
    Ok(Kind::Cashless(config))
}

fn read_level(fields: &Fields<'_>, config: &mut CashlessConfig) -> Result<(), RigError> {
    let level = fields.number("level", 1..4)?;
    let mut options = read_options(fields, "options")?.unwrap_or_default();
    for (key, option) in [
        ("money-32-bit", Options::MONEY_32),
        ("file-transport", Options::FTL),
    ] {
        if fields.boolean(key)? {
            options = options | option;
        }
    }
    let any = options != Options::NONE;
    if let Some(level) = level.filter(|level| any && *level < 3) {
        return Err(fields.error(format!(
            "options are for level 3, and `level` is {level}: leave `level` out, or the options"
        )));
    }
    let asks = options.contains(Options::ASK_BEGIN_SESSION);
    if asks && !options.contains(Options::ALWAYS_IDLE) {
        return Err(fields
            .error("\"ask-begin-session\" goes with \"always-idle\" (section 7.4.4, b9): add it"));
    }
    // Options make it a level 3 reader, so that it need not be stated.
    config.level = Level(level.unwrap_or(if any { 3 } else { 2 }) as u8);
    config.options = options;
    Ok(())
}

fn read_policy(fields: &Fields<'_>, decimals: Decimals) -> Result<Policy, RigError> {
    let policies = [("approve", 0), ("deny", 1), ("time-out", 2)];
    let discount = fields.money("discount", decimals)?;
    Ok(
        match (fields.word("vends", &policies)?.unwrap_or(0), discount) {
            (0, Some(less)) => Policy::ApproveLess(less),
            (0, None) => Policy::Approve,
            (1, None) => Policy::Deny,
            (_, None) => Policy::TimeOut,
            (_, Some(_)) => {
                return Err(fields.error("`discount` goes with `vends = \"approve\"` only"));
            }
        },
    )
}

/// A card's payment type and data (7.4.4, Z8-Z10): one of the four ways to other prices.
fn read_media(fields: &Fields<'_>) -> Result<PaymentMedia, RigError> {
    let kinds = [
        ("price-list", 1),
        ("discount-group", 2),
        ("discount", 3),
        ("surcharge", 4),
    ];
    let kind = fields.word("terms", &kinds)?;
    let expected = "one of price-list, discount-group, discount, surcharge";
    let kind = fields.need("terms", expected, kind)?;
    let group = fields.number("group", 0..256)?.unwrap_or(0) as u8;
    let number = fields.number("number", 0..256)?;
    let expected = "of the price list or discount group, or per cent";
    let number = fields.need("number", expected, number)? as u8;
    if kind > 2 && number > 100 {
        return Err(fields.error("`number` is per cent here, 0 to 100 (section 7.4.4)"));
    }
    Ok(PaymentMedia {
        id: None,
        kind,
        data: [group, number],
    })
}

/// Reads an act; `None` for a name that is none of these.
pub(super) fn read_action(
    fields: &Fields<'_>,
    name: &str,
    decimals: Decimals,
) -> Result<Option<CashlessAction>, RigError> {
    let item = |expected| {
        let item = fields.number("item", 0..65_535)?;
        Ok(fields.need("item", expected, item)? as u16)
    };
    Ok(Some(match name {
        "press-cancel" => CashlessAction::PressCancel,
        "scan-coupon" => CashlessAction::ScanCoupon(Coupon {
            item: fields.number("item", 0..65_535)?.map(|n| n as u16),
            options: u8::from(fields.boolean("alone")?) | u8::from(fields.boolean("at-once")?) << 1,
            value: fields.money("value", decimals)?,
            id: fields.number("id", 0..1 << 32)?.unwrap_or(1) as u32,
        }),
        "remote-select" => CashlessAction::RemoteSelect {
            item: item("the number of the item")?,
            balance: fields.money("balance", decimals)?,
            options: fields.number("options", 0..1 << 32)?.unwrap_or(0) as u32,
        },
        "present-member-card" => CashlessAction::PresentMember {
            balance: fields.money("balance", decimals)?,
            media: read_media(fields)?,
        },
        "ask-keys" => {
            let count = fields.number("count", 1..128)?;
            let count = fields.need("count", "how many keys, 1 to 127", count)? as u8;
            CashlessAction::AskKeys { count }
        }
        "show-text" => {
            let text = fields.string("text")?;
            CashlessAction::ShowText {
                text: fields.need("text", "what the machine is to show", text)?,
                time: fields.time("for")?.unwrap_or(Micros::secs(5)),
            }
        }
        "ask-time" => CashlessAction::AskTime,
        "malfunction" => {
            let expected = "the error code, as in 0x50 (section 7.4.4)";
            let code = fields.number("code", 0..256)?;
            CashlessAction::Malfunction(Malfunction(fields.need("code", expected, code)? as u8))
        }
        "malfunction-over" => CashlessAction::MalfunctionOver,
        _ => return Ok(None),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parse;
    use payrig_bench::Plan;
    use payrig_bench::action::{Action, StepKind};
    use payrig_units::Money;
    use std::path::Path;

    fn rig(device: &str, script: &str) -> Result<Plan, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n[[device]]\nkind = \"cashless\"\n\
             name = \"card\"\n{device}\n{script}\n"
        );
        parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
    }

    fn config(device: &str) -> CashlessConfig {
        match &rig(device, "").unwrap().devices[0].kind {
            Kind::Cashless(config) => config.clone(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_reader_with_everything_said() {
        let config = config(
            r#"
            unit = 2
            options = ["always-idle", "ask-begin-session", "coupon"]
            money-32-bit = true
            answers = "straight"
            while-busy = "silent"
            refund-needs-card = true
            refund-delay = "200 ms"
            max-balance = "50.00"
            display = true
            cash-sale = false
        "#,
        );
        let options =
            Options::ALWAYS_IDLE | Options::ASK_BEGIN_SESSION | Options::COUPON | Options::MONEY_32;
        assert_eq!((config.level, config.options), (Level::THREE, options));
        assert_eq!(config.unit, Unit::Two);
        assert_eq!(config.answers, Answers::Straight);
        assert_eq!(config.while_busy, WhileBusy::Silence);
        assert!(config.refund_needs_card && config.has_display && !config.cash_sale);
        assert_eq!(config.max_balance, Some(Money(5000)));
        assert_eq!(config.refund_delay, Micros::ms(200));
    }

    #[test]
    fn without_options_it_has_level_2() {
        assert_eq!(config("").level, Level::TWO);
        assert_eq!(config("level = 3").level, Level::THREE);
    }

    #[test]
    fn errors_say_the_line_and_what_to_do() {
        let cases = [
            (
                "options = [\"always-idel\"]",
                "did you mean \"always-idle\"",
            ),
            ("options = [\"x\"]", "options there are: file-transport"),
            (
                "level = 2\noptions = [\"coupon\"]",
                "options are for level 3",
            ),
            ("options = [\"ask-begin-session\"]", "always-idle"),
            ("answers = \"later\"", "one of at-poll, straight"),
            ("while-busy = \"silence\"", "one of ack, silent"),
            ("max-balance = 50", "an amount in quotes"),
            ("refunds = false\nrefund-needs-card = true", "leave one out"),
        ];
        for (device, says) in cases {
            let error = rig(device, "").unwrap_err();
            assert!(error.contains("t.toml:") && error.contains(says), "{error}");
        }
        let error = rig("", "[[script]]\ndo = \"press-cancle\"").unwrap_err();
        assert!(error.contains("did you mean \"press-cancel\""), "{error}");
        let error = rig("", "[[script]]\ndo = \"ask-keys\"").unwrap_err();
        assert!(error.contains("`count`"), "{error}");
    }

    #[test]
    fn acts_are_read() {
        let script = "[[script]]\ndo = \"scan-coupon\"\nvalue = \"2.00\"\nalone = true\n\
                      [[script]]\ndo = \"remote-select\"\nitem = 11\n\
                      [[script]]\ndo = \"present-member-card\"\nterms = \"price-list\"\nnumber = 2\n\
                      [[script]]\ndo = \"malfunction\"\ncode = 0x50\n";
        let rig = rig("", script).unwrap();
        let whats: Vec<String> = rig
            .script
            .iter()
            .map(|step| match &step.what {
                StepKind::Do(Action::AtCashless { what, .. }) => what.to_string(),
                other => panic!("{other:?}"),
            })
            .collect();
        assert_eq!(
            whats,
            [
                "coupon 1 is scanned",
                "item 11 is selected at the reader",
                "a card of payment type 1 is presented",
                "the reader fails: reader requires service"
            ]
        );
    }
}
