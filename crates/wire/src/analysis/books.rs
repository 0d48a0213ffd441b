//! Where every cent went: the ledger, and whether the board's books agree with the money.

use payrig_units::{
    Amount, Decimals, Ledger, LedgerEntry, LedgerError, Micros, Money, Movement, Place,
};
use std::collections::BTreeMap;

/// What a device took and gave according to the money, and according to the board.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Account {
    /// Money that came in, less what went out.
    real: Money,
    /// What the board says.
    claimed: Money,
    /// Since when the two differ.
    differ_since: Option<Micros>,
}

/// A difference that remained.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Discrepancy {
    /// The device.
    pub device: String,
    /// Since when.
    pub since: Micros,
    /// Money the device took in (net).
    pub real: Money,
    /// What the board says it took in (net), and what it holds to be in doubt and was really paid.
    pub claimed: Money,
    /// What the board ordered and holds to be in doubt, and what never left the device.
    pub in_doubt: Money,
    /// What is left where money only passes through, and nobody owes.
    pub at_rest: Money,
}

impl Discrepancy {
    /// In plain words: who lost what.
    #[must_use]
    pub fn text(&self, decimals: Decimals) -> String {
        let device = &self.device;
        if !self.at_rest.is_zero() {
            return format!(
                "{device}: {} is in its escrow, and the board knows nothing of it: the customer lost it",
                self.at_rest.show(decimals)
            );
        }
        let doubt = self.in_doubt.show(decimals);
        match (self.in_doubt.is_zero(), self.real == self.claimed) {
            (true, _) => self.difference(decimals),
            (false, true) => format!(
                "{device}: {doubt} is in doubt at the board and never left the device: the customer lost \
                 it"
            ),
            (false, false) => format!(
                "{}; besides, {doubt} is in doubt at the board and never left the device",
                self.difference(decimals)
            ),
        }
    }

    /// The same where nobody sees the money of the device, because it is real.
    #[must_use]
    pub fn text_unseen(&self, decimals: Decimals) -> String {
        if self.in_doubt.is_zero() {
            return self.text(decimals);
        }
        format!(
            "{}: {} is in doubt at the board: whether it was paid, only the device and the customer know",
            self.device,
            self.in_doubt.show(decimals)
        )
    }

    fn difference(&self, decimals: Decimals) -> String {
        let show = |m: Money| -> Amount { m.show(decimals) };
        let Self {
            device,
            real,
            claimed,
            ..
        } = self;
        let missing = real.saturating_sub(*claimed);
        let paid = *real < Money::ZERO || *claimed < Money::ZERO;
        if paid && *real <= Money::ZERO && *claimed <= Money::ZERO {
            let who = match missing > Money::ZERO {
                true => "the customer did not get it",
                false => "the owner lost it",
            };
            return format!(
                "{device}: paid out {}, the board booked {}: {} of difference, {who}",
                show(-*real),
                show(-*claimed),
                show(Money(missing.as_minor().saturating_abs()))
            );
        }
        let what = if missing > Money::ZERO {
            format!(
                "{} was taken and never credited: the customer lost it",
                show(missing)
            )
        } else {
            format!(
                "{} was credited that never came in: the owner lost it",
                show(-missing)
            )
        };
        format!(
            "{device}: took {}, the board booked {}: {what}",
            show(*real),
            show(*claimed)
        )
    }
}

/// The ledger of a bench and its reconciliation.
#[derive(Clone, Debug, Default)]
pub struct Books {
    ledger: Ledger,
    accounts: BTreeMap<String, Account>,
    /// Devices whose receipts are kept in one account with another's.
    joined: BTreeMap<String, String>,
}

/// What a movement means for a device: the device, whether it is the board's claim, the change.
fn effect(movement: &Movement) -> Vec<(&str, bool, Money)> {
    let mut effects = Vec::new();
    let amount = movement.amount;
    let stock = |place: &'_ Place| match place {
        Place::Tube(d, _)
        | Place::CashBox(d)
        | Place::Stacker(d)
        | Place::Recycler(d, _)
        | Place::Hopper(d)
        | Place::CardReceipts(d) => Some(d.clone()),
        _ => None,
    };
    // The opening fill is nobody's receipt.
    if movement.from == Place::Supply || movement.to == Place::Supply {
        return effects;
    }
    // Moves inside one device (tube to cash box) change nothing.
    if let (Some(a), Some(b)) = (stock(&movement.from), stock(&movement.to))
        && a == b
    {
        return effects;
    }
    for (place, change) in [(&movement.from, -amount), (&movement.to, amount)] {
        match place {
            Place::Tube(d, _)
            | Place::CashBox(d)
            | Place::Stacker(d)
            | Place::Recycler(d, _)
            | Place::Hopper(d)
            | Place::CardReceipts(d) => effects.push((d.as_str(), false, change)),
            // A receipt is taken from `BoardReceived`, a payment is given to `BoardPaid`.
            Place::BoardReceived(d) | Place::BoardPaid(d) => {
                effects.push((d.as_str(), true, -change));
            }
            _ => {}
        }
    }
    effects
}

impl Books {
    /// Empty books.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// From now on `device` has one account with `other`: a coin that `other` takes falls into it,
    /// or it says on another link what `other` took.
    pub fn join(&mut self, device: &str, other: &str) {
        self.joined.insert(device.to_owned(), other.to_owned());
    }

    /// The device whose account holds what `device` took: through one bridge or several.
    #[must_use]
    pub fn account_of<'a>(&'a self, device: &'a str) -> &'a str {
        let mut name = device;
        // No longer than there are links, so that a circle ends.
        for _ in 0..self.joined.len() {
            match self.joined.get(name) {
                Some(other) => name = other,
                None => break,
            }
        }
        name
    }

    /// Money that a device took, less what it gave.
    #[must_use]
    pub fn real(&self, device: &str) -> Money {
        let account = self.accounts.get(self.account_of(device));
        account.map(|a| a.real).unwrap_or_default()
    }

    /// What a board's claim means for a device that is outside, where nobody sees its money: the
    /// money it says it moved, from or to the customer. `place` is where such a device puts money.
    pub fn as_reported(claim: &Movement, place: impl Fn(&str) -> Option<Place>) -> Vec<Movement> {
        let claims = effect(claim).into_iter().filter(|(_, claim, _)| *claim);
        let movement = |(device, _, change): (&str, bool, Money)| {
            let place = place(device)?;
            let (from, to) = match change > Money::ZERO {
                true => (Place::Customer, place),
                false => (place, Place::Customer),
            };
            let amount = Money(change.as_minor().saturating_abs());
            let why = format!("as it reported: {device} is outside, and its money is not seen");
            Some(Movement {
                from,
                to,
                amount,
                why,
            })
        };
        claims.filter_map(movement).collect()
    }

    /// Books a movement.
    ///
    /// # Errors
    /// See [`Ledger::book`].
    pub fn book(
        &mut self,
        at: Micros,
        word_at: Option<Micros>,
        movement: Movement,
    ) -> Result<LedgerEntry, LedgerError> {
        self.ledger.book(at, word_at, movement.clone())?;
        for (device, claim, change) in effect(&movement) {
            let name = self.account_of(device).to_owned();
            let account = self.accounts.entry(name).or_default();
            let side = if claim {
                &mut account.claimed
            } else {
                &mut account.real
            };
            *side = side.saturating_add(change);
            account.differ_since = match account.real == account.claimed {
                true => None,
                false => account.differ_since.or(Some(at)),
            };
        }
        Ok(LedgerEntry {
            at,
            movement,
            word_at,
        })
    }

    /// The ledger.
    #[must_use]
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// Devices whose money and whose board disagree.
    #[must_use]
    pub fn discrepancies(&self) -> Vec<Discrepancy> {
        let mut all: Vec<Discrepancy> = Vec::new();
        let doubts = self.doubts();
        let doubted = doubts.keys().filter(|d| !self.accounts.contains_key(*d));
        let none = Account::default();
        let accounts = self.accounts.iter().chain(doubted.map(|d| (d, &none)));
        for (device, account) in accounts {
            let (doubt, doubt_since) = doubts.get(device).copied().unwrap_or_default();
            // What was paid beyond the board's claim may be what it holds to be in doubt.
            let paid = account.claimed.saturating_sub(account.real);
            let paid = paid.clamp(Money::ZERO, doubt.max(Money::ZERO));
            let claimed = account.claimed.saturating_sub(paid);
            let in_doubt = doubt.saturating_sub(paid);
            if account.real == claimed && in_doubt.is_zero() {
                continue;
            }
            all.push(Discrepancy {
                device: device.clone(),
                since: account.differ_since.unwrap_or(doubt_since),
                real: account.real,
                claimed,
                in_doubt,
                at_rest: Money::ZERO,
            });
        }
        let overpaid = self.ledger.balance(&Place::BoardOverpaid);
        if !overpaid.is_zero() {
            let entries = self.ledger.entries().iter();
            let first = entries
                .filter(|e| e.movement.from == Place::BoardOverpaid)
                .map(|e| e.at)
                .next();
            all.push(Discrepancy {
                device: "the board, beyond what was owed".to_owned(),
                since: first.unwrap_or_default(),
                real: overpaid,
                claimed: Money::ZERO,
                in_doubt: Money::ZERO,
                at_rest: Money::ZERO,
            });
        }
        all
    }

    /// At the end: what is left where money only passes through, which is a device's escrow with the
    /// path to it, and nobody owes. `is_known` says whether the board knows of money in the escrow of
    /// this device: it then owes the customer a decision, and that is no difference.
    #[must_use]
    pub fn at_rest(&self, is_known: impl Fn(&str) -> bool) -> Vec<Discrepancy> {
        let held = self.ledger.balances().filter_map(|(place, amount)| {
            let Place::Escrow(device) = place else {
                return None;
            };
            if amount.is_zero() || is_known(device) {
                return None;
            }
            let mut entries = self.ledger.entries().iter().rev();
            let last = entries.find(|e| e.movement.to == *place);
            Some(Discrepancy {
                device: device.clone(),
                since: last.map_or(Micros::ZERO, |e| e.at),
                real: amount,
                claimed: Money::ZERO,
                in_doubt: Money::ZERO,
                at_rest: amount,
            })
        });
        held.collect()
    }

    /// What the board holds to be in doubt, by account, and since when.
    fn doubts(&self) -> BTreeMap<String, (Money, Micros)> {
        let mut doubts: BTreeMap<String, (Money, Micros)> = BTreeMap::new();
        for (place, amount) in self.ledger.balances() {
            let Place::BoardDoubt(device) = place else {
                continue;
            };
            if amount.is_zero() {
                continue;
            }
            let entries = self.ledger.entries().iter();
            let since = entries.rev().find(|e| e.movement.to == *place);
            let of = doubts.entry(self.account_of(device).to_owned());
            let of = of.or_default();
            of.0 = of.0.saturating_add(amount);
            of.1 = of.1.max(since.map_or(Micros::ZERO, |e| e.at));
        }
        doubts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn book(books: &mut Books, at: u64, from: Place, to: Place, amount: i64) {
        let movement = Movement {
            from,
            to,
            amount: Money(amount),
            why: String::new(),
        };
        books.book(Micros(at), None, movement).unwrap();
    }

    fn changer() -> String {
        "changer".to_owned()
    }

    #[test]
    fn a_coin_taken_and_credited_agrees_and_change_too() {
        let mut books = Books::new();
        book(&mut books, 1, Place::Supply, Place::Tube(changer(), 0), 500);
        book(
            &mut books,
            2,
            Place::Customer,
            Place::Tube(changer(), 0),
            25,
        );
        assert_eq!(books.discrepancies().len(), 1, "until the board is told");
        book(
            &mut books,
            3,
            Place::BoardReceived(changer()),
            Place::BoardCredit,
            25,
        );
        assert!(books.discrepancies().is_empty());
        book(
            &mut books,
            4,
            Place::Tube(changer(), 0),
            Place::Customer,
            10,
        );
        book(
            &mut books,
            5,
            Place::BoardCredit,
            Place::BoardPaid(changer()),
            10,
        );
        assert!(books.discrepancies().is_empty());
        assert_eq!(books.ledger().sum(), 0);
    }

    #[test]
    fn what_is_in_doubt_is_a_difference_only_where_it_was_not_paid() {
        let card = || "card".to_owned();
        let receipts = || Place::CardReceipts(card());
        let account = || Place::CardAccount(card());
        let told = |books: &Books| -> Vec<String> {
            let all = books.discrepancies();
            all.iter().map(|d| d.text(Decimals(2))).collect()
        };
        for on_card in [0, 40, 100, 130] {
            let mut books = Books::new();
            book(
                &mut books,
                7,
                Place::BoardCredit,
                Place::BoardDoubt(card()),
                100,
            );
            if on_card > 0 {
                book(&mut books, 8, receipts(), account(), on_card);
            }
            let told = told(&books);
            match on_card {
                0 => {
                    assert!(told[0].starts_with("card: 1.00 is in doubt"), "{told:?}");
                    assert_eq!(books.discrepancies()[0].since, Micros(7));
                }
                40 => assert!(told[0].starts_with("card: 0.60 is in doubt"), "{told:?}"),
                100 => assert_eq!(told, Vec::<String>::new()),
                _ => assert!(
                    told[0].contains("0.30 of difference, the owner"),
                    "{told:?}"
                ),
            }
            // The board is told after all.
            book(
                &mut books,
                9,
                Place::BoardDoubt(card()),
                Place::BoardCredit,
                100,
            );
            assert_eq!(books.discrepancies().is_empty(), on_card == 0);
        }
    }

    #[test]
    fn what_an_outside_device_reported_is_booked_as_what_it_moved() {
        let claim = |from, to| Movement {
            from,
            to,
            amount: Money(25),
            why: String::new(),
        };
        let place = |d: &str| (d == "changer").then(|| Place::CashBox(d.to_owned()));
        let received = claim(Place::BoardReceived(changer()), Place::BoardCredit);
        let [came] = Books::as_reported(&received, place).try_into().unwrap();
        assert_eq!((&came.from, came.amount), (&Place::Customer, Money(25)));
        let paid = claim(Place::BoardCredit, Place::BoardPaid(changer()));
        let [went] = Books::as_reported(&paid, place).try_into().unwrap();
        assert_eq!((&went.to, went.amount), (&Place::Customer, Money(25)));
        let other = claim(Place::BoardReceived("bill".into()), Place::BoardCredit);
        assert!(Books::as_reported(&other, place).is_empty());
    }

    #[test]
    fn accounts_are_joined_through_several_bridges_and_a_circle_ends() {
        let mut books = Books::new();
        for (one, other) in [("b", "a"), ("c", "b"), ("x", "y"), ("y", "x")] {
            books.join(one, other);
        }
        assert_eq!(books.account_of("c"), "a");
        assert!(["x", "y"].contains(&books.account_of("x")));
    }

    #[test]
    fn what_is_at_rest_in_escrow_and_owed_by_nobody_is_a_difference() {
        let (bill, other) = (|| "bill".to_owned(), || "other".to_owned());
        let mut books = Books::new();
        book(&mut books, 3, Place::Customer, Place::Escrow(bill()), 500);
        book(&mut books, 4, Place::Customer, Place::Escrow(other()), 100);
        assert!(books.discrepancies().is_empty(), "nobody took it yet");
        let found = books.at_rest(|device| device == "other");
        assert_eq!((found.len(), found[0].since), (1, Micros(3)));
        assert_eq!(
            found[0].text(Decimals(2)),
            "bill: 5.00 is in its escrow, and the board knows nothing of it: the customer lost it"
        );
        book(&mut books, 5, Place::Escrow(bill()), Place::Customer, 500);
        assert!(books.at_rest(|device| device == "other").is_empty());
    }

    #[test]
    fn a_double_credit_and_a_lost_dollar_are_told_apart_and_dated() {
        let mut books = Books::new();
        book(
            &mut books,
            1,
            Place::Customer,
            Place::Stacker("bill".into()),
            100,
        );
        book(
            &mut books,
            2,
            Place::BoardReceived("bill".into()),
            Place::BoardCredit,
            100,
        );
        book(
            &mut books,
            3,
            Place::BoardReceived("bill".into()),
            Place::BoardCredit,
            100,
        );
        book(
            &mut books,
            7,
            Place::Customer,
            Place::CashBox(changer()),
            25,
        );
        let found = books.discrepancies();
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].since, Micros(3));
        assert!(
            found[0]
                .text(Decimals(2))
                .contains("1.00 was credited that never came in")
        );
        assert_eq!(found[1].since, Micros(7));
        assert!(
            found[1]
                .text(Decimals(2))
                .contains("0.25 was taken and never credited")
        );
    }
}
