//! Expressing an amount in bills (or coins) of given values.

use payrig_units::Money;

/// The largest amount, in steps of the values' common divisor, that is looked at exactly; beyond
/// it the largest value is taken as often as it goes first.
const EXACT: i64 = 10_000;

fn gcd(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// The fewest pieces of `values` that make `amount`, as places in `values`, largest value first,
/// and what is left over. An amount that is one of the values is one piece. Values at or below zero
/// are not used.
#[must_use]
pub fn split(amount: Money, values: &[Money]) -> (Vec<u8>, Money) {
    let mut kinds: Vec<(i64, u8)> = (0..=u8::MAX)
        .zip(values)
        .map(|(place, value)| (value.as_minor(), place))
        .filter(|(value, _)| *value > 0)
        .collect();
    kinds.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut left = amount.as_minor();
    let mut pieces = Vec::new();
    let Some((largest, place)) = kinds.first().copied() else {
        return (pieces, amount);
    };
    let unit = kinds.iter().fold(0, |g, (value, _)| gcd(*value, g)).max(1);
    // Very large amounts are brought down to a size that can be looked at exactly.
    let size = EXACT.saturating_mul(unit);
    while left > size {
        pieces.push(place);
        left -= largest;
    }
    if left <= 0 {
        return (pieces, Money(left));
    }
    let steps = usize::try_from(left / unit).unwrap_or(0);
    // fewest[s]: pieces that make s steps, and the last of them.
    let mut fewest: Vec<Option<(u32, usize)>> = vec![None; steps + 1];
    if let Some(zero) = fewest.first_mut() {
        *zero = Some((0, 0));
    }
    for sum in 1..=steps {
        let best = kinds
            .iter()
            .enumerate()
            .filter_map(|(kind, (value, _))| {
                let step = usize::try_from(value / unit).ok()?;
                let (count, _) = (*fewest.get(sum.checked_sub(step)?)?)?;
                Some((count + 1, kind))
            })
            .min();
        if let Some(place) = fewest.get_mut(sum) {
            *place = best;
        }
    }
    // As much as can be expressed, and of that the largest amount.
    let mut sum = (0..=steps)
        .rev()
        .find(|sum| fewest.get(*sum).is_some_and(Option::is_some))
        .unwrap_or(0);
    let mut small = Vec::new();
    while sum > 0 {
        let Some(Some((_, kind))) = fewest.get(sum) else {
            break;
        };
        let Some((value, place)) = kinds.get(*kind) else {
            break;
        };
        small.push((*value, *place));
        left -= value;
        sum -= usize::try_from(value / unit).unwrap_or(sum);
    }
    small.sort_by_key(|(value, _)| std::cmp::Reverse(*value));
    pieces.extend(small.into_iter().map(|(_, place)| place));
    (pieces, Money(left))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn of(amount: i64, values: &[i64]) -> (Vec<u8>, i64) {
        let values: Vec<Money> = values.iter().map(|v| Money(*v)).collect();
        let (pieces, left) = split(Money(amount), &values);
        (pieces, left.as_minor())
    }

    #[test]
    fn one_bill_where_there_is_one_and_few_where_not() {
        assert_eq!(of(500, &[100, 500, 1_000]), (vec![1], 0));
        assert_eq!(of(700, &[100, 500, 1_000]), (vec![1, 0, 0], 0));
        assert_eq!(of(60, &[20, 50]), (vec![0, 0, 0], 0), "largest first fails");
        assert_eq!(of(70, &[100, 20]), (vec![1, 1, 1], 10));
        assert_eq!(of(99, &[100]), (vec![], 99));
        assert_eq!(of(0, &[100]), (vec![], 0));
        assert_eq!(of(-5, &[100]), (vec![], -5));
        assert_eq!(of(5, &[]), (vec![], 5));
        assert_eq!(of(5, &[0, -1]), (vec![], 5));
    }

    #[test]
    fn a_very_large_amount_is_still_said() {
        let (pieces, left) = of(5_000_000, &[100, 2_000]);
        assert_eq!((pieces.len(), left), (2_500, 0));
    }

    proptest! {
        #[test]
        fn no_cent_is_lost(amount in 0i64..50_000, values in proptest::collection::vec(1i64..3_000, 1..8)) {
            let (pieces, left) = of(amount, &values);
            let said: i64 = pieces.iter().map(|p| values[usize::from(*p)]).sum();
            prop_assert_eq!(said + left, amount);
            prop_assert!(left >= 0);
            // What is left over cannot be expressed at all: with the smallest value 1 nothing is.
            prop_assert!(left == 0 || !values.contains(&1));
        }
    }
}
