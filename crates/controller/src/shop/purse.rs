//! Change out of bills and coins together.

use crate::change::{Stock, make_change};
use payrig_units::Money;

/// Bill types follow the sixteen coin types where both are looked at together.
const FIRST_BILL: u8 = 16;

/// What can be paid out now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Purse {
    /// Of the changer's tubes.
    pub(crate) coins: Vec<Stock>,
    /// Of the recycler's stores.
    pub(crate) bills: Vec<Stock>,
}

impl Purse {
    /// Coins and bills together, bills as types from 16 on.
    pub(crate) fn all(&self) -> Vec<Stock> {
        let as_coin_type = |bill: &Stock| Stock {
            coin_type: bill.coin_type.saturating_add(FIRST_BILL),
            ..*bill
        };
        let bills = self.bills.iter().map(as_coin_type);
        self.coins.iter().copied().chain(bills).collect()
    }
}

/// How much of an amount is paid in bills, the rest being coins, so that it is paid exactly and with
/// the fewest pieces; `None` when it cannot be paid.
pub(crate) fn in_bills(amount: Money, purse: &Purse) -> Option<Money> {
    let stock = purse.all();
    let pieces = make_change(amount, &stock)?;
    let mut bills = Money::ZERO;
    for (piece, count) in pieces.iter().filter(|(t, _)| *t >= FIRST_BILL) {
        let value = stock.iter().find(|s| s.coin_type == *piece)?.value;
        bills = bills.checked_add(value.checked_mul(i64::from(*count))?)?;
    }
    Some(bills)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn stock(list: &[(u8, i64, u32)]) -> Vec<Stock> {
        let of = |(coin_type, value, count): &(u8, i64, u32)| Stock {
            coin_type: *coin_type,
            value: Money(*value),
            count: *count,
        };
        list.iter().map(of).collect()
    }

    #[test]
    fn bills_for_the_large_and_coins_for_the_small() {
        let purse = Purse {
            coins: stock(&[(0, 25, 40), (1, 100, 3)]),
            bills: stock(&[(0, 100, 2), (1, 500, 2)]),
        };
        let of = |amount| in_bills(Money(amount), &purse).map(|m| m.0);
        assert_eq!(of(1_075), Some(1_000));
        assert_eq!(of(75), Some(0));
        assert_eq!(of(74), None, "no coin for it");
        assert!(of(1_400).unwrap() >= 1_000);
        let coins_only = Purse {
            bills: Vec::new(),
            ..purse
        };
        assert_eq!(in_bills(Money(300), &coins_only), Some(Money::ZERO));
    }

    proptest! {
        /// The parts make the whole, and bills are only promised that are there.
        #[test]
        fn the_parts_make_the_whole(
            amount in 0i64..5_000,
            coins in proptest::collection::vec((1i64..20, 0u32..6), 0..4),
            bills in proptest::collection::vec((1i64..20, 0u32..6), 0..4),
        ) {
            let of = |list: &[(i64, u32)], unit: i64| -> Vec<Stock> {
                let each = |(i, (value, count)): (usize, &(i64, u32))| Stock {
                    coin_type: i as u8,
                    value: Money(value * unit),
                    count: *count,
                };
                list.iter().enumerate().map(each).collect()
            };
            let purse = Purse { coins: of(&coins, 5), bills: of(&bills, 100) };
            if let Some(bills) = in_bills(Money(amount), &purse) {
                let coins = Money(amount).saturating_sub(bills);
                prop_assert!(bills >= Money::ZERO && coins >= Money::ZERO);
                prop_assert!(make_change(bills, &purse.bills).is_some());
                prop_assert!(make_change(coins, &purse.coins).is_some());
            }
        }
    }
}
