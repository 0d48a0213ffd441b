//! The ledger under every bench: money is moved between named places, never invented.
//!
//! Two kinds of places share one book. Physical places (a tube, the stacker, the customer's
//! pocket, a card account) hold money that exists. Claims are what the board *believes*: it credits
//! what was reported to it, and owes it until it sells or pays out. Every movement takes from one place
//! what it gives to another, so the sum over all places is constant (zero, before the opening
//! fill is taken from [`Place::Supply`]).

use crate::prelude::*;
use crate::{Micros, Money};
use alloc::collections::BTreeMap;
use core::fmt;
use serde::{Deserialize, Serialize};

/// A named place money can be in.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// Where the opening coins and cards come from; its balance is minus all that was filled.
    Supply,
    /// The customer's pocket.
    Customer,
    /// A changer's tube for one coin type (0-15): device name and coin type.
    Tube(String, u8),
    /// A cash box, by device name.
    CashBox(String),
    /// A bill validator's escrow, by device name.
    Escrow(String),
    /// A bill validator's stacker, by device name.
    Stacker(String),
    /// A recycler's bill store for one bill type (0-15): device name and bill type.
    Recycler(String, u8),
    /// A payout hopper, by device name.
    Hopper(String),
    /// A card or account, by device name: what the customer can still spend.
    CardAccount(String),
    /// What a cashless device has collected for the machine's owner, by device name.
    CardReceipts(String),
    /// Claim: what the board says it received, by device name. Always the negative of a receipt.
    BoardReceived(String),
    /// Claim: what the board says it paid out or gave back, by device name.
    BoardPaid(String),
    /// Claim: credit the board shows and owes.
    BoardCredit,
    /// Claim: what the board sold.
    BoardSales,
    /// Claim: what, by reports, an attendant took out or filled in by hand.
    BoardService,
    /// Claim: what was ordered from a device that went away before it could report whether it had paid
    /// it. Neither owed nor paid until that is known; by device name.
    BoardDoubt(String),
    /// Claim: what the board paid beyond the credit there was: the owner's loss.
    BoardOverpaid,
    /// Claim: what, by reports, an attendant put into a device (less what was taken out), by
    /// device name.
    BoardStock(String),
}

impl Place {
    /// True when the place holds money that exists; false for what the board believes.
    #[must_use]
    pub fn is_physical(&self) -> bool {
        !matches!(
            self,
            Self::BoardReceived(_)
                | Self::BoardPaid(_)
                | Self::BoardCredit
                | Self::BoardSales
                | Self::BoardService
                | Self::BoardDoubt(_)
                | Self::BoardOverpaid
                | Self::BoardStock(_)
        )
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Supply => f.write_str("supply"),
            Self::Customer => f.write_str("customer"),
            Self::Tube(d, t) => write!(f, "{d} tube {t}"),
            Self::CashBox(d) => write!(f, "{d} cash box"),
            Self::Escrow(d) => write!(f, "{d} escrow"),
            Self::Stacker(d) => write!(f, "{d} stacker"),
            Self::Recycler(d, t) => write!(f, "{d} recycler {t}"),
            Self::Hopper(d) => write!(f, "{d} hopper"),
            Self::CardAccount(d) => write!(f, "{d} card account"),
            Self::CardReceipts(d) => write!(f, "{d} receipts"),
            Self::BoardReceived(d) => write!(f, "board: received from {d}"),
            Self::BoardPaid(d) => write!(f, "board: paid by {d}"),
            Self::BoardCredit => f.write_str("board: credit"),
            Self::BoardSales => f.write_str("board: sales"),
            Self::BoardService => f.write_str("board: service"),
            Self::BoardDoubt(d) => write!(f, "board: in doubt at {d}"),
            Self::BoardOverpaid => f.write_str("board: paid beyond credit"),
            Self::BoardStock(d) => write!(f, "board: stock of {d}"),
        }
    }
}

/// Money moving from one place to another, as a device or the board reports it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Movement {
    /// Where it was.
    pub from: Place,
    /// Where it is now.
    pub to: Place,
    /// How much; never negative.
    pub amount: Money,
    /// Why, in plain words: "coin type 2 accepted".
    pub why: String,
}

/// A movement as booked: when, and because of what on the wire.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct LedgerEntry {
    /// When it was booked.
    #[serde(rename = "at_us", alias = "at")]
    pub at: Micros,
    /// The movement.
    #[serde(flatten)]
    pub movement: Movement,
    /// Start of the word on the wire that moved it, where one did.
    #[serde(
        rename = "word_at_us",
        alias = "word_at",
        skip_serializing_if = "Option::is_none",
        default
    )]
    pub word_at: Option<Micros>,
}

/// Why a movement cannot be booked.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum LedgerError {
    /// The amount is below zero.
    Negative(Money),
    /// A balance would leave the range of money.
    Overflow(Place),
}

impl fmt::Display for LedgerError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negative(m) => write!(f, "a movement of {m:?} is negative: swap its two places"),
            Self::Overflow(p) => write!(f, "the balance of \"{p}\" would overflow"),
        }
    }
}

impl core::error::Error for LedgerError {}

/// Balances of all places and the movements that led to them.
///
/// ```
/// use payrig_units::{Ledger, Micros, Money, Movement, Place};
///
/// let mut ledger = Ledger::new();
/// let coin = Movement {
///     from: Place::Customer,
///     to: Place::CashBox("changer".into()),
///     amount: Money(100),
///     why: "coin type 3 accepted".into(),
/// };
/// ledger.book(Micros::ms(300), None, coin)?;
/// assert_eq!(ledger.balance(&Place::CashBox("changer".into())), Money(100));
/// assert_eq!(ledger.held(Place::is_physical), Money::ZERO);
/// assert_eq!(ledger.entries().len(), 1);
/// # Ok::<(), payrig_units::LedgerError>(())
/// ```
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ledger {
    balances: BTreeMap<Place, Money>,
    entries: Vec<LedgerEntry>,
}

impl Ledger {
    /// An empty book.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Books a movement.
    ///
    /// # Errors
    /// A negative amount or an overflow; the book is then unchanged.
    pub fn book(
        &mut self,
        at: Micros,
        word_at: Option<Micros>,
        movement: Movement,
    ) -> Result<(), LedgerError> {
        if movement.amount < Money::ZERO {
            return Err(LedgerError::Negative(movement.amount));
        }
        let from = self
            .balance(&movement.from)
            .checked_sub(movement.amount)
            .ok_or_else(|| LedgerError::Overflow(movement.from.clone()))?;
        self.balances.insert(movement.from.clone(), from);
        match self.balance(&movement.to).checked_add(movement.amount) {
            Some(to) => {
                self.balances.insert(movement.to.clone(), to);
            }
            None => {
                // Undo: `from` was in range before, so adding the amount back is in range.
                let before = from.saturating_add(movement.amount);
                self.balances.insert(movement.from, before);
                return Err(LedgerError::Overflow(movement.to));
            }
        }
        self.entries.push(LedgerEntry {
            at,
            movement,
            word_at,
        });
        Ok(())
    }

    /// What is in a place.
    #[must_use]
    pub fn balance(&self, place: &Place) -> Money {
        self.balances.get(place).copied().unwrap_or_default()
    }

    /// All places that ever held money, with their balances.
    pub fn balances(&self) -> impl Iterator<Item = (&Place, Money)> {
        self.balances.iter().map(|(p, m)| (p, *m))
    }

    /// Every movement, in order.
    #[must_use]
    pub fn entries(&self) -> &[LedgerEntry] {
        &self.entries
    }

    /// What all places that `which` accepts hold together.
    #[must_use]
    pub fn held(&self, which: impl Fn(&Place) -> bool) -> Money {
        let held = self.balances().filter(|(place, _)| which(place));
        held.map(|(_, amount)| amount).sum()
    }

    /// The sum over all places: zero, whatever was booked.
    #[must_use]
    pub fn sum(&self) -> i128 {
        self.balances
            .values()
            .map(|m| i128::from(m.as_minor()))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn place(n: u8) -> Place {
        match n % 5 {
            0 => Place::Customer,
            1 => Place::Tube("changer".into(), n / 5),
            2 => Place::BoardCredit,
            3 => Place::Supply,
            _ => Place::Stacker("bill".into()),
        }
    }

    proptest! {
        #[test]
        fn the_sum_never_changes(moves in proptest::collection::vec((any::<u8>(), any::<u8>(), any::<i64>()), 0..60)) {
            let mut ledger = Ledger::new();
            for (a, b, n) in moves {
                let movement = Movement { from: place(a), to: place(b), amount: Money(n), why: String::new() };
                let before = ledger.clone();
                if ledger.book(Micros::ZERO, None, movement).is_err() {
                    prop_assert_eq!(before.sum(), ledger.sum());
                    prop_assert_eq!(before.entries(), ledger.entries());
                }
                prop_assert_eq!(ledger.sum(), 0);
            }
        }
    }
}
