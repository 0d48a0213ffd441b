//! What a board does with bills beyond taking them.

use payrig_units::Money;

/// Does the board pay change with the bills of a recycler, and how?
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum BillChange {
    /// No: change is paid in coins only.
    #[default]
    Off,
    /// Bill by bill: the board chooses the types, DISPENSE BILL (section 6.3, 37H-06H).
    ByType,
    /// By value: the recycler chooses the types, DISPENSE VALUE (section 6.3, 37H-07H).
    ByValue,
}

/// How a board treats its bill validator.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BillPolicy {
    /// Paying with bills.
    pub change: BillChange,
    /// Bills of these values are set to the high security level, all others to the low one
    /// (SECURITY, section 6.3, 32H); `None` leaves the validator its own levels and sends nothing.
    pub high_security: Option<Vec<Money>>,
}
