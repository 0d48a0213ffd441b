//! Which change may be asked for: every credit a customer can reach, at every price.

use crate::{Acceptance, Guard, Machine, Piece, Reach};
use payrig_units::Money;
use std::collections::BTreeMap;

/// A credit, a price, and the change that is then due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Need {
    /// What was put in.
    pub credit: Money,
    /// What was bought for; zero when everything is given back.
    pub price: Money,
    /// What is due: `credit` less `price`.
    pub change: Money,
    /// True when a board that looks first never has this credit with the coins there are: what would
    /// lead to it is refused or held off, and nobody loses money.
    pub kept_out: bool,
}

/// Sums of any number of these pieces, up to `largest`.
fn sums(pieces: &[Piece], unit: Money, largest: Money) -> Reach {
    let mut reach = Reach::nothing(unit, largest);
    for piece in pieces {
        let fit = largest.as_minor() / piece.value.as_minor().max(1);
        reach.add(piece.value, u32::try_from(fit).unwrap_or(u32::MAX));
    }
    reach
}

/// Credits by steps of the machine's unit: which of them the board lets come about.
struct Credits<'a> {
    machine: &'a Machine,
    acceptance: Acceptance<'a>,
    step: i64,
    largest: Money,
}

impl Credits<'_> {
    /// Those that a customer with these pieces brings about, each piece taken as the board takes it.
    /// Where `trusting`, every piece is: coins that fall into tubes on the way may make it welcome.
    fn of(&self, pieces: &[Piece], trusting: bool) -> Vec<bool> {
        let steps = usize::try_from(self.largest.as_minor() / self.step).unwrap_or(0);
        let lines = self.machine.lines.len();
        let mut there = vec![false; steps + 1];
        if let Some(nothing) = there.first_mut() {
            *nothing = true;
        }
        for at in 0..=steps {
            if !there.get(at).copied().unwrap_or_default() {
                continue;
            }
            let credit = Money(i64::try_from(at).unwrap_or(0).saturating_mul(self.step));
            let open: Vec<bool> = (0..lines)
                .map(|line| trusting || self.acceptance.is_open(credit, line))
                .collect();
            for piece in pieces {
                let taken = match piece.guard {
                    Guard::Line(line) => open.get(line).copied().unwrap_or_default(),
                    Guard::Alone if trusting => true,
                    _ => self.acceptance.takes(credit, piece),
                };
                let more = usize::try_from(piece.value.as_minor() / self.step);
                let to = more.ok().and_then(|more| at.checked_add(more));
                if let Some(to) = to.filter(|_| taken).and_then(|to| there.get_mut(to)) {
                    *to = true;
                }
            }
        }
        there
    }

    fn has(&self, there: &[bool], credit: Money) -> bool {
        let at = usize::try_from(credit.as_minor() / self.step);
        at.is_ok_and(|at| there.get(at).copied().unwrap_or_default())
    }

    /// True when one of these pieces that is taken on sight is the last to a credit.
    fn ends_on_sight(&self, there: &[bool], credit: Money, pieces: &[Piece]) -> bool {
        let mut sight = pieces.iter().filter(|p| p.guard == Guard::OnSight);
        sight.any(|piece| {
            let before = credit.saturating_sub(piece.value);
            before >= Money::ZERO && self.has(there, before) && self.acceptance.takes(before, piece)
        })
    }
}

/// Every need, in order of credit, then price. Two kinds of customers are thought of:
///
/// - One pays with any coins and bills and stops as soon as the price is covered. Every piece put
///   in is then worth more than the change, so none of them can serve as change: the tubes must
///   pay it as they are.
/// - One puts in bills and coins that land in no tube or store, up to `max_credit`, before choosing.
#[must_use]
pub fn needs(machine: &Machine, max_credit: Money) -> Vec<Need> {
    let unit = machine.unit();
    let mut found: BTreeMap<(Money, Money), bool> = BTreeMap::new();
    let mut add = |credit: Money, price: Money, kept_out: bool| {
        let all = found.entry((credit, price)).or_insert(true);
        *all = *all && kept_out;
    };
    let dearest = machine.prices.iter().max().copied().unwrap_or_default();
    let largest = dearest.saturating_add(machine.largest_piece());
    let looked_at = machine.lines.iter().flat_map(|l| &l.opens).max().copied();
    let looked_at = looked_at.unwrap_or_default().max(machine.largest_piece());
    let most = max_credit.max(largest).saturating_add(looked_at);
    let counts = machine.counts();
    let credits_up_to = |largest: Money| Credits {
        machine,
        acceptance: Acceptance::of(machine, &counts, most),
        step: unit.as_minor(),
        largest,
    };

    // The customer who puts in first and chooses then.
    let no_tube = |p: &&Piece| !p.to_tube;
    let blind: Vec<Piece> = machine.pieces.iter().filter(no_tube).copied().collect();
    let all = sums(&blind, unit, max_credit);
    let credits = credits_up_to(max_credit);
    let there = credits.of(&blind, false);
    let step = unit.as_minor();
    for credit in (1..=max_credit.as_minor() / step).map(|n| Money(n * step)) {
        if !all.pays(credit) {
            continue;
        }
        let kept_out = !credits.has(&there, credit);
        let mut bought = false;
        for price in machine.prices.iter().filter(|p| **p <= credit) {
            add(credit, *price, kept_out);
            bought = true;
        }
        if !bought {
            add(credit, Money::ZERO, kept_out);
        }
    }

    // The customer who stops in time: all pieces are worth more than the change.
    let mut thresholds: Vec<Money> = machine.pieces.iter().map(|p| p.value).collect();
    thresholds.sort_unstable();
    thresholds.dedup();
    let credits = credits_up_to(largest);
    let mut below = Money::ZERO;
    for threshold in thresholds {
        // Change from `below` up to, but not, `threshold`: pieces worth at least `threshold`.
        let big = |p: &&Piece| p.value >= threshold;
        let pieces: Vec<Piece> = machine.pieces.iter().filter(big).copied().collect();
        let all = sums(&pieces, unit, largest);
        // A piece that the board looks at last is kept out where this change cannot be paid: no coin put
        // in helps with it. What came before it may have been welcome for such coins.
        let there = credits.of(&pieces, pieces.iter().any(|p| p.to_tube));
        for price in machine.prices.iter().filter(|p| **p > Money::ZERO) {
            let mut change = below.as_minor();
            while change < threshold.as_minor() {
                let credit = price.saturating_add(Money(change));
                if all.pays(credit) {
                    let fails = !credits.acceptance.pays(Money(change));
                    let kept_out = match fails {
                        true => !credits.ends_on_sight(&there, credit, &pieces),
                        false => !credits.has(&there, credit),
                    };
                    add(credit, *price, kept_out);
                }
                change += step;
            }
        }
        below = threshold;
    }

    let need = |((credit, price), kept_out): ((Money, Money), bool)| Need {
        credit,
        price,
        change: credit.saturating_sub(price),
        kept_out,
    };
    found.into_iter().map(need).collect()
}
