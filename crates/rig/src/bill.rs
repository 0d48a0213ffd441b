//! The bill validator of a rig: its table, and what a script does at it.

use super::error::RigError;
use super::fields::Fields;
use super::setting::{Setting, quirks};
use payrig_bench::action::BillAction;
use payrig_bench::plan::Kind;
use payrig_mdb::Scaling;
use payrig_mdb::bill::BillTypes;
use payrig_peripherals::bill::{
    self, BillConfig, BillKind, DispenserFault, Fault, RecyclerStore, WhileMoving,
};
use payrig_units::Decimals;
use toml::Spanned;
use toml::de::DeValue;

pub(super) fn read(fields: &Fields<'_>, setting: &Setting, name: &str) -> Result<Kind, RigError> {
    let mut config = BillConfig {
        name: name.to_owned(),
        ..BillConfig::default()
    };
    let decimals = setting.decimals;
    config.currency = setting.currency;
    let level = fields.number("level", 1..3)?.map(|n| n as u8);
    config.scaling = Scaling {
        factor: fields.number("scaling", 1..65_536)?.unwrap_or(100) as u16,
        decimals: decimals.0,
    };
    config.escrow = fields.boolean_or_none("escrow")?.unwrap_or(true);
    if let Some(capacity) = fields.number("stacker-capacity", 0..32_768)? {
        config.stacker_capacity = capacity as u16;
    }
    let mut bills = Vec::new();
    for value in fields.array("bills")? {
        bills.push(bill_kind(fields, value, decimals)?);
    }
    if !bills.is_empty() {
        config.bills = bills;
    }
    let mut high = None;
    for value in fields.array("high-security")? {
        let bill_type = type_of(fields, "high-security", value, &config, decimals)?;
        high = Some(high.unwrap_or(BillTypes::NONE).with(bill_type));
    }
    config.security = high.unwrap_or(config.security);
    for store in fields.tables("store", "[[device.store]]")? {
        let bill_type = type_under(&store, &config, decimals)?;
        let capacity = store.number("capacity", 0..65_536)?.unwrap_or(30) as u16;
        let count = store.number("count", 0..65_536)?.unwrap_or(0) as u16;
        store.finish()?;
        config.recycler.push(RecyclerStore {
            bill_type,
            count,
            capacity,
        });
    }
    for pile in fields.tables("stacked", "[[device.stacked]]")? {
        let bill_type = type_under(&pile, &config, decimals)?;
        let count = pile.number("count", 1..65_536)?;
        let count = pile.need("count", "how many bills are in the stacker", count)? as u16;
        pile.finish()?;
        config.stacked.push((bill_type, count));
    }
    config.ftl = fields.boolean("file-transport")?;
    // A recycler is a level 2 option, so that it need not be stated.
    let needs_2 = config.ftl || !config.recycler.is_empty();
    config.level = level.unwrap_or(if needs_2 { 2 } else { 1 });
    read_times(fields, &mut config)?;
    if let Some(serial) = fields.string("serial")? {
        config.identification.serial = text_of(fields, "serial", &serial)?;
    }
    config.reports_credited_removal = fields
        .boolean_or_none("reports-removal")?
        .unwrap_or(config.reports_credited_removal);
    config.diagnostics = super::machine::read_diagnostics(fields)?;
    let mut switches = bill::Quirks::default();
    quirks(fields, bill::Quirks::NAMES, |name| switches.set(name, true))?;
    config
        .check()
        .map_err(|error| fields.error(error.to_string()))?;
    Ok(Kind::Bill(config, switches))
}

fn read_times(fields: &Fields<'_>, config: &mut BillConfig) -> Result<(), RigError> {
    let travel = &mut config.travel;
    let ways = [
        ("to-escrow", &mut travel.to_escrow),
        ("to-stacker", &mut travel.to_stacker),
        ("give-back", &mut travel.give_back),
        ("dispense", &mut travel.dispense),
        ("start-up", &mut config.start_up),
    ];
    for (key, time) in ways {
        *time = fields.time(key)?.unwrap_or(*time);
    }
    let moving = [
        ("answers", WhileMoving::Answers),
        ("busy", WhileMoving::ReportsBusy),
        ("silent", WhileMoving::Silent),
    ];
    config.while_moving = fields.word("while-moving", &moving)?.unwrap_or_default();
    let takes = fields.time("customer-takes-after")?;
    config.customer_takes_after = match (fields.boolean("bills-wait")?, takes) {
        (true, None) => None,
        (false, takes) => takes.or(config.customer_takes_after),
        (true, Some(_)) => {
            return Err(fields.error(
                "with `bills-wait = true` a bill waits in the inlet until the script takes it; \
                 leave out `customer-takes-after`",
            ));
        }
    };
    Ok(())
}

/// `"5.00"`, `"token"` or `"unused"`.
fn bill_kind(
    fields: &Fields<'_>,
    value: &Spanned<DeValue<'_>>,
    decimals: Decimals,
) -> Result<BillKind, RigError> {
    match value.get_ref().as_str() {
        Some("token") => Ok(BillKind::Token),
        Some("unused") => Ok(BillKind::Unused),
        _ => fields
            .money_of("bills", value, decimals)
            .map(BillKind::Value),
    }
}

/// The type of a bill named by its value.
fn type_of(
    fields: &Fields<'_>,
    key: &str,
    value: &Spanned<DeValue<'_>>,
    config: &BillConfig,
    decimals: Decimals,
) -> Result<u8, RigError> {
    let kind = bill_kind(fields, value, decimals)?;
    let found = (0..16).find(|t| kind != BillKind::Unused && config.kind(*t) == kind);
    found.ok_or_else(|| {
        let known: Vec<String> = config
            .bills
            .iter()
            .filter_map(|k| match k {
                BillKind::Value(v) => Some(format!("\"{}\"", v.show(decimals))),
                BillKind::Token => Some("\"token\"".to_owned()),
                BillKind::Unused => None,
            })
            .collect();
        let expected = format!("a bill of this validator: one of {}", known.join(", "));
        fields.wrong(key, value, &expected)
    })
}

fn type_under(
    fields: &Fields<'_>,
    config: &BillConfig,
    decimals: Decimals,
) -> Result<u8, RigError> {
    let value = fields.get("bill");
    let value = fields.need("bill", "the value of the bill, as in \"5.00\"", value)?;
    type_of(fields, "bill", value, config, decimals)
}

/// A text of up to twelve ASCII characters, filled up with blanks (section 6.3, Z4-Z15).
fn text_of(fields: &Fields<'_>, key: &str, text: &str) -> Result<[u8; 12], RigError> {
    let mut field = [b' '; 12];
    let fits = text.len() <= field.len();
    if !fits || !text.bytes().all(|b| (0x20..0x7F).contains(&b)) {
        return Err(fields.error(format!(
            "`{key}` is \"{text}\"; expected at most 12 ASCII characters"
        )));
    }
    for (place, byte) in field.iter_mut().zip(text.bytes()) {
        *place = byte;
    }
    Ok(field)
}

/// Reads an act; `None` for a name that is none of these.
pub(super) fn read_action(fields: &Fields<'_>, name: &str) -> Result<Option<BillAction>, RigError> {
    Ok(Some(match name {
        "jam" | "clear-jam" => {
            let recycler = fields.boolean("recycler")?;
            match (name, recycler) {
                ("jam", false) => BillAction::Break(Fault::Jam),
                ("jam", true) => BillAction::BreakDispenser(DispenserFault::Jam),
                (_, false) => BillAction::Repair(Fault::Jam),
                (_, true) => BillAction::RepairDispenser(DispenserFault::Jam),
            }
        }
        "break" | "repair" => read_part(fields, name == "break")?,
        "remove-cash-box" => BillAction::RemoveCashBox,
        "replace-cash-box" => BillAction::ReplaceCashBox {
            emptied: fields.boolean_or_none("emptied")?.unwrap_or(true),
        },
        "fill-stacker" => BillAction::FillStacker,
        "press-escrow-lever" => BillAction::PressEscrowLever,
        "take-bill" => BillAction::TakeBill,
        "pull-bill" => BillAction::PullBill,
        "fish-in-stacker" => BillAction::FishInStacker {
            success: fields.boolean_or_none("success")?.unwrap_or(true),
        },
        _ => return Ok(None),
    }))
}

fn read_part(fields: &Fields<'_>, breaks: bool) -> Result<BillAction, RigError> {
    type Part = Result<Fault, DispenserFault>;
    let parts: [(&'static str, Part); 6] = [
        ("motor", Ok(Fault::DefectiveMotor)),
        ("sensor", Ok(Fault::SensorProblem)),
        ("program", Ok(Fault::RomChecksum)),
        ("recycler-motor", Err(DispenserFault::Motor)),
        ("recycler-sensor", Err(DispenserFault::DefectiveSensor)),
        ("recycler-program", Err(DispenserFault::RomChecksum)),
    ];
    let expected = "one of motor, sensor, program, recycler-motor, recycler-sensor, \
                    recycler-program";
    let part = fields.word("part", &parts)?;
    Ok(match (fields.need("part", expected, part)?, breaks) {
        (Ok(fault), true) => BillAction::Break(fault),
        (Ok(fault), false) => BillAction::Repair(fault),
        (Err(fault), true) => BillAction::BreakDispenser(fault),
        (Err(fault), false) => BillAction::RepairDispenser(fault),
    })
}

#[cfg(test)]
mod tests {
    use crate::parse;
    use payrig_bench::Plan;
    use payrig_peripherals::bill::WhileMoving;
    use payrig_units::Micros;
    use std::path::Path;

    fn rig(device: &str, script: &str) -> Result<Plan, String> {
        let text = format!(
            "[bench]\nname = \"b\"\n[board]\n[[device]]\nkind = \"bill-validator\"\n\
             name = \"bill\"\n{device}\n{script}\n"
        );
        parse(Path::new("t.toml"), &text).map_err(|e| e.to_string())
    }

    #[test]
    fn a_recycler_with_everything_said() {
        let device = r#"
            bills = ["1.00", "5.00", "unused", "token"]
            scaling = 100
            high-security = ["5.00"]
            to-escrow = "800 ms"
            while-moving = "busy"
            start-up = "2 s"
            bills-wait = true
            serial = "HL-7"
            [[device.store]]
            bill = "5.00"
            count = 3
            capacity = 10
            [[device.stacked]]
            bill = "1.00"
            count = 4
        "#;
        let rig = rig(device, "[[script]]\ndo = \"jam\"").unwrap();
        let super::Kind::Bill(config, _) = &rig.devices[0].kind else {
            panic!("a bill validator");
        };
        assert_eq!(config.level, 2, "a recycler has level 2");
        assert_eq!(
            (config.recycler[0].bill_type, config.recycler[0].count),
            (1, 3)
        );
        assert_eq!(config.stacked, [(0, 4)]);
        assert_eq!(config.security.0, 0b10);
        assert_eq!(config.travel.to_escrow, Micros::ms(800));
        assert_eq!(config.while_moving, WhileMoving::ReportsBusy);
        assert_eq!(config.customer_takes_after, None);
        assert_eq!(&config.identification.serial, b"HL-7        ");
    }

    #[test]
    fn errors_say_the_line_and_what_was_expected() {
        let cases = [
            (
                "[[device.store]]\nbill = \"2.00\"",
                "t.toml:8",
                "one of \"1.00\", \"5.00\", \"10.00\", \"20.00\"",
            ),
            (
                "level = 1\n[[device.store]]\nbill = \"1.00\"",
                "t.toml:4",
                "level 2",
            ),
            ("start-up = \"9 s\"", "t.toml:4", "5 s at most"),
            ("bills = [\"1.50\"]", "t.toml:4", "scaling factor 100"),
            (
                "[[device.stacked]]\nbill = \"1.00\"",
                "t.toml:7",
                "needs `count`",
            ),
            ("serial = \"a much too long one\"", "t.toml:4", "at most 12"),
            (
                "bills-wait = true\ncustomer-takes-after = \"1 s\"",
                "t.toml:4",
                "leave out",
            ),
        ];
        for (device, place, words) in cases {
            let error = rig(device, "").unwrap_err();
            assert!(error.contains(place) && error.contains(words), "{error}");
        }
        let error = rig("", "[[script]]\ndo = \"break\"\npart = \"moter\"").unwrap_err();
        assert!(error.contains("did you mean \"motor\""), "{error}");
        let error = rig("", "[[script]]\ndo = \"remove-cashbox\"").unwrap_err();
        assert!(error.contains("remove-cash-box"), "{error}");
    }
}
