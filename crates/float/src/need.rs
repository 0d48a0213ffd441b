//! Which change may be asked for: every credit a customer can reach, at every price.

use crate::{Machine, Piece, Reach};
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
    /// True when only a piece the board can refuse leads to this credit: it gives that piece back
    /// when the change could not be paid, and nobody loses money.
    pub kept_out: bool,
}

/// The change due when this bill alone is put in, each amount once: one for each price it covers;
/// the whole bill where it covers none.
#[must_use]
pub fn changes_of(machine: &Machine, bill: Money) -> Vec<Money> {
    let covered = machine.prices.iter().filter(|price| **price <= bill);
    let mut changes: Vec<Money> = covered.map(|price| bill.saturating_sub(*price)).collect();
    if changes.is_empty() {
        changes.push(bill);
    }
    changes.sort_unstable();
    changes.dedup();
    changes
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

/// Every need, in order of credit, then price. Two kinds of customers are thought of:
///
/// - One pays with any coins and bills and stops as soon as the price is covered. Every piece put
///   in is then worth more than the change, so none of them can serve as change: the tubes must
///   pay it as they are.
/// - One puts in bills and coins that land in no tube, up to `max_credit`, before choosing.
#[must_use]
pub fn needs(machine: &Machine, max_credit: Money) -> Vec<Need> {
    let unit = machine.unit();
    let mut found: BTreeMap<(Money, Money), bool> = BTreeMap::new();
    let mut add = |credit: Money, price: Money, kept_out: bool| {
        let all = found.entry((credit, price)).or_insert(true);
        *all = *all && kept_out;
    };

    // The customer who puts in first and chooses then.
    let no_tube = |p: &&Piece| !p.to_tube;
    let blind: Vec<Piece> = machine.pieces.iter().filter(no_tube).copied().collect();
    let free: Vec<Piece> = blind.iter().filter(|p| !p.guarded).copied().collect();
    let (all, unguarded) = (
        sums(&blind, unit, max_credit),
        sums(&free, unit, max_credit),
    );
    let step = unit.as_minor();
    let credits = || (1..=max_credit.as_minor() / step).map(|n| Money(n * step));
    for credit in credits().filter(|c| all.pays(*c)) {
        let kept_out = !unguarded.pays(credit);
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
    let dearest = machine.prices.iter().max().copied().unwrap_or_default();
    let largest = dearest.saturating_add(machine.largest_piece());
    let mut below = Money::ZERO;
    for threshold in thresholds {
        // Change from `below` up to, but not, `threshold`: pieces worth at least `threshold`.
        let big = |p: &&Piece| p.value >= threshold;
        let pieces: Vec<Piece> = machine.pieces.iter().filter(big).copied().collect();
        let free: Vec<Piece> = pieces.iter().filter(|p| !p.guarded).copied().collect();
        let (all, unguarded) = (sums(&pieces, unit, largest), sums(&free, unit, largest));
        for price in machine.prices.iter().filter(|p| **p > Money::ZERO) {
            let mut change = below.as_minor();
            while change < threshold.as_minor() {
                let credit = price.saturating_add(Money(change));
                if all.pays(credit) {
                    add(credit, *price, !unguarded.pays(credit));
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
