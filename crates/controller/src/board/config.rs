//! What makes one board differ from another.

use crate::drivers::bill::BillPolicy;
use crate::drivers::cashless::{CashlessUse, VmcIdentity};
use crate::drivers::changer::ChangerPolicy;
use crate::drivers::hopper::HopperLink;
use crate::drivers::master::MasterTiming;
use crate::drivers::pulse_input::PulseLink;
use crate::shop::{CardSales, Item};
use payrig_mdb::cashless::Unit;
use payrig_units::{Decimals, Micros, Money};
use std::collections::BTreeMap;

/// A peripheral the board expects on its bus.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expected {
    /// What the board and its ledger call it.
    pub name: String,
    /// Its kind and address.
    pub kind: ExpectedKind,
}

/// Kinds of peripherals the board can drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ExpectedKind {
    /// 08H.
    Changer,
    /// 30H.
    BillValidator,
    /// 10H or 60H.
    Cashless(Unit),
    /// Not on the bus: credit pulses, and a line that holds the acceptor off.
    Pulse(Box<PulseLink>),
    /// Not on the bus: a payout hopper, the change source where there is no changer.
    Hopper(Box<HopperLink>),
}

/// What makes one board differ from another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BoardConfig {
    /// What is for sale.
    pub items: Vec<Item>,
    /// What is plugged in.
    pub expected: Vec<Expected>,
    /// Coins of these values are refused (their COIN TYPE bit is off).
    pub refused_coins: Vec<Money>,
    /// How the changer is treated.
    pub changer: ChangerPolicy,
    /// From one POLL to the next.
    pub poll_every: Micros,
    /// Highest cashless level the board speaks, 1 to 3.
    pub cashless_level: u8,
    /// Decimals of the display.
    pub decimals: Decimals,
    /// A card session without a selection ends after this.
    pub session_timeout: Micros,
    /// Several vends in one card session, where the reader allows it.
    pub multi_vend: bool,
    /// How long a motor takes to deliver.
    pub motor_time: Micros,
    /// How the bill validator is treated.
    pub bills: BillPolicy,
    /// A bill that buys something stays in escrow until something is bought, so that the coin
    /// return gives the same bill back.
    pub hold_bills: bool,
    /// Credit stays after a sale, for another; the coin return gives it back. Without it, change is
    /// paid as soon as an item fell. The standard leaves this open (common practice, no source).
    pub keep_credit: bool,
    /// Times on the wire.
    pub timing: MasterTiming,
    /// What the board says of itself to cashless devices.
    pub identity: VmcIdentity,
    /// What the board uses of its cashless devices.
    pub cashless: CashlessUse,
    /// How it sells to cards.
    pub cards: CardSales,
    /// Columns with the same product: when the first cannot deliver, the second is tried.
    pub instead: BTreeMap<u16, u16>,
}

/// A board that expects nothing and sells nothing; the rest as is usual: POLL every 150 ms, level 3
/// cashless, two decimals, sessions of 30 s, motors of 1.5 s.
impl Default for BoardConfig {
    fn default() -> Self {
        Self {
            items: Vec::new(),
            expected: Vec::new(),
            refused_coins: Vec::new(),
            changer: ChangerPolicy::default(),
            poll_every: Micros::ms(150),
            cashless_level: 3,
            decimals: Decimals(2),
            session_timeout: Micros::secs(30),
            multi_vend: false,
            motor_time: Micros::ms(1_500),
            bills: BillPolicy::default(),
            hold_bills: false,
            keep_credit: false,
            timing: MasterTiming::default(),
            identity: VmcIdentity::default(),
            cashless: CashlessUse::default(),
            cards: CardSales::default(),
            instead: BTreeMap::new(),
        }
    }
}
