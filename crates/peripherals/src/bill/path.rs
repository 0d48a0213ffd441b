//! The way of a bill through the validator, up to where it leaves it or is stored.

use payrig_units::Micros;

/// A piece of paper in the path.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Bill {
    /// Its type (0-15); `None` for paper that is no bill of this validator.
    pub(super) bill_type: Option<u8>,
    /// The VMC waits for a BILL STACKED, BILL RETURNED or BILL TO RECYCLER about it, because it
    /// knows of the bill in escrow or has ordered what to do with it.
    pub(super) owed: bool,
}

impl Bill {
    pub(super) const fn new(bill_type: Option<u8>) -> Self {
        Self {
            bill_type,
            owed: false,
        }
    }

    /// For notes and the ledger.
    pub(super) fn words(self) -> String {
        match self.bill_type {
            Some(t) => format!("bill type {t}"),
            None => "unknown paper".to_owned(),
        }
    }
}

/// Where an accepted bill is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Store {
    Stacker,
    Recycler,
}

/// How the VMC hears that a bill is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Due {
    /// When it is stored.
    OnArrival,
    /// Not any more: it was reported early (a quirk), or the power was lost meanwhile.
    Not,
}

/// What is in the path between inlet and stores.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Path {
    /// Nothing.
    Empty,
    /// On its way to the escrow position; recognised there.
    Drawing { bill: Bill, done: Micros },
    /// In the escrow position.
    Held { bill: Bill },
    /// On its way to where it stays.
    Storing {
        bill: Bill,
        to: Store,
        report: Due,
        done: Micros,
    },
    /// On its way back to the inlet.
    Returning { bill: Bill, done: Micros },
    /// It cannot move, and the customer might get at it.
    Stuck { bill: Bill },
    /// In the escrow position, but the validator does not know (a quirk).
    Forgotten { bill: Bill },
}

impl Path {
    /// The bill in the path.
    pub(super) const fn bill(&self) -> Option<Bill> {
        match *self {
            Self::Empty => None,
            Self::Drawing { bill, .. }
            | Self::Held { bill }
            | Self::Storing { bill, .. }
            | Self::Returning { bill, .. }
            | Self::Stuck { bill }
            | Self::Forgotten { bill } => Some(bill),
        }
    }

    /// When the present way ends.
    pub(super) const fn deadline(&self) -> Micros {
        match *self {
            Self::Drawing { done, .. }
            | Self::Storing { done, .. }
            | Self::Returning { done, .. } => done,
            _ => Micros::NEVER,
        }
    }

    pub(super) fn is_moving(&self) -> bool {
        self.deadline() != Micros::NEVER
    }

    /// True when, as far as the validator knows, another bill may come in.
    pub(super) const fn is_free(&self) -> bool {
        matches!(self, Self::Empty | Self::Forgotten { .. })
    }
}
