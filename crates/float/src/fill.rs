//! The smallest fill: the fewest coins in the tubes that pay every change, several times in a row.

use crate::machine::MAX_STEPS;
use crate::{Machine, Reach, run};
use payrig_units::Money;

/// Fills looked at, at most.
const BUDGET: usize = 3_000_000;
/// Fills played through sale by sale, at most.
const PLAYED: usize = 400;

/// The answer to: which fill is the smallest?
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FillAnswer {
    /// This one, coins per tube; of several with as few coins, one worth the least.
    Fill(Vec<u32>),
    /// None: even full tubes could not pay this amount (the sum of changes due in a row).
    Impossible(Money),
    /// There were too many fills to try them all. This one was tried and lasts, and with a coin
    /// less in any one tube it would not; another might do with fewer coins in all.
    Enough(Vec<u32>),
    /// There were too many cases to find one that lasts.
    GaveUp,
}

/// The fewest coins, on top of `base` coins per tube, with which `sales` sales in a row go well,
/// whichever of `changes` is due each time and in whatever order, the board paying each with the
/// fewest coins.
#[must_use]
pub fn smallest_fill(machine: &Machine, base: &[u32], changes: &[Money], sales: u32) -> FillAnswer {
    let unit = machine.unit();
    let most_change = changes.iter().max().copied().unwrap_or_default();
    let Some(due) = most_change
        .checked_mul(i64::from(sales))
        .filter(|due| due.as_minor() / unit.as_minor() <= 4 * MAX_STEPS)
    else {
        return FillAnswer::GaveUp;
    };
    if let Some(odd) = changes.iter().find(|c| c.as_minor() % unit.as_minor() != 0) {
        return FillAnswer::Impossible(*odd);
    }
    // Whoever can pay all changes of all orders can pay the sum of each.
    let mut sums = Reach::nothing(unit, due);
    for _ in 0..sales {
        sums = sums.plus_any(changes);
    }
    // Tubes from the smallest coin to the largest.
    let mut order: Vec<usize> = (0..machine.tubes.len()).collect();
    order.sort_by_key(|i| machine.tubes.get(*i).map(|t| t.value));
    let room = |i: usize| {
        let (tube, have) = (machine.tubes.get(i), base.get(i).copied().unwrap_or(0));
        tube.map_or(0, |t| t.capacity.saturating_sub(have))
    };
    let value = |i: usize| machine.tubes.get(i).map_or(0, |t| t.value.as_minor());
    let full: Vec<u32> = (0..machine.tubes.len())
        .map(|i| base.get(i).copied().unwrap_or(0) + room(i))
        .collect();
    let reach = Reach::of(&machine.stock_of(&full), unit, due);
    if !reach.pays_all(&sums) {
        let step = unit.as_minor();
        let missing = (0..=due.as_minor() / step)
            .map(|n| Money(n * step))
            .find(|m| sums.pays(*m) && !reach.pays(*m));
        return FillAnswer::Impossible(missing.unwrap_or(due));
    }
    let start = Reach::of(&machine.stock_of(base), unit, due);
    let mut search = Search {
        machine,
        changes,
        sales,
        sums,
        due: due.as_minor(),
        tubes: order.iter().map(|i| (*i, value(*i), room(*i))).collect(),
        added: vec![0; machine.tubes.len()],
        base,
        best: None,
        budget: BUDGET,
        played: PLAYED,
    };
    let room_left: u32 = order.iter().map(|i| room(*i)).sum();
    let have = machine.worth(base).as_minor();
    for coins in 0..=room_left {
        if search.tube(0, coins, have, &start).is_none() {
            return match search.best.take() {
                // Nothing smaller was left untried but the value: the count of coins is the least.
                Some((_, fill)) => FillAnswer::Fill(fill),
                None => search.descend(full),
            };
        }
        if let Some((_, fill)) = search.best {
            return FillAnswer::Fill(fill);
        }
    }
    FillAnswer::GaveUp
}

/// Fills played through on the way down from full tubes, at most.
const STEPS_DOWN: usize = 600;

struct Search<'a> {
    machine: &'a Machine,
    changes: &'a [Money],
    sales: u32,
    sums: Reach,
    due: i64,
    /// Index, value and room of each tube, smallest coin first.
    tubes: Vec<(usize, i64, u32)>,
    added: Vec<u32>,
    base: &'a [u32],
    best: Option<(Money, Vec<u32>)>,
    budget: usize,
    played: usize,
}

impl Search<'_> {
    /// Shares `coins` out over the tubes from `depth` on, in every way; `worth` and `reach` are
    /// those of what is in so far. `None` when the budget is spent.
    fn tube(&mut self, depth: usize, coins: u32, worth: i64, reach: &Reach) -> Option<()> {
        self.budget = self.budget.checked_sub(1)?;
        let Some((index, value, room)) = self.tubes.get(depth).copied() else {
            return if coins == 0 && reach.pays_all(&self.sums) {
                self.play()
            } else {
                Some(())
            };
        };
        let later = self.tubes.get(depth + 1..).unwrap_or_default();
        let later_room: u32 = later.iter().map(|(_, _, room)| *room).sum();
        let dearest = later.last().map_or(value, |(_, value, _)| *value);
        let mut reach = reach.clone();
        let least = coins.saturating_sub(later_room);
        if least > room {
            return Some(());
        }
        reach.add(Money(value), least);
        for here in least..=room.min(coins) {
            if here > least {
                reach.add(Money(value), 1);
            }
            let worth = worth + value * i64::from(here);
            // Even with the largest coins for the rest it would be worth too little; more of this
            // smaller coin only makes it less.
            if worth + dearest * i64::from(coins - here) < self.due {
                break;
            }
            if let Some(added) = self.added.get_mut(index) {
                *added = here;
            }
            self.tube(depth + 1, coins - here, worth, &reach)?;
        }
        if let Some(added) = self.added.get_mut(index) {
            *added = 0;
        }
        Some(())
    }

    /// From full tubes down as long as it lasts, tube by tube: the smallest coin first, of which a
    /// change takes most; until no tube can do with a coin less.
    fn descend(&self, full: Vec<u32>) -> FillAnswer {
        let lasts = |counts: &[u32]| {
            let reach = Reach::of(
                &self.machine.stock_of(counts),
                self.machine.unit(),
                Money(self.due),
            );
            let run = || run(self.machine, counts, self.changes, self.sales);
            reach.pays_all(&self.sums) && run().sales >= self.sales
        };
        if !lasts(&full) {
            return FillAnswer::GaveUp;
        }
        let mut counts = full;
        let mut left = STEPS_DOWN;
        loop {
            let before = counts.clone();
            for (index, _, _) in &self.tubes {
                let mut step = counts.get(*index).map_or(0, |n| n.next_power_of_two());
                while step > 0 {
                    let base = self.base.get(*index).copied().unwrap_or(0);
                    let mut fewer = counts.clone();
                    let Some(count) = fewer.get_mut(*index).filter(|n| **n >= base + step) else {
                        step /= 2;
                        continue;
                    };
                    *count -= step;
                    let Some(still) = left.checked_sub(1) else {
                        return FillAnswer::GaveUp;
                    };
                    left = still;
                    if lasts(&fewer) {
                        counts = fewer;
                    } else {
                        step /= 2;
                    }
                }
            }
            if counts == before {
                break;
            }
        }
        FillAnswer::Enough(counts)
    }

    fn play(&mut self) -> Option<()> {
        let with_base = |(i, added): (usize, &u32)| self.base.get(i).copied().unwrap_or(0) + added;
        let counts: Vec<u32> = self.added.iter().enumerate().map(with_base).collect();
        let worth = self.machine.worth(&counts);
        if self.best.as_ref().is_some_and(|(best, _)| *best <= worth) {
            return Some(());
        }
        self.played = self.played.checked_sub(1)?;
        let run = run(self.machine, &counts, self.changes, self.sales);
        if run.gave_up {
            return None;
        }
        if run.sales >= self.sales {
            self.best = Some((worth, counts));
        }
        Some(())
    }
}
