//! Making change from a bounded stock of coins, exactly.
//!
//! Taking the largest coin first fails where another way exists (60 from one 50, three 20s). This
//! module finds the fewest coins that make an amount, or says that no way does.

use payrig_units::Money;

/// A stock of one coin type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stock {
    /// The coin type (0-15).
    pub coin_type: u8,
    /// Value of one coin.
    pub value: Money,
    /// How many there are.
    pub count: u32,
}

/// Coins to pay, by type.
pub type Coins = Vec<(u8, u32)>;

/// The largest amount, in steps of the coins' common divisor, that is looked at: keeps a wrong
/// configuration, or a peripheral that speaks of fortunes, from taking all memory and time.
const MAX_STEPS: usize = 1 << 17;

/// The fewest coins out of `stock` that make exactly `amount`; `None` when no set of them does.
///
/// ```
/// use payrig_controller::{Stock, make_change};
/// use payrig_units::Money;
///
/// let coins = |coin_type, value, count| Stock { coin_type, value: Money(value), count };
/// let stock = [coins(0, 20, 5), coins(1, 50, 5)];
/// // Not the 50 first: 60 is three 20s.
/// assert_eq!(make_change(Money(60), &stock), Some(vec![(0, 3)]));
/// assert_eq!(make_change(Money(30), &stock), None);
/// ```
///
/// Exact, by dynamic programming over the amount; ties prefer larger coins. Amounts of more than
/// 131 072 steps of the coins' common divisor are answered `None`.
#[must_use]
pub fn make_change(amount: Money, stock: &[Stock]) -> Option<Coins> {
    let amount = u64::try_from(amount.as_minor()).ok()?;
    if amount == 0 {
        return Some(Vec::new());
    }
    let mut usable: Vec<(u8, u64, u32)> = stock
        .iter()
        .filter_map(|s| {
            Some((
                s.coin_type,
                u64::try_from(s.value.as_minor()).ok()?,
                s.count,
            ))
        })
        .filter(|(_, value, count)| *value > 0 && *value <= amount && *count > 0)
        .collect();
    let all = usable
        .iter()
        .map(|(_, value, count)| value.saturating_mul(u64::from(*count)))
        .fold(0, u64::saturating_add);
    if all < amount {
        return None;
    }
    usable.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    let unit = usable.iter().fold(0, |g, (_, v, _)| gcd(g, *v));
    if unit == 0 || amount % unit != 0 {
        return None;
    }
    let target = usize::try_from(amount / unit)
        .ok()
        .filter(|t| *t <= MAX_STEPS)?;
    // After coin i: least[s] is the fewest coins of types 0..=i that make s; used[i][s] how many
    // of type i that way takes.
    const NO_WAY: u32 = u32::MAX;
    let mut least = vec![NO_WAY; target + 1];
    if let Some(zero) = least.first_mut() {
        *zero = 0;
    }
    let mut used: Vec<Vec<u32>> = Vec::with_capacity(usable.len());
    for (_, value, count) in &usable {
        let step = usize::try_from(value / unit).ok()?;
        let mut next = least.clone();
        let mut taken = vec![0u32; target + 1];
        // For each residue, slide over s, s-step, s-2*step...: the least of `least[s - k*step] + k`
        // for k up to `count`, with a monotone queue of (index, least - index).
        for residue in 0..step.min(target + 1) {
            let mut window: std::collections::VecDeque<(usize, i64)> = Default::default();
            let mut index = 0usize;
            let mut sum = residue;
            while sum <= target {
                if let Some(&n) = least.get(sum).filter(|n| **n != NO_WAY) {
                    let key = i64::from(n) - index as i64;
                    while window.back().is_some_and(|(_, k)| *k > key) {
                        window.pop_back();
                    }
                    window.push_back((index, key));
                }
                while window
                    .front()
                    .is_some_and(|(i, _)| index - i > *count as usize)
                {
                    window.pop_front();
                }
                if let (Some((i, key)), Some(n), Some(t)) =
                    (window.front(), next.get_mut(sum), taken.get_mut(sum))
                {
                    *n = u32::try_from(key + index as i64).unwrap_or(NO_WAY);
                    *t = (index - i) as u32;
                }
                index += 1;
                sum += step;
            }
        }
        least = next;
        used.push(taken);
    }
    if least.last() == Some(&NO_WAY) {
        return None;
    }
    let mut coins = Vec::new();
    let mut left = target;
    for ((coin_type, value, _), taken) in usable.iter().zip(&used).rev() {
        let n = taken.get(left).copied().unwrap_or(0);
        if n > 0 {
            coins.push((*coin_type, n));
            left -= n as usize * usize::try_from(value / unit).unwrap_or(0);
        }
    }
    coins.reverse();
    Some(coins)
}

/// Which amounts a stock can pay exactly, worked out once for all amounts up to the largest asked for.
#[derive(Clone, Debug)]
pub(crate) struct Payable {
    /// The coins' common divisor; 0 where there are no coins.
    unit: u64,
    most: u64,
    /// By amounts in units; empty where they are too many to work out.
    sums: Vec<bool>,
}

impl Payable {
    /// All amounts up to `most` that `stock` pays.
    pub(crate) fn new(stock: &[Stock], most: Money) -> Self {
        let most = u64::try_from(most.as_minor()).unwrap_or(0);
        let usable = stock.iter().filter_map(|s| {
            let value = u64::try_from(s.value.as_minor()).ok()?;
            (value > 0 && value <= most && s.count > 0).then_some((value, s.count))
        });
        let unit = usable.clone().fold(0, |g, (v, _)| gcd(g, v));
        let steps = most.checked_div(unit).unwrap_or(0);
        let steps = usize::try_from(steps).ok().filter(|n| *n <= MAX_STEPS);
        let mut sums = vec![false; steps.map_or(0, |n| n + 1)];
        if let Some(zero) = sums.first_mut() {
            *zero = true;
        }
        let mut used = vec![0u32; sums.len()];
        for (value, count) in usable {
            let Some(step) = value
                .checked_div(unit)
                .and_then(|n| usize::try_from(n).ok())
            else {
                break;
            };
            used.fill(0);
            for sum in step..sums.len() {
                let before = sum - step;
                let (Some(true), Some(taken)) = (sums.get(before), used.get(before).copied())
                else {
                    continue;
                };
                if let (Some(payable), Some(used)) = (sums.get_mut(sum), used.get_mut(sum))
                    && !*payable
                    && taken < count
                {
                    *payable = true;
                    *used = taken + 1;
                }
            }
        }
        Self { unit, most, sums }
    }

    /// As [`make_change`] would find; `None` for an amount that was not worked out.
    pub(crate) fn can_pay(&self, amount: Money) -> Option<bool> {
        let Ok(amount) = u64::try_from(amount.as_minor()) else {
            return Some(false);
        };
        if amount == 0 {
            return Some(true);
        }
        if amount > self.most || self.sums.is_empty() {
            return None;
        }
        let Some(rest) = amount.checked_rem(self.unit) else {
            return Some(false);
        };
        let sum = usize::try_from(amount / self.unit.max(1)).ok()?;
        Some(rest == 0 && self.sums.get(sum).copied()?)
    }
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn stock(coins: &[(i64, u32)]) -> Vec<Stock> {
        let each = |(i, (value, count)): (usize, &(i64, u32))| Stock {
            coin_type: i as u8,
            value: Money(*value),
            count: *count,
        };
        coins.iter().enumerate().map(each).collect()
    }

    #[test]
    fn finds_the_way_that_largest_first_misses() {
        let coins = stock(&[(20, 3), (50, 1)]);
        assert_eq!(make_change(Money(60), &coins), Some(vec![(0, 3)]));
        assert_eq!(make_change(Money(70), &coins), Some(vec![(1, 1), (0, 1)]));
        assert_eq!(make_change(Money(80), &coins), None);
        assert_eq!(make_change(Money(0), &[]), Some(vec![]));
        assert_eq!(make_change(Money(-5), &coins), None);
    }

    /// Every way to take coins, by counting up: the outside opinion for small stocks.
    fn brute_force(amount: i64, coins: &[(i64, u32)]) -> Option<u32> {
        match coins.split_first() {
            None => (amount == 0).then_some(0),
            Some(((value, count), rest)) => (0..=*count)
                .filter_map(|n| Some(n + brute_force(amount - value * i64::from(n), rest)?))
                .min(),
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        /// All amounts at once, and each by itself.
        #[test]
        fn what_is_payable_can_be_made(
            most in 0i64..300,
            unit in 1i64..4,
            coins in proptest::collection::vec((0i64..60, 0u32..5), 0..6)
        ) {
            let coins: Vec<_> = coins.iter().map(|(v, n)| (v * unit, *n)).collect();
            let stock = stock(&coins);
            let payable = Payable::new(&stock, Money(most));
            for amount in -1..=most {
                let made = make_change(Money(amount), &stock).is_some();
                prop_assert_eq!(payable.can_pay(Money(amount)), Some(made), "{}", amount);
            }
            prop_assert_eq!(payable.can_pay(Money(most + 1)), None);
        }

        #[test]
        fn agrees_with_brute_force(
            amount in 0i64..200,
            coins in proptest::collection::vec((1i64..60, 0u32..5), 0..5)
        ) {
            let stock = stock(&coins);
            let made = make_change(Money(amount), &stock);
            let expected = brute_force(amount, &coins);
            prop_assert_eq!(made.as_ref().map(|c| c.iter().map(|(_, n)| n).sum::<u32>()), expected);
            for (coin_type, n) in made.iter().flatten() {
                prop_assert!(*n <= coins[usize::from(*coin_type)].1);
            }
            let total = |c: &Coins| c.iter().map(|(t, n)| coins[usize::from(*t)].0 * i64::from(*n)).sum::<i64>();
            prop_assert!(made.as_ref().is_none_or(|c| total(c) == amount));
        }
    }
}
