//! Which amounts a bounded stock of coins can pay: every one of them, as a row of bits.

use payrig_controller::Stock;
use payrig_units::Money;

/// The amounts a stock can pay exactly, up to a largest one, in steps of a unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reach {
    unit: i64,
    bits: Vec<u64>,
    steps: usize,
}

impl Reach {
    /// What no coins at all can pay: nothing. `unit` (at least 1) must divide the coins' values:
    /// a coin it does not divide is not used. Amounts beyond `largest` are not looked at.
    #[must_use]
    pub fn nothing(unit: Money, largest: Money) -> Self {
        let unit = unit.as_minor().max(1);
        let steps = usize::try_from(largest.as_minor().max(0) / unit).unwrap_or(0);
        let mut bits = vec![0u64; steps / 64 + 1];
        if let Some(first) = bits.first_mut() {
            *first = 1;
        }
        Self { unit, bits, steps }
    }

    /// What a stock can pay.
    #[must_use]
    pub fn of(stock: &[Stock], unit: Money, largest: Money) -> Self {
        let mut reach = Self::nothing(unit, largest);
        for coin in stock {
            reach.add(coin.value, coin.count);
        }
        reach
    }

    /// As many more coins of one value.
    pub fn add(&mut self, value: Money, count: u32) {
        let value = value.as_minor();
        if value <= 0 || value % self.unit != 0 {
            return;
        }
        let step = usize::try_from(value / self.unit).unwrap_or(usize::MAX);
        // 1, 2, 4, ... coins at once and the rest: every number from 0 to `count` is some sum of
        // these, and none above it.
        let (mut left, mut lot) = (count as usize, 1usize);
        while left > 0 {
            let coins = lot.min(left);
            let shift = step.saturating_mul(coins);
            if shift > self.steps {
                // Larger lots reach nothing new; single coins were first.
                self.add_smaller(step, left);
                return;
            }
            self.or_shifted(shift);
            left -= coins;
            lot = lot.saturating_mul(2);
        }
    }

    /// The lot was too large for the row, but some of it may still fit.
    fn add_smaller(&mut self, step: usize, left: usize) {
        let mut fit = (self.steps / step.max(1)).min(left);
        let mut lot = 1;
        while fit > 0 {
            let coins = lot.min(fit);
            self.or_shifted(step.saturating_mul(coins));
            fit -= coins;
            lot *= 2;
        }
    }

    fn or_shifted(&mut self, shift: usize) {
        let (words, bits) = (shift / 64, shift % 64);
        for to in (words..self.bits.len()).rev() {
            let from = to - words;
            let word = |i: usize| self.bits.get(i).copied().unwrap_or(0);
            let low = match (bits, from.checked_sub(1)) {
                (0, _) | (_, None) => 0,
                (_, Some(below)) => word(below) >> (64 - bits),
            };
            let moved = (word(from) << bits) | low;
            if let Some(target) = self.bits.get_mut(to) {
                *target |= moved;
            }
        }
        // Bits beyond the largest amount are cut off.
        let spare = self.bits.len() * 64 - 1 - self.steps;
        if let Some(last) = self.bits.last_mut() {
            *last &= u64::MAX >> spare;
        }
    }

    /// Can this amount be paid?
    #[must_use]
    pub fn pays(&self, amount: Money) -> bool {
        let amount = amount.as_minor();
        if amount < 0 || amount % self.unit != 0 {
            return false;
        }
        let Ok(step) = usize::try_from(amount / self.unit) else {
            return false;
        };
        step <= self.steps
            && self
                .bits
                .get(step / 64)
                .is_some_and(|word| word >> (step % 64) & 1 == 1)
    }

    /// Can all be paid that `others` can pay? Both must have the same unit and largest amount.
    #[must_use]
    pub fn pays_all(&self, others: &Self) -> bool {
        self.bits
            .iter()
            .zip(&others.bits)
            .all(|(mine, theirs)| theirs & !mine == 0)
    }

    /// The sums of one amount from `amounts` (or none) and one of these.
    #[must_use]
    pub(crate) fn plus_any(&self, amounts: &[Money]) -> Self {
        let mut all = self.clone();
        for amount in amounts {
            let mut moved = self.clone();
            moved.or_shifted(usize::try_from(amount.as_minor() / self.unit).unwrap_or(usize::MAX));
            for (to, from) in all.bits.iter_mut().zip(&moved.bits) {
                *to |= from;
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_controller::make_change;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]
        #[test]
        fn agrees_with_making_change(
            coins in proptest::collection::vec((1i64..70, 0u32..9), 0..5),
            largest in 0i64..400,
        ) {
            let stock: Vec<Stock> = coins
                .iter()
                .enumerate()
                .map(|(i, (value, count))| Stock { coin_type: i as u8, value: Money(*value), count: *count })
                .collect();
            let reach = Reach::of(&stock, Money(1), Money(largest));
            for amount in -2..largest + 70 {
                let paid = amount <= largest && make_change(Money(amount), &stock).is_some();
                prop_assert_eq!(reach.pays(Money(amount)), paid, "{}", amount);
            }
        }
    }
}
