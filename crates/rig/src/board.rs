//! The `[board]` table: who controls the machine, and how it sells.

use super::RigError;
use super::board_cards;
use super::changer::read_policy;
use super::fields::Fields;
use payrig_bench::machine::Machine;
use payrig_bench::plan::BoardPlan;
use payrig_controller::{BillChange, BillPolicy};
use payrig_mdb::bill::RecyclerUse;
use payrig_units::{Decimals, Micros};

pub(super) fn read(
    fields: &Fields<'_>,
    machine: &Machine,
    decimals: Decimals,
) -> Result<BoardPlan, RigError> {
    let ours = fields
        .word("kind", &[("controller", true), ("outside", false)])?
        .unwrap_or(true);
    let mut refused_coins = Vec::new();
    for value in fields.array("refuse-coins")? {
        refused_coins.push(fields.money_of("refuse-coins", value, decimals)?);
    }
    let poll = fields.time("poll")?.unwrap_or(Micros::ms(150));
    if poll < Micros::ms(10) || poll > Micros::secs(5) {
        return Err(
            fields.error("`poll` must be between 10 ms and 5 s (section 2.4.3 advises 25-200 ms)")
        );
    }
    let board = BoardPlan {
        ours,
        refused_coins,
        changer: read_policy(fields, decimals)?,
        poll,
        cashless_level: fields.number("cashless-level", 1..4)?.unwrap_or(3) as u8,
        session_timeout: fields.time("session-timeout")?.unwrap_or(Micros::secs(30)),
        multi_vend: fields.boolean("multi-vend")?,
        motor: fields.time("motor")?,
        bills: read_bills(fields, decimals)?,
        hold_bills: fields.boolean("hold-bills")?,
        keep_credit: fields.boolean_or_none("keep-credit")?,
        cashless: board_cards::read_uses(fields)?,
        cards: board_cards::read_sales(fields, machine, decimals)?,
    };
    fields.finish()?;
    Ok(board)
}

fn read_bills(fields: &Fields<'_>, decimals: Decimals) -> Result<BillPolicy, RigError> {
    let ways = [
        ("no", BillChange::Off),
        ("by-type", BillChange::ByType),
        ("by-value", BillChange::ByValue),
    ];
    let change = fields.word("bill-change", &ways)?.unwrap_or_default();
    let mut high = None;
    for value in fields.array("high-security-bills")? {
        let value = fields.money_of("high-security-bills", value, decimals)?;
        high.get_or_insert_with(Vec::new).push(value);
    }
    let mut refused = Vec::new();
    for value in fields.array("refuse-bills")? {
        refused.push(fields.money_of("refuse-bills", value, decimals)?);
    }
    let recycle = [
        ("all", RecyclerUse::All),
        ("high-and-medium", RecyclerUse::HighAndMedium),
        ("high", RecyclerUse::High),
        ("none", RecyclerUse::Disabled),
    ];
    Ok(BillPolicy {
        change,
        high_security: high,
        no_escrow: !fields.boolean_or_none("bill-escrow")?.unwrap_or(true),
        recycle: fields.word("recycle-bills", &recycle)?,
        no_manual_dispense: !fields
            .boolean_or_none("bill-manual-dispense")?
            .unwrap_or(true),
        refused,
    })
}
