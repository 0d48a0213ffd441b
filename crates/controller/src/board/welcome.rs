//! Which coins and bills are welcome now.

use super::Controller;
use super::slot::{BoardMeans, Peer, Slot, has_changer, purse};
use crate::change::Payable;
use crate::drivers::channel::Life;
use crate::drivers::hopper::Hopper;
use crate::drivers::report::Reader;
use crate::drivers::{bill, changer};
use crate::shop::{Means, Vending};
use payrig_units::{Micros, Money};

/// One part of what decides which bills and coins can be changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Basis {
    /// The changer is polled; what it can pay.
    Coins(bool, changer::StockBasis),
    /// The validator is polled; what it can pay.
    Bills(bool, bill::StockBasis),
    /// What a hopper can pay: the worth of a coin, and how many there are.
    Hopper(Money, u32),
    /// The credit, how often prices were set, and whether change is given at all.
    Shop(Money, u32, bool),
}

/// What can be changed, and what that was worked out from.
///
/// It is asked for at every report, and what it depends on changes with a coin or a sale: nothing is
/// worked out anew, and nothing allocated, while the basis is the same.
#[derive(Clone, Debug, Default)]
pub(super) struct Changeable {
    basis: Vec<Basis>,
    /// The bills that can be changed.
    bills: Vec<Money>,
    /// Not even the smallest bill can be changed.
    exact_change: bool,
    /// Whatever the acceptor on pulse lines may bring in can be changed; one for each.
    pulses: Vec<bool>,
}

fn basis<'a>(
    slots: &'a [Slot],
    hoppers: &'a [Hopper],
    vending: &Vending,
    gives_change: bool,
) -> impl Iterator<Item = Basis> + 'a {
    let (credit, prices) = vending.change_basis();
    let slots = slots.iter().filter_map(|slot| {
        let running = slot.channel.life() == Life::Running;
        match &slot.unit {
            Peer::Changer(changer) => Some(Basis::Coins(running, changer.stock_basis())),
            Peer::Bill(bill) => Some(Basis::Bills(running, bill.stock_basis())),
            Peer::Cashless(_) => None,
        }
    });
    let hoppers = hoppers.iter().map(|hopper| {
        let (coin, coins) = hopper.stock_basis();
        Basis::Hopper(coin, coins)
    });
    let shop = Basis::Shop(credit, prices, gives_change);
    slots.chain(hoppers).chain([shop])
}

/// The board's means, with the sums that can be paid in coins and bills worked out once.
struct Sums<'a> {
    means: BoardMeans<'a>,
    payable: Payable,
}

impl Means for Sums<'_> {
    fn can_pay(&self, amount: Money) -> bool {
        let BoardMeans(slots, hoppers) = self.means;
        match self.payable.can_pay(amount) {
            Some(true) => true,
            Some(false) => !has_changer(slots) && hoppers.iter().any(|h| h.can_pay(amount)),
            None => self.means.can_pay(amount),
        }
    }

    fn gives_change(&self) -> bool {
        self.means.gives_change()
    }

    fn readers(&self) -> Vec<Reader> {
        self.means.readers()
    }
}

impl Controller {
    /// Bills are welcome when whatever is then bought, the change can be paid; when some bill or
    /// other is not, the exact-change light is on.
    pub(super) fn update_welcome(&mut self, now: Micros) {
        self.update_changeable();
        self.update_inhibits(now);
        self.exact_change = self.changeable.exact_change;
        let bills: &[Money] = match self.in_service {
            true => &[],
            false => &self.changeable.bills,
        };
        let limit = self.config.changer.credit_limit;
        let coins = !self.in_service
            && !self.vending.has_token()
            && limit.is_none_or(|limit| self.vending.credit() < limit);
        for slot in &mut self.slots {
            match &mut slot.unit {
                Peer::Bill(bill) => bill.set_welcome(bills),
                Peer::Changer(changer) => changer.set_welcome(coins),
                Peer::Cashless(_) => {}
            }
        }
    }

    /// Works out anew what can be changed, when something it depends on has changed.
    fn update_changeable(&mut self) {
        let means = BoardMeans(&self.slots, &self.hoppers);
        let gives_change = means.gives_change();
        let basis = || basis(&self.slots, &self.hoppers, &self.vending, gives_change);
        if basis().eq(self.changeable.basis.iter().copied()) {
            return;
        }
        let mut known: Vec<Money> = Vec::new();
        for slot in &self.slots {
            if let Peer::Bill(bill) = &slot.unit {
                known.extend(bill.values());
            }
        }
        known.sort_unstable();
        known.dedup();
        let pulses = self.pulses.iter().flat_map(|p| p.values());
        let most = known.iter().chain(pulses).max().copied();
        let most = most
            .unwrap_or_default()
            .saturating_add(self.vending.credit());
        let means = Sums {
            payable: Payable::new(&purse(&self.slots).all(), most),
            means,
        };
        let changeable = |value: &Money| self.vending.is_changeable(*value, &means);
        let smallest = known.first();
        self.changeable = Changeable {
            exact_change: gives_change && smallest.is_some_and(|s| !changeable(s)),
            pulses: self
                .pulses
                .iter()
                .map(|p| p.values().iter().all(changeable))
                .collect(),
            bills: known.iter().copied().filter(changeable).collect(),
            basis: basis().collect(),
        };
    }

    /// An acceptor on pulse lines has one line that holds it off, for all it takes, and no escrow:
    /// it may take money when the board is set up, no sale is under way, and whatever it takes can
    /// be changed.
    fn update_inhibits(&mut self, now: Micros) {
        if !self.powered || self.pulses.is_empty() {
            return;
        }
        let set_up = self.slots.iter().all(|s| {
            // A peripheral that is looked for in vain is not waited for.
            matches!(s.channel.life(), Life::Running | Life::Resetting { .. })
        });
        let free = set_up && self.vending.is_idle() && !self.vending.in_session();
        for (input, changeable) in self.pulses.iter_mut().zip(&self.changeable.pulses) {
            input.hold_off(now, !(free && *changeable));
        }
    }
}
