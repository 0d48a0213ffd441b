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
    /// What it costs in cash.
    pub price: Money,
    /// What it costs on a card.
    pub card: CardPrice,
}

impl Item {
    /// An item that costs the same in cash and on a card.
    #[must_use]
    pub fn new(number: u16, name: impl Into<String>, price: Money) -> Self {
        Self {
            number,
            name: name.into(),
            price,
            card: CardPrice::Same,
        }
    }

    /// What it costs on a card on ordinary terms (no price list, no discount).
    #[must_use]
    pub fn card_price(&self) -> Money {
        self.card.of(self.price)
    }

    /// The item as a card pays for it: its price is the one on a card.
    #[must_use]
    pub(super) fn on_card(&self) -> Self {
        Self {
            price: self.card_price(),
            card: CardPrice::Same,
            ..self.clone()
        }
    }
}

/// What an item costs on a card, beside its cash price. Common practice, no source: the standard
/// leaves prices to the board and only has it send the one that it asks a card for (MDB/ICP 4.3,
/// section 7.4.5).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum CardPrice {
    /// The cash price.
    #[default]
    Same,
    /// This, whatever it costs in cash.
    Fixed(Money),
    /// So much more than in cash; less where it is negative, and never below zero.
    More(Money),
}

impl CardPrice {
    /// The price on a card of something that costs this in cash.
    #[must_use]
    pub fn of(self, cash: Money) -> Money {
        match self {
            Self::Same => cash,
            Self::Fixed(price) => price,
            Self::More(more) => cash.saturating_add(more).max(Money::ZERO),
        }
    }
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
    /// An item has another cash price from now on, and with it another one on cards unless that is
    /// fixed; a sale under way keeps its own.
    pub(crate) fn set_price(&mut self, number: u16, price: Money) {
        self.change_price(number, |item| item.price = price);
    }

    /// An item has another price on cards from now on; a sale under way keeps its own.
    pub(crate) fn set_card_price(&mut self, number: u16, card: CardPrice) {
        self.change_price(number, |item| item.card = card);
    }

    fn change_price(&mut self, number: u16, change: impl Fn(&mut Item)) {
        for item in self.items.iter_mut().filter(|i| i.number == number) {
            change(item);
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

    /// The lowest and the highest price that a card is asked for on ordinary terms, which is what a
    /// reader needs them for (7.4.3); zero when nothing is for sale.
    pub(crate) fn price_range(&self) -> (Money, Money) {
        let prices = || self.items.iter().map(Item::card_price);
        let (low, high) = (prices().min(), prices().max());
        (low.unwrap_or_default(), high.unwrap_or_default())
    }

    /// The price of these items, which are [as on a card](Item::on_card), for the card in this device,
    /// in steps it can express, where `due` of their normal price falls to it.
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
                let options = i.price.saturating_sub(own.card_price());
                Some(options.saturating_add(*listed))
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
