//! What seller and drivers say to each other.

use payrig_units::Money;

/// Something for sale.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    /// The selection number, 1 to 65534.
    pub number: u16,
    /// What it is.
    pub name: String,
    /// What it costs.
    pub price: Money,
}

/// What a peripheral told the board, by the peripheral's name where it matters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Report {
    /// A coin was accepted, or pulses counted: money that is certain.
    Credit {
        /// From where.
        device: String,
        /// How much.
        value: Money,
        /// "coin type 2 to tube".
        what: String,
    },
    /// A bill waits in escrow.
    BillEscrowed {
        /// Where.
        device: String,
        /// Its value.
        value: Money,
    },
    /// The bill in escrow went back to the customer.
    BillReturned {
        /// From where.
        device: String,
    },
    /// An attendant took coins out (`value` > 0) or filled them in by hand (< 0).
    Service {
        /// Where.
        device: String,
        /// How much.
        value: Money,
    },
    /// A vend token was accepted: one item of any price.
    Token {
        /// From where.
        device: String,
    },
    /// The coin return lever.
    ReturnLever,
    /// A payout is over: so much was paid. Less than ordered when tubes ran dry.
    PaidOut {
        /// By whom.
        device: String,
        /// How much.
        value: Money,
    },
    /// A payout could not begin or go on; nothing more was paid.
    PayoutFailed,
    /// The recycler could pay no bill at all: coins may do it.
    BillsNotPaid,
    /// So much of the payout under way is out; for the display only.
    PayingOut {
        /// How much.
        value: Money,
    },
    /// The recycler went away while it paid. What else came out is not known, so that nothing is
    /// paid in its place.
    PayoutGivenUp {
        /// By whom.
        device: String,
        /// What it said it had paid.
        value: Money,
    },
    /// What a payout that was given up had paid besides, as was found out later.
    PaidLate {
        /// By whom.
        device: String,
        /// How much.
        value: Money,
    },
    /// A card is there. Its balance is for display only.
    SessionBegan {
        /// On which device.
        device: String,
        /// The balance, when it is known.
        funds: Option<Money>,
    },
    /// The card device approves the vend, for this amount.
    VendApproved {
        /// The amount charged.
        amount: Money,
    },
    /// The card device denies the vend, or cannot be asked.
    VendDenied,
    /// The card device wants the session to end (card removed, escrow pressed on the reader).
    SessionCancelled,
    /// The session is over.
    SessionEnded,
    /// Anything else worth showing.
    Notice(String),
}

/// What the board wants done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Order {
    /// Pay this much, in bills and coins.
    Pay(Money),
    /// Stack the bill in this device's escrow.
    Stack(String),
    /// Return the bill in this device's escrow.
    Return(String),
    /// Ask this card device for this much, for this item.
    VendRequest {
        /// The device.
        device: String,
        /// The item's number.
        item: u16,
        /// The price.
        price: Money,
    },
    /// The request is withdrawn.
    VendCancel(String),
    /// The item was delivered.
    VendSuccess {
        /// The device.
        device: String,
        /// The item's number.
        item: u16,
    },
    /// The item could not be delivered: refund.
    VendFailure(String),
    /// The customer is done.
    SessionComplete(String),
    /// Turn the motor of this item; the answer comes as [`Vending::delivered`].
    Deliver(u16),
}
