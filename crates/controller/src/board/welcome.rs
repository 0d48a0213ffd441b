//! Which coins and bills are welcome now.

use super::Controller;
use super::slot::{BoardMeans, Peer, purse};
use crate::drivers::channel::Life;
use crate::shop::{Means, Purse};
use payrig_units::{Micros, Money};

/// The bills that can be changed, and what that was worked out from.
#[derive(Clone, Debug, Default)]
pub(super) struct Changeable {
    /// What can be paid, the credit, the bills there are, and whether change is given at all.
    basis: Option<(Purse, Money, Vec<Money>, bool)>,
    values: Vec<Money>,
}

impl Controller {
    /// Bills are welcome when whatever is then bought, the change can be paid; when some bill or
    /// other is not, the exact-change light is on.
    pub(super) fn update_welcome(&mut self, now: Micros) {
        self.update_inhibits(now);
        let means = BoardMeans(&self.slots, &self.hoppers);
        let gives_change = means.gives_change();
        let mut known: Vec<Money> = Vec::new();
        for slot in &self.slots {
            if let Peer::Bill(bill) = &slot.unit {
                known.extend(bill.values());
            }
        }
        known.sort_unstable();
        known.dedup();
        // What can be changed is only worked out anew when something it depends on has changed.
        let basis = (
            purse(&self.slots),
            self.vending.credit(),
            known,
            gives_change,
        );
        if self.changeable.basis.as_ref() != Some(&basis) || !self.hoppers.is_empty() {
            let known = basis.2.iter().copied();
            let changeable = known.filter(|v| self.vending.is_changeable(*v, &means));
            self.changeable.values = changeable.collect();
            self.changeable.basis = Some(basis);
        }
        let smallest = self
            .changeable
            .basis
            .as_ref()
            .and_then(|basis| basis.2.first());
        self.exact_change =
            gives_change && smallest.is_some_and(|s| !self.changeable.values.contains(s));
        let welcome = match self.in_service {
            true => Vec::new(),
            false => self.changeable.values.clone(),
        };
        let limit = self.config.changer.credit_limit;
        let coins = !self.in_service
            && !self.vending.has_token()
            && limit.is_none_or(|limit| self.vending.credit() < limit);
        for slot in &mut self.slots {
            match &mut slot.unit {
                Peer::Bill(bill) => bill.set_welcome(welcome.clone()),
                Peer::Changer(changer) => changer.set_welcome(coins),
                Peer::Cashless(_) => {}
            }
        }
    }

    /// An acceptor on pulse lines has one line that holds it off, for all it takes, and no escrow:
    /// it may take money when the board is set up, no sale is under way, and whatever it takes can
    /// be changed.
    fn update_inhibits(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        let set_up = self.slots.iter().all(|s| {
            // A peripheral that is looked for in vain is not waited for.
            matches!(s.channel.life(), Life::Running | Life::Resetting { .. })
        });
        let free = set_up && self.vending.is_idle() && !self.vending.in_session();
        let means = BoardMeans(&self.slots, &self.hoppers);
        let changes = means.gives_change();
        for input in &mut self.pulses {
            let vending = &self.vending;
            let changeable = |v: &Money| vending.is_changeable(*v, &means);
            let welcome = free && (!changes || input.values().iter().all(changeable));
            input.hold_off(now, !welcome);
        }
    }
}
