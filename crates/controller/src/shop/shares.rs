//! What was approved for several products, spread over them (MDB/ICP 4.3, section 7.4.5; examples 15
//! to 17d of 7.7). The parts never add up to more than was approved.

use payrig_units::Money;

/// How a discount on a basket is spread over its products, which is left to the board (MDB/ICP 4.3,
/// section 7.4.5, and examples 16 to 17d of 7.7).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum BasketShares {
    /// In proportion to their prices (examples 17a to 17d).
    #[default]
    Even,
    /// On those that could not be delivered, as far as it goes (example 16).
    OnFailures,
}

/// An approved amount and how much of it is reported already.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Shares {
    total: Money,
    approved: Money,
    reported: Money,
    /// Discount that was not used up by a product that failed.
    discount: Money,
}

impl Shares {
    /// `approved` is for products that cost `total`.
    pub(super) fn new(total: Money, approved: Money) -> Self {
        let discount = total.saturating_sub(approved).max(Money::ZERO);
        Self {
            total,
            approved,
            reported: Money::ZERO,
            discount,
        }
    }

    /// All that is not reported yet.
    pub(super) fn rest(&mut self) -> Money {
        let rest = self.approved.saturating_sub(self.reported);
        self.reported = self.approved;
        rest
    }

    /// The part of a product that was delivered or failed, others being to come.
    pub(super) fn next(
        &mut self,
        price: Money,
        delivered: bool,
        how: BasketShares,
        step: Money,
    ) -> Money {
        let share = match how {
            BasketShares::Even => fraction(self.approved, price, self.total, step),
            BasketShares::OnFailures if delivered => price,
            BasketShares::OnFailures => {
                let off = self.discount.min(price);
                self.discount = self.discount.saturating_sub(off);
                price.saturating_sub(off)
            }
        };
        let share = share.min(self.approved.saturating_sub(self.reported));
        self.reported = self.reported.saturating_add(share);
        share
    }

    /// The part of a single product of which only so much was delivered.
    pub(super) fn part(&mut self, worth: Money, step: Money) -> Money {
        let share = fraction(self.approved, worth, self.total, step);
        self.reported = self.reported.saturating_add(share);
        share
    }
}

/// `amount` times `part` of `whole`, rounded down to a step; all of it when the part is the whole.
pub(super) fn fraction(amount: Money, part: Money, whole: Money, step: Money) -> Money {
    let (amount, part, whole) = (amount.as_minor(), part.as_minor(), whole.as_minor());
    if part >= whole {
        return Money(amount);
    }
    let exact = i128::from(amount) * i128::from(part.max(0)) / i128::from(whole.max(1));
    let exact = i64::try_from(exact).unwrap_or(amount);
    Money(exact - exact % step.as_minor().max(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const STEP: Money = Money(5);

    /// Example 16 of section 7.7: 1.80 approved for three products of 1.00; the second fails.
    #[test]
    fn example_16() {
        let mut shares = Shares::new(Money(300), Money(180));
        let how = BasketShares::OnFailures;
        assert_eq!(shares.next(Money(100), true, how, STEP), Money(100));
        assert_eq!(shares.next(Money(100), false, how, STEP), Money(0));
        assert_eq!(shares.rest(), Money(80));
    }

    /// Example 17a.
    #[test]
    fn example_17a() {
        let mut shares = Shares::new(Money(300), Money(180));
        let how = BasketShares::Even;
        assert_eq!(shares.next(Money(100), true, how, STEP), Money(60));
        assert_eq!(shares.next(Money(100), false, how, STEP), Money(60));
        assert_eq!(shares.rest(), Money(60));
    }

    /// Example 15: 0.75 of 1.00.
    #[test]
    fn example_15() {
        let mut shares = Shares::new(Money(100), Money(100));
        assert_eq!(shares.part(Money(75), STEP), Money(75));
        assert_eq!(shares.rest(), Money(25));
    }

    proptest! {
        #[test]
        fn never_more_than_approved(
            prices in proptest::collection::vec((1i64..500, any::<bool>()), 1..6),
            approved in 0i64..4000,
            even in any::<bool>(),
        ) {
            let total = Money(prices.iter().map(|(p, _)| p).sum());
            let how = if even { BasketShares::Even } else { BasketShares::OnFailures };
            let mut shares = Shares::new(total, Money(approved));
            let mut sum = Money::ZERO;
            for (price, delivered) in &prices[1..] {
                let share = shares.next(Money(*price), *delivered, how, Money(1));
                prop_assert!(share >= Money::ZERO);
                sum = sum.saturating_add(share);
            }
            sum = sum.saturating_add(shares.rest());
            prop_assert_eq!(sum, Money(approved));
        }
    }
}
