//! The `[board]` table: who controls the machine, and what it sells.

use super::board_cards;
use super::changer::read_policy;
use super::devices::{DeviceRig, Kind};
use super::fields::Fields;
use super::{Rig, RigError};
use payrig_controller::{BillChange, BillPolicy, ChangerPolicy};
use payrig_controller::{BoardConfig, CashlessUse, Expected, ExpectedKind, Item};
use payrig_mdb::bill::RecyclerUse;
use payrig_units::{Decimals, Micros, Money};
use std::collections::BTreeMap;

/// An item for sale.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ItemRig {
    /// Selection number.
    pub number: u16,
    /// What it is.
    pub name: String,
    /// What it costs.
    pub price: Money,
    /// Its name in EVA-DTS field PA101, for readers that want to know (MDB/ICP 4.3, 7.4.7).
    pub code: Option<String>,
    /// Another column with the same product, tried when this one does not deliver.
    pub instead: Option<u16>,
}

/// The board.
#[derive(Clone, Debug)]
pub struct BoardRig {
    /// False for a board on the other end of a link.
    pub ours: bool,
    /// What is for sale.
    pub items: Vec<ItemRig>,
    refused_coins: Vec<Money>,
    changer: ChangerPolicy,
    poll: Micros,
    cashless_level: u8,
    session_timeout: Micros,
    multi_vend: bool,
    motor: Micros,
    bills: BillPolicy,
    hold_bills: bool,
    cashless: CashlessUse,
}

impl BoardRig {
    /// What it uses of its cashless devices, with the names of its items.
    fn cashless(&self) -> CashlessUse {
        let named = |i: &ItemRig| Some((i.number, i.code.clone()?));
        CashlessUse {
            codes: self.items.iter().filter_map(named).collect(),
            ..self.cashless.clone()
        }
    }

    fn instead(&self) -> BTreeMap<u16, u16> {
        let twin = |i: &ItemRig| Some((i.number, i.instead?));
        self.items.iter().filter_map(twin).collect()
    }

    /// The configuration of our own controller for a rig; `None` for an outside board.
    #[must_use]
    pub fn controller(&self, rig: &Rig) -> Option<BoardConfig> {
        if !self.ours {
            return None;
        }
        let expected = rig.devices.iter().flat_map(expected);
        let item = |i: &ItemRig| Item {
            number: i.number,
            name: i.name.clone(),
            price: i.price,
        };
        Some(BoardConfig {
            items: self.items.iter().map(item).collect(),
            expected: expected.collect(),
            refused_coins: self.refused_coins.clone(),
            changer: self.changer.clone(),
            poll_every: self.poll,
            cashless_level: self.cashless_level,
            decimals: rig.decimals,
            session_timeout: self.session_timeout,
            multi_vend: self.multi_vend,
            motor_time: self.motor,
            bills: self.bills.clone(),
            hold_bills: self.hold_bills,
            cashless: self.cashless(),
            instead: self.instead(),
            ..BoardConfig::default()
        })
    }
}

/// What the board is told of a device.
fn expected(device: &DeviceRig) -> Vec<Expected> {
    if device.behind.is_some() || device.is_for_outside_board() {
        return Vec::new();
    }
    let kind = match &device.kind {
        Kind::Changer(..) => ExpectedKind::Changer,
        Kind::Bill(..) => ExpectedKind::BillValidator,
        Kind::Cashless(config) => ExpectedKind::Cashless(config.unit),
        Kind::Pulse(rig) => return rig.expected(&device.name),
        Kind::Bridge(bridge) => return vec![bridge.expected(&device.name)],
    };
    let name = device.name.clone();
    vec![Expected { name, kind }]
}

pub(super) fn read(fields: &Fields<'_>, decimals: Decimals) -> Result<BoardRig, RigError> {
    let ours = fields
        .word("kind", &[("controller", true), ("outside", false)])?
        .unwrap_or(true);
    let mut items: Vec<ItemRig> = Vec::new();
    for item in fields.tables("item", "[[board.item]]")? {
        let number = item.number("number", 1..65_535)?;
        let number = item.need("number", "the selection number", number)? as u16;
        let name = item
            .string("name")?
            .unwrap_or_else(|| format!("item {number}"));
        let price = item.money("price", decimals)?;
        let price = item.need("price", "an amount, as in \"1.25\"", price)?;
        if items.iter().any(|i| i.number == number) {
            return Err(item.error(format!("two items have number {number}")));
        }
        let code = item.string("code")?;
        if code.as_ref().is_some_and(|c| c.len() > 6 || !c.is_ascii()) {
            return Err(item.error("`code` has at most 6 ASCII characters (section 7.4.7)"));
        }
        let instead = item.number("instead", 1..65_535)?.map(|n| n as u16);
        item.finish()?;
        items.push(ItemRig {
            number,
            name,
            price,
            code,
            instead,
        });
    }
    let unknown = |i: &&ItemRig| {
        let other = |n: u16| items.iter().all(|o| o.number != n);
        i.instead.is_some_and(other)
    };
    if let Some(item) = items.iter().find(unknown) {
        let (number, twin) = (item.number, item.instead.unwrap_or_default());
        return Err(fields.error(format!(
            "item {number} has `instead = {twin}`, and there is no item {twin}"
        )));
    }
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
    let board = BoardRig {
        ours,
        items,
        refused_coins,
        changer: read_policy(fields, decimals)?,
        poll,
        cashless_level: fields.number("cashless-level", 1..4)?.unwrap_or(3) as u8,
        session_timeout: fields.time("session-timeout")?.unwrap_or(Micros::secs(30)),
        multi_vend: fields.boolean("multi-vend")?,
        motor: fields.time("motor")?.unwrap_or(Micros::ms(1_500)),
        bills: read_bills(fields, decimals)?,
        hold_bills: fields.boolean("hold-bills")?,
        cashless: board_cards::read(fields, decimals)?,
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
    })
}
