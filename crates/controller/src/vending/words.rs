//! What seller and drivers say to each other.

use payrig_mdb::cashless::{CashSale, Reason};
use payrig_units::{Micros, Money};

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

/// What the board wants done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Order {
    /// Pay this much, in bills and coins.
    Pay(Money),
    /// Stack the bill in this device's escrow.
    Stack(String),
    /// Return the bill in this device's escrow.
    Return(String),
    /// Ask this card device for this much.
    VendRequest {
        /// The device.
        device: String,
        /// The item's number; 65535 for several.
        item: u16,
        /// The price.
        price: Money,
        /// How many items.
        count: u8,
        /// The part of the price that is for options of the item.
        options: Money,
    },
    /// Ask this card device whether it takes this much for an item that is given back.
    ReturnRequest {
        /// The device.
        device: String,
        /// The item's number.
        item: u16,
        /// Its value.
        value: Money,
    },
    /// The request is withdrawn.
    VendCancel(String),
    /// An item was delivered.
    VendSuccess {
        /// The device.
        device: String,
        /// What.
        gone: Dispensed,
    },
    /// An item could not be delivered: refund.
    VendFailure {
        /// The device.
        device: String,
        /// What.
        failed: NotDispensed,
    },
    /// The customer is done.
    SessionComplete(String),
    /// Ask this card device how much it takes.
    RevalueLimit(String),
    /// Put this much on the card.
    Revalue {
        /// The device.
        device: String,
        /// How much.
        amount: Money,
    },
    /// The item selected at the card device is not to be had.
    DenySelection {
        /// The device.
        device: String,
        /// The item's number.
        item: u16,
        /// Why.
        reason: Reason,
    },
    /// What became of a coupon.
    CouponReply {
        /// The device that reported it.
        device: String,
        /// An item was paid with it.
        used: bool,
        /// Which item.
        item: u16,
        /// How much of it was used; what it is worth where it was not used, `None` for a token.
        value: Option<Money>,
    },
    /// Keys that were pressed for this card device.
    Keys {
        /// The device.
        device: String,
        /// ASCII.
        keys: Vec<u8>,
    },
    /// No more keys will come.
    GiveUpKeys(String),
    /// Whatever the card devices do before a session is to be given up.
    CancelReaders,
    /// A sale, for the card devices that account for sales they did not make.
    Tell(Sold),
    /// Turn the motor of this item; the answer comes as [`Vending::delivered`](super::Vending).
    Deliver(u16),
    /// Take in an item that is given back; the answer comes the same way.
    TakeIn(u16),
}

/// What is known of a card when its session begins.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CardSession {
    /// Its balance, when it is known.
    pub funds: Option<Money>,
    /// The balance may be shown.
    pub shown: bool,
    /// The price list that holds for it (payment type 1, 7.4.4).
    pub list: Option<u8>,
    /// Per cent to be added to prices; negative for a discount (payment types 2 to 4, 7.4.4).
    pub percent: i8,
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

/// What the motor of an item did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delivery {
    /// The column the item fell from; `None` when it did not fall.
    pub column: Option<u16>,
    /// The worth of what was delivered, when it is only a part.
    pub part: Option<Money>,
    /// Why it did not fall, where that is known.
    pub why: Option<Reason>,
    /// The machine is out of order from here on.
    pub broken: bool,
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
