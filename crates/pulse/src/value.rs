//! What counted pulses are worth.

use crate::profile::{Coding, Profile};
use payrig_units::{Micros, Money};

/// What a set of pulses comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Worth {
    /// Whole money.
    pub amount: Money,
    /// Pulses that make no whole unit; always zero unless value is coded in the count.
    pub left_over: u64,
}

fn times(value: Money, n: u64) -> Money {
    Money(value.0.saturating_mul(i64::try_from(n).unwrap_or(i64::MAX)))
}

impl Profile {
    /// What pulses of these widths on a line are worth, with `carried` pulses left over from
    /// before. A width that stands for no value is worth the nearest one: judge it first.
    #[must_use]
    pub fn worth(&self, line: &str, widths: &[Micros], carried: u64) -> Worth {
        let count = u64::try_from(widths.len()).unwrap_or(u64::MAX);
        let whole = |amount| Worth {
            amount,
            left_over: 0,
        };
        match &self.coding {
            Coding::Count { pulses, unit } => {
                let per = u64::from(*pulses).max(1);
                let all = carried.saturating_add(count);
                Worth {
                    amount: times(*unit, all / per),
                    left_over: all % per,
                }
            }
            Coding::Lines(lines) => whole(
                lines
                    .iter()
                    .find(|l| l.name == line)
                    .map_or(Money::ZERO, |l| times(l.value, count)),
            ),
            Coding::Widths(values) => whole(
                widths
                    .iter()
                    .filter_map(|width| {
                        values
                            .iter()
                            .min_by_key(|v| {
                                let window = self.tolerance.around(v.on);
                                (window.min - *width).max(*width - window.max)
                            })
                            .map(|v| v.value)
                    })
                    .sum(),
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::{CoinLine, WidthValue};

    #[test]
    fn each_coding_has_its_worth() {
        let ms = Micros::ms;
        let mut profile = Profile::short().with_count(4, Money(100));
        let worth = profile.worth("credit", &[ms(50); 5], 2);
        assert_eq!((worth.amount, worth.left_over), (Money(100), 3));
        profile.coding = Coding::Lines(vec![CoinLine {
            name: "a".into(),
            value: Money(25),
        }]);
        assert_eq!(profile.worth("a", &[ms(50); 3], 0).amount, Money(75));
        assert_eq!(profile.worth("b", &[ms(50); 3], 0).amount, Money::ZERO);
        profile.coding = Coding::Widths(vec![
            WidthValue {
                on: ms(50),
                value: Money(25),
            },
            WidthValue {
                on: ms(100),
                value: Money(100),
            },
        ]);
        assert_eq!(
            profile.worth("credit", &[ms(52), ms(99)], 0).amount,
            Money(125)
        );
    }
}
