//! The board of a plan: who controls the machine, and how it sells.

use super::{DevicePlan, Kind, Plan};
use crate::machine::{Machine, Selection};
use payrig_controller::{
    BillPolicy, BoardConfig, CardSales, CashlessUse, ChangerPolicy, Expected, ExpectedKind,
};
use payrig_units::{Micros, Money};
use std::collections::BTreeMap;

/// The board.
#[derive(Clone, Debug)]
pub struct BoardPlan {
    /// False for a board on the other end of a link.
    pub ours: bool,
    /// Coins it does not take.
    pub refused_coins: Vec<Money>,
    /// How it treats its changer.
    pub changer: ChangerPolicy,
    /// Between the starts of two polls of a device.
    pub poll: Micros,
    /// Its level as a VMC for cashless devices, 1 to 3 (MDB/ICP 4.3, section 7.4.2).
    pub cashless_level: u8,
    /// How long a session may last before it is cancelled.
    pub session_timeout: Micros,
    /// Several vends in one card session, where the reader allows it.
    pub multi_vend: bool,
    /// How long a delivery takes; 1.5 s where the rig does not say.
    pub motor: Option<Micros>,
    /// How it treats its bill validator.
    pub bills: BillPolicy,
    /// A bill is held in escrow until something is selected.
    pub hold_bills: bool,
    /// Credit stays after a sale, for another; not so where the rig does not say.
    pub keep_credit: Option<bool>,
    /// What it uses of its cashless devices; the codes of its items are added from the items.
    pub cashless: CashlessUse,
    /// How it sells to cards.
    pub cards: CardSales,
}

impl BoardPlan {
    /// What it uses of its cashless devices, with the names of its items.
    fn cashless_use(&self, machine: &Machine) -> CashlessUse {
        let named = |s: &Selection| Some((s.number, s.code.clone()?));
        CashlessUse {
            codes: machine.selections.iter().filter_map(named).collect(),
            ..self.cashless.clone()
        }
    }

    /// The configuration of our own controller for a rig; `None` for an outside board.
    #[must_use]
    pub fn controller(&self, plan: &Plan) -> Option<BoardConfig> {
        if !self.ours {
            return None;
        }
        let expected = plan.devices.iter().flat_map(expected);
        let selections = plan.machine.selections.iter();
        let twin = |s: &Selection| Some((s.number, s.instead?));
        let instead: BTreeMap<u16, u16> = selections.clone().filter_map(twin).collect();
        let usual = BoardConfig::default();
        Some(BoardConfig {
            items: selections.map(Selection::item).collect(),
            expected: expected.collect(),
            refused_coins: self.refused_coins.clone(),
            changer: self.changer.clone(),
            poll_every: self.poll,
            cashless_level: self.cashless_level,
            decimals: plan.decimals,
            session_timeout: self.session_timeout,
            multi_vend: self.multi_vend,
            motor_time: self.motor.unwrap_or(usual.motor_time),
            bills: self.bills.clone(),
            hold_bills: self.hold_bills,
            keep_credit: self.keep_credit.unwrap_or(usual.keep_credit),
            cashless: self.cashless_use(&plan.machine),
            cards: self.cards.clone(),
            instead,
            ..usual
        })
    }
}

/// What the board knows of a device.
fn expected(device: &DevicePlan) -> Vec<Expected> {
    if device.behind.is_some() || device.is_for_outside_board() {
        return Vec::new();
    }
    let kind = match &device.kind {
        Kind::Changer(..) => ExpectedKind::Changer,
        Kind::Bill(..) => ExpectedKind::BillValidator,
        Kind::Cashless(config) => ExpectedKind::Cashless(config.unit),
        Kind::Pulse(plan) => return plan.expected(&device.name),
        Kind::Bridge(bridge) => return vec![bridge.expected(&device.name)],
    };
    let name = device.name.clone();
    vec![Expected { name, kind }]
}
