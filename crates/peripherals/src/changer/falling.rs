//! What is between the slot and where it lands.

use payrig_mdb::changer::CoinType;
use payrig_units::Micros;

/// What was put into the slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Inserted {
    Coin(CoinType),
    /// A valid coin that takes the wrong way.
    Misrouted(CoinType),
    /// A valid coin that is pulled back before credit is given.
    OnString(CoinType),
    /// Two objects too close together.
    TwoAtOnce,
    Slug,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Falling {
    pub(super) what: Inserted,
    pub(super) due: Micros,
}
