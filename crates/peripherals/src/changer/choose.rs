//! Which coins to pay for a value: the changer's own payout algorithm (section 5.3, PAYOUT).

use payrig_mdb::changer::CoinType;

/// Coins of one type that may be paid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stock {
    pub(super) coin_type: CoinType,
    /// Counts of the scaling factor per coin, at least 1.
    pub(super) credit: u8,
    pub(super) coins: u16,
}

/// The fewest coins for `value` counts; where it cannot be paid exactly, for the largest value
/// below it that can. Of two coin types worth the same the higher goes first (section 5.3,
/// DISPENSE, note 1). Coins come in descending order of type.
pub(super) fn choose(value: u8, stocks: &[Stock]) -> Vec<CoinType> {
    let mut sorted: Vec<Stock> = stocks.iter().copied().filter(|s| s.credit > 0).collect();
    sorted.sort_by_key(|s| std::cmp::Reverse(s.coin_type));
    // One row per stock: the fewest coins for each sum, and how many of this stock they use.
    let mut best: Vec<Option<u16>> = vec![None; usize::from(value) + 1];
    if let Some(zero) = best.first_mut() {
        *zero = Some(0);
    }
    let mut used: Vec<Vec<u16>> = Vec::with_capacity(sorted.len());
    for stock in &sorted {
        let mut next = best.clone();
        let mut taken = vec![0u16; best.len()];
        for (sum, (slot, count)) in next.iter_mut().zip(&mut taken).enumerate() {
            let most = (sum / usize::from(stock.credit)).min(usize::from(stock.coins));
            for n in 1..=most {
                let rest = best
                    .get(sum - n * usize::from(stock.credit))
                    .copied()
                    .flatten();
                let Some(total) = rest.map(|r| r + n as u16) else {
                    continue;
                };
                if slot.is_none_or(|old| total < old) {
                    *slot = Some(total);
                    *count = n as u16;
                }
            }
        }
        best = next;
        used.push(taken);
    }
    let mut sum = best.iter().rposition(Option::is_some).unwrap_or(0);
    let mut coins = Vec::new();
    for (stock, taken) in sorted.iter().zip(&used).rev() {
        let n = taken.get(sum).copied().unwrap_or(0);
        coins.extend(std::iter::repeat_n(stock.coin_type, usize::from(n)));
        sum = sum.saturating_sub(usize::from(n) * usize::from(stock.credit));
    }
    coins.sort_by_key(|c| std::cmp::Reverse(*c));
    coins
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn stocks(list: &[(u8, u16)]) -> Vec<Stock> {
        let stock = |(n, (credit, coins)): (usize, &(u8, u16))| Stock {
            coin_type: CoinType::of(n as u8),
            credit: *credit,
            coins: *coins,
        };
        list.iter().enumerate().map(stock).collect()
    }

    fn paid(value: u8, list: &[(u8, u16)]) -> Vec<u8> {
        let coins = choose(value, &stocks(list));
        coins.into_iter().map(CoinType::get).collect()
    }

    /// Section 5.3, PAYOUT: 75 cents as three quarters, or in smaller coins where there are none.
    #[test]
    fn seventy_five_cents() {
        assert_eq!(paid(15, &[(1, 10), (2, 10), (5, 10)]), [2, 2, 2]);
        assert_eq!(paid(15, &[(1, 10), (2, 10), (5, 2)]), [2, 2, 1, 1, 0]);
        assert_eq!(
            paid(15, &[(1, 10), (2, 10), (5, 0)]),
            [1, 1, 1, 1, 1, 1, 1, 0]
        );
    }

    #[test]
    fn the_largest_coin_first_is_not_always_right() {
        // 30 = 3 x 10 where there is one 25 and no 5.
        assert_eq!(paid(6, &[(1, 0), (2, 3), (5, 1)]), [1, 1, 1]);
        // What cannot be paid exactly is paid as far as it can be.
        assert_eq!(paid(6, &[(5, 1)]), [0]);
        assert!(paid(4, &[(5, 1)]).is_empty());
        // The higher of two coin types worth the same.
        assert_eq!(paid(5, &[(5, 3), (5, 3)]), [1]);
        assert_eq!(paid(20, &[(5, 3), (5, 3)]), [1, 1, 1, 0]);
    }

    proptest! {
        /// Against trying out every combination.
        #[test]
        fn as_good_as_trying_everything(value in 0u8..40, list in proptest::collection::vec((1u8..12, 0u16..4), 0..4)) {
            let mut sums = vec![(0usize, 0usize)];
            for (credit, coins) in &list {
                sums = sums.iter().flat_map(|(sum, n)| (0..=usize::from(*coins)).map(move |k| (sum + k * usize::from(*credit), n + k))).collect();
            }
            let most = sums.iter().filter(|(s, _)| *s <= usize::from(value)).map(|(s, _)| *s).max().unwrap();
            let fewest = sums.iter().filter(|(s, _)| *s == most).map(|(_, n)| *n).min().unwrap();
            let coins = paid(value, &list);
            prop_assert_eq!(coins.iter().map(|c| usize::from(list[usize::from(*c)].0)).sum::<usize>(), most);
            prop_assert_eq!(coins.len(), fewest);
            for (n, (_, stock)) in list.iter().enumerate() {
                prop_assert!(coins.iter().filter(|c| usize::from(**c) == n).count() <= usize::from(*stock));
            }
        }
    }
}
