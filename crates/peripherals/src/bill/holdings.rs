//! The bills a validator has in its stores, and the movements of money in and out of them.

use super::path::{Bill, Store};
use super::{BillConfig, RecyclerStore};
use payrig_units::{Money, Movement, Place, words};
use std::collections::BTreeMap;

/// Stacker and recycler stores. Every change of a count is a movement.
#[derive(Clone, Debug)]
pub(super) struct Holdings {
    name: String,
    worth: BTreeMap<u8, Money>,
    stacked: BTreeMap<u8, u32>,
    stores: BTreeMap<u8, (u32, u16)>,
    movements: Vec<Movement>,
}

impl Holdings {
    pub(super) fn new(config: &BillConfig) -> Self {
        let worth = (0..16).map(|t| (t, config.worth(t))).collect();
        let mut holdings = Self {
            name: config.name.clone(),
            worth,
            stacked: BTreeMap::new(),
            stores: BTreeMap::new(),
            movements: Vec::new(),
        };
        for (bill_type, count) in &config.stacked {
            holdings.fill_stacker(*bill_type, u32::from(*count));
        }
        for store in &config.recycler {
            let RecyclerStore {
                bill_type,
                count,
                capacity,
            } = *store;
            holdings.stores.insert(bill_type, (0, capacity));
            holdings.fill_store(bill_type, u32::from(count));
        }
        holdings
    }

    pub(super) fn take_movements(&mut self) -> Vec<Movement> {
        std::mem::take(&mut self.movements)
    }

    pub(super) fn worth(&self, bill_type: u8) -> Money {
        self.worth.get(&bill_type).copied().unwrap_or_default()
    }

    fn book(&mut self, from: Place, to: Place, amount: Money, why: String) {
        self.movements.push(Movement {
            from,
            to,
            amount,
            why,
        });
    }

    fn escrow(&self) -> Place {
        Place::Escrow(self.name.clone())
    }

    fn stacker(&self) -> Place {
        Place::Stacker(self.name.clone())
    }

    fn store(&self, bill_type: u8) -> Place {
        Place::Recycler(self.name.clone(), bill_type)
    }

    /// A bill goes from the customer's hand into the path. Unknown paper is no money and is not
    /// booked.
    pub(super) fn draw_in(&mut self, bill: Bill) {
        if let Some(t) = bill.bill_type {
            let why = format!("{} drawn in", bill.words());
            self.book(Place::Customer, self.escrow(), self.worth(t), why);
        }
    }

    /// A bill goes from the path to the customer.
    pub(super) fn give_back(&mut self, bill: Bill, how: &str) {
        if let Some(t) = bill.bill_type {
            let why = format!("{} {how}", bill.words());
            self.book(self.escrow(), Place::Customer, self.worth(t), why);
        }
    }

    /// A bill goes from the path to where it stays.
    pub(super) fn put_away(&mut self, bill: Bill, to: Store) {
        let Some(t) = bill.bill_type else {
            return;
        };
        let (place, why) = match to {
            Store::Stacker => {
                *self.stacked.entry(t).or_insert(0) += 1;
                (self.stacker(), format!("{} stacked", bill.words()))
            }
            Store::Recycler => {
                self.stores.entry(t).or_insert((0, u16::MAX)).0 += 1;
                (self.store(t), format!("{} to recycler", bill.words()))
            }
        };
        self.book(self.escrow(), place, self.worth(t), why);
    }

    /// Takes a bill out of a recycler store; false when there is none.
    fn take_from_store(&mut self, bill_type: u8) -> bool {
        match self.stores.get_mut(&bill_type) {
            Some((count, _)) if *count > 0 => {
                *count -= 1;
                true
            }
            _ => false,
        }
    }

    /// A bill goes from a recycler store to the customer; false when there is none.
    pub(super) fn dispense(&mut self, bill_type: u8) -> bool {
        let taken = self.take_from_store(bill_type);
        if taken {
            let why = format!("bill type {bill_type} paid out");
            let amount = self.worth(bill_type);
            self.book(self.store(bill_type), Place::Customer, amount, why);
        }
        taken
    }

    /// A technician takes a bill out of a recycler store.
    pub(super) fn dispense_by_hand(&mut self, bill_type: u8) -> bool {
        let taken = self.take_from_store(bill_type);
        if taken {
            let why = format!("bill type {bill_type} taken out by hand");
            let amount = self.worth(bill_type);
            self.book(self.store(bill_type), Place::Supply, amount, why);
        }
        taken
    }

    /// A bill goes from a recycler store to the cash box.
    pub(super) fn store_to_stacker(&mut self, bill_type: u8) -> bool {
        let taken = self.take_from_store(bill_type);
        if taken {
            *self.stacked.entry(bill_type).or_insert(0) += 1;
            let why = format!("bill type {bill_type} from recycler to cash box");
            let amount = self.worth(bill_type);
            self.book(self.store(bill_type), self.stacker(), amount, why);
        }
        taken
    }

    /// A technician puts bills into a recycler store; whether they fit is for the caller to say.
    pub(super) fn fill_store(&mut self, bill_type: u8, count: u32) {
        let amount = self.worth(bill_type).checked_mul(i64::from(count));
        if let (Some((held, _)), Some(amount), 1..) =
            (self.stores.get_mut(&bill_type), amount, count)
        {
            *held += count;
            let why = format!("{count} of bill type {bill_type} filled in");
            self.book(Place::Supply, self.store(bill_type), amount, why);
        }
    }

    /// A technician puts bills into the stacker.
    pub(super) fn fill_stacker(&mut self, bill_type: u8, count: u32) {
        let worth = self.worth(bill_type);
        if let Some(amount) = worth.checked_mul(i64::from(count)).filter(|_| count > 0) {
            *self.stacked.entry(bill_type).or_insert(0) += count;
            let why = format!("stacker filled with {count} of bill type {bill_type}");
            self.book(Place::Supply, self.stacker(), amount, why);
        }
    }

    /// The cash box is emptied: its money is now in a cash box outside the machine.
    pub(super) fn empty_stacker(&mut self) -> u32 {
        let count = self.stacked();
        let amount = self.stacked_money();
        self.stacked.clear();
        if count > 0 {
            let why = format!("cash box with {} taken away", words::count(count, "bill"));
            self.book(
                self.stacker(),
                Place::CashBox(self.name.clone()),
                amount,
                why,
            );
        }
        count
    }

    /// Somebody pulls the topmost bill out of the stacker: here the one of the highest type.
    pub(super) fn steal_stacked(&mut self) -> Option<u8> {
        let found = self.stacked.iter_mut().rev().find(|(_, n)| **n > 0);
        let (bill_type, count) = found?;
        *count -= 1;
        let bill_type = *bill_type;
        let why = format!("bill type {bill_type} pulled out of the stacker");
        let amount = self.worth(bill_type);
        self.book(self.stacker(), Place::Customer, amount, why);
        Some(bill_type)
    }

    /// Bills in the stacker.
    pub(super) fn stacked(&self) -> u32 {
        self.stacked.values().sum()
    }

    pub(super) fn stacked_money(&self) -> Money {
        let of = |(t, n): (&u8, &u32)| Money(self.worth(*t).0.saturating_mul(i64::from(*n)));
        self.stacked.iter().map(of).sum()
    }

    /// Bill types with a recycler store, and the bills in each.
    pub(super) fn stores(&self) -> impl Iterator<Item = (u8, u32)> + '_ {
        self.stores.iter().map(|(t, (count, _))| (*t, *count))
    }

    /// True when a type has a recycler store that takes one more.
    pub(super) fn has_room(&self, bill_type: u8) -> bool {
        let store = self.stores.get(&bill_type);
        store.is_some_and(|(count, capacity)| *count < u32::from(*capacity))
    }
}
