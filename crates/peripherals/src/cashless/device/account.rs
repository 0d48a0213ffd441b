//! Cards, what is on them, and every movement of their money.

use super::CashlessDevice;
use payrig_mdb::cashless::{PaymentMedia, UserSettings};
use payrig_units::{Money, Movement, Place};

/// A card, phone or account as a person presents it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Card {
    /// What is on it; `None` when the device does not know (BEGIN SESSION with FFFFH) and bills
    /// the owner later, so that any price can be approved.
    pub balance: Option<Money>,
    /// Its number, type and payment data.
    pub media: PaymentMedia,
    /// Language, currency and options sent in EXPANDED CURRENCY MODE.
    pub user: Option<UserSettings>,
}

impl Card {
    /// A plain card with a balance.
    #[must_use]
    pub const fn with(balance: Money) -> Self {
        Self {
            balance: Some(balance),
            media: PaymentMedia::UNKNOWN,
            user: None,
        }
    }

    /// A plain card whose balance is not known.
    #[must_use]
    pub const fn unknown() -> Self {
        Self {
            balance: None,
            media: PaymentMedia::UNKNOWN,
            user: None,
        }
    }
}

/// The account behind a card while the device deals with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Account {
    /// The card; its balance is kept in `balance`.
    pub(super) card: Card,
    /// What is left; starts at zero and goes below for a balance that is not known.
    pub(super) balance: Money,
}

impl Account {
    pub(super) fn new(card: Card) -> Self {
        Self {
            card,
            balance: card.balance.unwrap_or(Money::ZERO),
        }
    }

    /// What the VMC learns: `None` when not known.
    pub(super) fn shown(&self) -> Option<Money> {
        self.card.balance.map(|_| self.balance)
    }

    /// Whether so much can be spent.
    pub(super) fn covers(&self, amount: Money) -> bool {
        self.shown().is_none_or(|balance| amount <= balance)
    }
}

impl CashlessDevice {
    fn card_place(&self) -> Place {
        Place::CardAccount(self.config.name.clone())
    }

    fn receipts_place(&self) -> Place {
        Place::CardReceipts(self.config.name.clone())
    }

    fn book(&mut self, from: Place, to: Place, amount: Money, why: String) {
        if amount > Money::ZERO {
            self.movements.push(Movement {
                from,
                to,
                amount,
                why,
            });
        }
    }

    /// The money on a new card comes into the book.
    pub(super) fn open_account(&mut self, card: Card) {
        let account = Account::new(card);
        self.account = Some(account);
        let place = self.card_place();
        let why = "card presented".to_owned();
        self.book(Place::Supply, place, account.balance, why);
    }

    /// Card to receipts; false, and nothing moved, when there is no account or it overflows.
    pub(super) fn charge(&mut self, amount: Money, why: String) -> bool {
        let (from, to) = (self.card_place(), self.receipts_place());
        self.change_balance(-amount) && {
            self.book(from, to, amount, why);
            true
        }
    }

    /// Receipts to card; false, and nothing moved, when there is no account or it overflows.
    pub(super) fn give_back(&mut self, amount: Money, why: String) -> bool {
        let (from, to) = (self.receipts_place(), self.card_place());
        self.change_balance(amount) && {
            self.book(from, to, amount, why);
            true
        }
    }

    /// A coupon is used: its issuer gave it to the customer, who gives it to the machine's owner.
    pub(super) fn redeem(&mut self, amount: Money, why: String) {
        let to = self.receipts_place();
        let worth = format!("{why}: its worth");
        self.book(Place::Supply, Place::Customer, amount, worth);
        self.book(Place::Customer, to, amount, why);
    }

    fn change_balance(&mut self, by: Money) -> bool {
        let Some(account) = self.account.as_mut() else {
            return false;
        };
        match account.balance.checked_add(by) {
            Some(balance) => {
                account.balance = balance;
                true
            }
            None => false,
        }
    }
}
