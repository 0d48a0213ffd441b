//! How a board treats its changer.

use payrig_mdb::changer::DispenseCount;
use payrig_units::{Micros, Money};

/// What the standard leaves to the board (MDB/ICP 4.3, section 5.3).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangerPolicy {
    /// Let the changer choose the coins (PAYOUT instead of DISPENSE), where it offers that (b0).
    pub alternative_payout: bool,
    /// The changer's inventory switches work outside payouts (COIN TYPE, Y3-Y4).
    pub manual_dispense: bool,
    /// Vend tokens are accepted, each for one item of any price (SETUP, credit FFH).
    pub tokens: bool,
    /// Coins of one DISPENSE, at most 15. How many of them came out is told by the tubes alone:
    /// when one runs dry or jams in between, that cannot be told, unless each coin is ordered by
    /// itself. A payout goes on so once that has happened.
    pub coins_per_dispense: DispenseCount,
    /// From one SEND DIAGNOSTIC STATUS to the next, where the changer offers it (b1): about every
    /// 1 to 10 s (section 5.3, 0FH 05H).
    pub diagnose_every: Micros,
    /// No coins are taken while the credit is this or more (section 5.6: acceptance is suspended
    /// when the highest price is reached); `None` for no such limit.
    pub credit_limit: Option<Money>,
}

/// DISPENSE of up to 15 coins, switches on, tokens refused, diagnostics every 5 s, no limit.
impl Default for ChangerPolicy {
    fn default() -> Self {
        Self {
            alternative_payout: false,
            manual_dispense: true,
            tokens: false,
            coins_per_dispense: DispenseCount::MAX,
            diagnose_every: Micros::secs(5),
            credit_limit: None,
        }
    }
}
