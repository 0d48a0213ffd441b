//! What drivers of cashless devices are to report of a vend, and of sales made elsewhere.

use payrig_mdb::cashless::{CashSale, Reason};
use payrig_units::Money;

/// An item that was delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dispensed {
    /// The number selected.
    pub selected: u16,
    /// The number of the column it came from.
    pub column: u16,
    /// Its part of what was approved.
    pub amount: Money,
    /// The part of that which is for options of the item.
    pub options: Money,
    /// How many are still to come.
    pub left: u8,
}

/// An item that was not delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotDispensed {
    /// Its number; `None` for all that were still to come.
    pub item: Option<u16>,
    /// Its part of what was approved.
    pub amount: Money,
    /// The part of that which is for options of the item.
    pub options: Money,
    /// How many are still to come.
    pub left: u8,
    /// Why.
    pub reason: Reason,
}

/// Why a sale is to be accounted for apart (7.4.10, item number conventions).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SaleKind {
    /// It is not.
    Paid,
    /// Nothing was to be paid.
    Free,
    /// A test by the service.
    Test,
    /// An item was given back for cash.
    Return,
    /// A token paid.
    Token,
}

impl SaleKind {
    pub(crate) const fn flag(self) -> u16 {
        match self {
            Self::Paid => 0,
            Self::Free => CashSale::FREE,
            Self::Test => CashSale::TEST,
            Self::Return => CashSale::NEGATIVE,
            Self::Token => CashSale::TOKEN,
        }
    }
}

/// A sale and who paid what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sold {
    /// The number selected.
    pub selected: u16,
    /// The number of the column it came from.
    pub column: u16,
    /// What it costs.
    pub price: Money,
    /// Paid in cash.
    pub cash: Money,
    /// Paid on a card: the device and how much.
    pub card: Option<(String, Money)>,
    /// What kind of sale.
    pub kind: SaleKind,
}
