//! What a board does with bills beyond taking them.

use payrig_mdb::bill::RecyclerUse;
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
    /// Bills are stacked at once, never held in escrow (BILL TYPE, section 6.3, 34H, Y3-Y4).
    pub no_escrow: bool,
    /// Which bills go to the recycler (RECYCLER ENABLE, section 6.3, 37H-04H); `None` for all it
    /// finds fit.
    pub recycle: Option<RecyclerUse>,
    /// The recycler's own switches dispense nothing (the same, Y1-Y2).
    pub no_manual_dispense: bool,
}
