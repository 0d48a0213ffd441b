//! What drivers report, whatever protocol it came by.

use payrig_mdb::cashless::PaymentMedia;
use payrig_units::{Micros, Money};

/// What a peripheral reported, by the peripheral's name where it matters.
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
        /// What it reported as paid.
        value: Money,
        /// What was ordered besides: perhaps out, perhaps not.
        doubt: Money,
    },
    /// A payout that was given up is accounted for: so much had been paid besides, nothing of the
    /// rest.
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
        /// What is known of it.
        card: CardSession,
    },
    /// The card device approves the vend, for this amount.
    VendApproved {
        /// Which.
        device: String,
        /// The amount charged.
        amount: Money,
    },
    /// The card device denies the vend, or cannot be asked.
    VendDenied {
        /// Which.
        device: String,
    },
    /// The card device wants the session to end (card removed, return pressed on the reader).
    SessionCancelled {
        /// Which.
        device: String,
    },
    /// The session is over.
    SessionEnded {
        /// On which device.
        device: String,
    },
    /// The card device was reset or went away; its session with it.
    SessionLost {
        /// Which.
        device: String,
    },
    /// So much can be put on the card.
    RevalueLimit {
        /// On which device.
        device: String,
        /// `None` when nothing can.
        limit: Option<Money>,
    },
    /// What was to be put on the card is there, or it is refused.
    Revalued {
        /// On which device.
        device: String,
        /// There.
        done: bool,
    },
    /// An item is selected at the card device (remote vend).
    Selection {
        /// Which device.
        device: String,
        /// The item.
        item: u16,
        /// The most the card device pays; `None` for the whole price.
        funds: Option<Money>,
    },
    /// A coupon was accepted.
    Coupon(Coupon),
    /// A card device asks for keys.
    KeysWanted {
        /// Which.
        device: String,
        /// How many.
        count: u8,
    },
    /// It does not want them any more.
    KeysCancelled {
        /// Which device.
        device: String,
    },
    /// A card device wants a text shown.
    Shown {
        /// Which.
        device: String,
        /// The text.
        text: String,
        /// For how long.
        time: Micros,
    },
    /// Anything else worth showing.
    Notice(String),
}

/// What is known of a card when its session begins.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CardSession {
    /// Its balance, when it is known.
    pub funds: Option<Money>,
    /// The balance may be shown.
    pub shown: bool,
    /// Type of payment and payment data, where the reader sends them (7.4.4, Z8-Z10).
    pub media: Option<PaymentMedia>,
    /// It is in a currency that is not the machine's.
    pub foreign: bool,
    /// It answers a request, which is to be made again, with the price for this card (7.4.5, "Ask
    /// Begin Session").
    pub asks_back: bool,
}

/// A coupon (7.4.4, COUPON REPORT).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Coupon {
    /// The card device that accepted it.
    pub device: String,
    /// The item it is for; `None` for any.
    pub item: Option<u16>,
    /// Only the same device may pay the rest.
    pub alone: bool,
    /// The item is to be delivered as soon as it is paid.
    pub at_once: bool,
    /// Its value; `None` for one vend at any price.
    pub value: Option<Money>,
}

/// What a seller should know of a card device.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reader {
    /// Its name.
    pub device: String,
    /// Set up, polled and enabled.
    pub ready: bool,
    /// Several vends in a session (7.4.2, Z8 b1).
    pub multi_vend: bool,
    /// A vend may begin without a session ("Always Idle", 7.2.5).
    pub always_idle: bool,
    /// Items may be given back (7.4.11).
    pub negative_vend: bool,
    /// Several items may be asked for at once, and delivered in part (7.4.5).
    pub basket: bool,
    /// Money may be put on its cards (7.4.18).
    pub revalue: bool,
    /// The smallest amount it can express.
    pub step: Money,
}
