//! What is for sale, at what price, and why something is not.

use super::Vending;
use payrig_mdb::cashless::Reason;
use payrig_units::Money;
use std::collections::BTreeMap;

impl Vending {
    /// Prices by price list, for cards that have one (MDB/ICP 4.3, section 7.4.4).
    pub(crate) fn set_price_lists(&mut self, lists: BTreeMap<u8, BTreeMap<u16, Money>>) {
        self.price_lists = lists;
    }

    /// An item has another price from now on; a sale under way keeps its own.
    pub(crate) fn set_price(&mut self, number: u16, price: Money) {
        for item in self.items.iter_mut().filter(|i| i.number == number) {
            item.price = price;
        }
    }

    /// An item is not to be had, for a reason of 7.4.12, or is again.
    pub(crate) fn close_item(&mut self, number: u16, why: Option<Reason>) {
        match why {
            Some(why) => self.closed.insert(number, why),
            None => self.closed.remove(&number),
        };
    }

    /// The machine's door is open: what is selected at a card device is refused meanwhile.
    pub(crate) fn set_service(&mut self, on: bool) {
        self.in_service = on;
    }

    /// True while another card device than this has a session.
    pub(crate) fn in_session_elsewhere(&self, device: &str) -> bool {
        self.sessions.iter().any(|s| s.device != device)
    }

    /// The lowest and the highest price; zero when nothing is for sale.
    pub(crate) fn price_range(&self) -> (Money, Money) {
        let prices = || self.items.iter().map(|i| i.price);
        let (low, high) = (prices().min(), prices().max());
        (low.unwrap_or_default(), high.unwrap_or_default())
    }
}
