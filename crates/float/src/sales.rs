//! Sales in a row: how long a fill lasts when the board pays each change with the fewest coins, and
//! whether another way would have lasted.

use crate::{Machine, make_change};
use payrig_units::Money;
use std::collections::{BTreeMap, BTreeSet};

/// Payouts tried, at most, before a question is given up.
const BUDGET: usize = 60_000;

/// How long a fill lasts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    /// So many sales in a row always go well, whichever changes are due and in whatever order.
    pub sales: u32,
    /// What goes wrong in the next one; `None` when as many were asked for, or when it is not known.
    pub failure: Option<RunFailure>,
    /// True when there were too many cases to go on.
    pub gave_up: bool,
}

/// Changes after which the tubes cannot pay the last.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunFailure {
    /// The changes due, in order; the last cannot be paid.
    pub changes: Vec<Money>,
    /// True when the same changes could all have been paid, with other coins than the fewest each
    /// time; `None` when that was too much to try.
    pub another_way: Option<bool>,
}

/// Pays changes out of `changes` in every order, `up_to` times in a row, with the fewest coins
/// each time as the board does, from so many coins per tube.
#[must_use]
pub fn run(machine: &Machine, counts: &[u32], changes: &[Money], up_to: u32) -> Run {
    let mut tried = 0usize;
    // Stocks after so many sales, each with one order of changes that leads to it.
    let mut layer: BTreeMap<Vec<u32>, Vec<Money>> = BTreeMap::new();
    layer.insert(counts.to_vec(), Vec::new());
    for sales in 0..up_to {
        let mut next: BTreeMap<Vec<u32>, Vec<Money>> = BTreeMap::new();
        let mut failed: Vec<Vec<Money>> = Vec::new();
        for (counts, before) in &layer {
            let stock = machine.stock_of(counts);
            for change in changes {
                tried += 1;
                if tried > BUDGET {
                    return Run {
                        sales,
                        failure: None,
                        gave_up: true,
                    };
                }
                let mut order = before.clone();
                order.push(*change);
                match make_change(*change, &stock) {
                    Some(coins) => {
                        let left = after(machine, counts, &coins);
                        next.entry(left).or_insert(order);
                    }
                    None => failed.push(order),
                }
            }
        }
        if !failed.is_empty() {
            return Run {
                sales,
                failure: worst(machine, counts, failed),
                gave_up: false,
            };
        }
        layer = next;
    }
    Run {
        sales: up_to,
        failure: None,
        gave_up: false,
    }
}

/// Of several failures the one that another way would have avoided, if there is one; else the first.
fn worst(machine: &Machine, counts: &[u32], failed: Vec<Vec<Money>>) -> Option<RunFailure> {
    let mut first = None;
    for changes in failed {
        let another_way = some_way(machine, counts, &changes).map(|way| way.is_some());
        let failure = RunFailure {
            changes,
            another_way,
        };
        if another_way == Some(true) {
            return Some(failure);
        }
        first = first.or(Some(failure));
    }
    first
}

fn after(machine: &Machine, counts: &[u32], coins: &[(u8, u32)]) -> Vec<u32> {
    let paid = |coin_type: u8| {
        let paid = coins.iter().filter(|(t, _)| *t == coin_type);
        paid.map(|(_, n)| *n).sum::<u32>()
    };
    let tubes = machine.tubes.iter().zip(counts);
    tubes
        .map(|(tube, count)| count.saturating_sub(paid(tube.coin_type)))
        .collect()
}

/// A way to pay all these changes from so many coins per tube: coins per tube for each change.
/// `Some(None)` when there is none; `None` when there were too many ways to try them all.
#[must_use]
pub fn some_way(
    machine: &Machine,
    counts: &[u32],
    changes: &[Money],
) -> Option<Option<Vec<Vec<u32>>>> {
    let mut order: Vec<usize> = (0..changes.len()).collect();
    // The largest first: it has the fewest ways that leave enough.
    order.sort_by_key(|i| std::cmp::Reverse(changes.get(*i).copied().unwrap_or_default()));
    let mut search = Search {
        values: machine.tubes.iter().map(|t| t.value.as_minor()).collect(),
        changes: order
            .iter()
            .map(|i| changes.get(*i).map_or(0, |m| m.as_minor()))
            .collect(),
        dead: BTreeSet::new(),
        budget: BUDGET * 4,
        taken: vec![vec![0; machine.tubes.len()]; changes.len()],
    };
    let mut left = counts.to_vec();
    let found = search.change(0, &mut left)?;
    if !found {
        return Some(None);
    }
    let mut ways = vec![Vec::new(); changes.len()];
    for (i, taken) in order.iter().zip(search.taken) {
        if let Some(way) = ways.get_mut(*i) {
            *way = taken;
        }
    }
    Some(Some(ways))
}

struct Search {
    values: Vec<i64>,
    changes: Vec<i64>,
    /// Which change, with which coins left, is known to have no way.
    dead: BTreeSet<(usize, Vec<u32>)>,
    budget: usize,
    taken: Vec<Vec<u32>>,
}

impl Search {
    /// Pays changes from `index` on; `None` when the budget is spent.
    fn change(&mut self, index: usize, left: &mut Vec<u32>) -> Option<bool> {
        let Some(amount) = self.changes.get(index).copied() else {
            return Some(true);
        };
        if self.dead.contains(&(index, left.clone())) {
            return Some(false);
        }
        if self.coins(index, 0, amount, left)? {
            return Some(true);
        }
        self.dead.insert((index, left.clone()));
        Some(false)
    }

    /// Pays what is left of one change with the tubes from `tube` on, in every way.
    fn coins(
        &mut self,
        index: usize,
        tube: usize,
        amount: i64,
        left: &mut Vec<u32>,
    ) -> Option<bool> {
        self.budget = self.budget.checked_sub(1)?;
        if amount == 0 {
            return self.change(index + 1, left);
        }
        let (Some(value), Some(have)) = (self.values.get(tube).copied(), left.get(tube).copied())
        else {
            return Some(false);
        };
        let most = u32::try_from(amount / value.max(1)).unwrap_or(0).min(have);
        for coins in (0..=most).rev() {
            self.set(index, tube, coins, have, left);
            let rest = amount - value * i64::from(coins);
            if self.coins(index, tube + 1, rest, left)? {
                return Some(true);
            }
        }
        self.set(index, tube, 0, have, left);
        Some(false)
    }

    fn set(&mut self, index: usize, tube: usize, coins: u32, have: u32, left: &mut [u32]) {
        if let Some(left) = left.get_mut(tube) {
            *left = have - coins;
        }
        let taken = self.taken.get_mut(index).and_then(|t| t.get_mut(tube));
        if let Some(taken) = taken {
            *taken = coins;
        }
    }
}
