//! What is for sale, at what price and on which terms, and why something is not.

use super::{Means, Vending};
use payrig_mdb::cashless::{PaymentMedia, Reason};
use payrig_units::Money;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

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

/// Prices that not all cards share (MDB/ICP 4.3, section 7.4.4, type of payment).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tariffs {
    /// Prices of items by price list (payment type 1). An item that is not in the list has its
    /// normal price.
    pub lists: BTreeMap<u8, BTreeMap<u16, Money>>,
    /// Per cent taken off for each discount group, 0 to 100 (payment type 2).
    pub discount_groups: BTreeMap<u8, u8>,
    /// User groups whose cards have their list or group; `None` for all of them.
    pub user_groups: Option<BTreeSet<u8>>,
}

/// The terms on which a card buys.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Terms {
    /// The price list that holds.
    pub(super) list: Option<u8>,
    /// Added to prices, per cent; negative for a discount.
    pub(super) percent: i8,
}

impl Tariffs {
    /// The terms for a card, as far as the shop knows its type of payment and payment data (7.4.4,
    /// Z8-Z10).
    pub(super) fn terms(&self, media: Option<PaymentMedia>) -> Terms {
        let Some(media) = media else {
            return Terms::default();
        };
        let [group, number] = media.data;
        let known = self.user_groups.as_ref();
        let member = known.is_none_or(|known| known.contains(&group));
        let per_cent = |n: u8| i8::try_from(n.min(100)).unwrap_or(100);
        let (list, percent) = match media.kind & 0x3F {
            1 if member && self.lists.contains_key(&number) => (Some(number), 0),
            2 if member => {
                let discount = self.discount_groups.get(&number);
                (None, discount.map_or(0, |n| -per_cent(*n)))
            }
            3 => (None, -per_cent(number)),
            4 => (None, per_cent(number)),
            _ => (None, 0),
        };
        Terms { list, percent }
    }
}

impl Vending {
    /// An item has another price from now on; a sale under way keeps its own.
    pub(crate) fn set_price(&mut self, number: u16, price: Money) {
        for item in self.items.iter_mut().filter(|i| i.number == number) {
            item.price = price;
            self.price_changes = self.price_changes.wrapping_add(1);
        }
    }

    /// An item is unavailable, for a reason of 7.4.12, or available again.
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

    /// The price of these items for the card in this device, in steps it can express, where
    /// `due` of their normal price falls to it.
    pub(super) fn price_for(
        &self,
        device: &str,
        due: Money,
        items: &VecDeque<Item>,
        means: &dyn Means,
    ) -> Money {
        let session = self.sessions.iter().find(|s| s.device == device);
        let list = session.and_then(|s| self.policy.cards.tariffs.lists.get(&s.terms.list?));
        if let Some(list) = list {
            // What is added for options is added to the list's price too.
            let by_list = |i: &Item| {
                let own = self.items.iter().find(|o| o.number == i.number);
                let (own, listed) = own.zip(list.get(&i.number))?;
                Some(i.price.saturating_sub(own.price).saturating_add(*listed))
            };
            let by_list = |i: &Item| by_list(i).unwrap_or(i.price);
            let normal: Money = items.iter().map(|i| i.price).sum();
            let listed: Money = items.iter().map(by_list).sum();
            let paid = normal.saturating_sub(due);
            return listed.saturating_sub(paid).max(Money::ZERO);
        }
        let price = due;
        let percent = session.map_or(0, |s| i64::from(s.terms.percent));
        if percent == 0 {
            return price;
        }
        let factor = (100 + percent).max(0);
        let exact = price.checked_mul(factor).unwrap_or(price).as_minor() / 100;
        let step = self.step(device, means).as_minor().max(1);
        Money(exact - exact % step)
    }
}
