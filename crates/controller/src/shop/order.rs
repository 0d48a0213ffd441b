//! What the shop wants done.

use crate::drivers::{Dispensed, NotDispensed, Sold};
use payrig_mdb::cashless::Reason;
use payrig_units::Money;

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
    /// The item selected at the card device is unavailable.
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
    Announce(Sold),
    /// Turn the motor of this item; the answer comes as [`Vending::delivered`](super::Vending).
    Deliver(u16),
    /// Take in an item that is given back; the answer comes the same way.
    TakeIn(u16),
}
