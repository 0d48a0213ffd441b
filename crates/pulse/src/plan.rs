//! From an amount of money to the pulses that encode it.

use crate::profile::{CREDIT_LINE, Coding, Profile};
use crate::{Edge, Level};
use payrig_units::{Micros, Money};
use serde::{Deserialize, Serialize};

/// Like pulses one after another on one line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Run {
    /// The line.
    pub line: String,
    /// Width of each pulse.
    pub on: Micros,
    /// How many.
    pub count: u64,
}

/// The pulses that encode an amount of money.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plan {
    /// Runs of pulses, in order of sending.
    pub runs: Vec<Run>,
    /// What the profile has no pulses for: not zero when the amount is no whole number of units,
    /// or cannot be made of the values of the lines or widths.
    pub remainder: Money,
}

impl Plan {
    /// Pulses in all runs.
    #[must_use]
    pub fn pulses(&self) -> u64 {
        self.runs
            .iter()
            .fold(0, |n, run| n.saturating_add(run.count))
    }
}

/// Steps the search for exact change may take before it settles for greedy change.
const SEARCH_STEPS: u32 = 20_000;

/// Counts of each value (values sorted downwards) that sum up to `amount` exactly.
fn exact(amount: i64, values: &[i64], steps: &mut u32) -> Option<Vec<i64>> {
    let Some((&value, rest)) = values.split_first() else {
        return (amount == 0).then(Vec::new);
    };
    if amount == 0 {
        return Some(vec![0; values.len()]);
    }
    let most = amount.checked_div(value)?;
    for count in (0..=most).rev() {
        *steps = steps.checked_sub(1)?;
        if let Some(mut counts) = exact(amount - count * value, rest, steps) {
            counts.insert(0, count);
            return Some(counts);
        }
    }
    None
}

fn greedy(mut amount: i64, values: &[i64]) -> Vec<i64> {
    values
        .iter()
        .map(|&value| {
            let count = amount.checked_div(value).unwrap_or(0);
            amount -= count * value;
            count
        })
        .collect()
}

impl Profile {
    /// The pulses that encode `amount`. Nothing is lost: what cannot be encoded is in
    /// [`Plan::remainder`]. A negative amount cannot be expressed at all.
    #[must_use]
    pub fn plan(&self, amount: Money) -> Plan {
        if amount <= Money::ZERO {
            return Plan {
                runs: Vec::new(),
                remainder: amount,
            };
        }
        let kinds: Vec<(&str, Micros, i64)> = match &self.coding {
            Coding::Count { pulses, unit } => {
                let units = amount.0.checked_div(unit.0).unwrap_or(0).max(0);
                let count = u64::try_from(units)
                    .unwrap_or(0)
                    .saturating_mul((*pulses).into());
                let run = Run {
                    line: CREDIT_LINE.to_owned(),
                    on: self.on,
                    count,
                };
                return Plan {
                    runs: if count == 0 { Vec::new() } else { vec![run] },
                    remainder: Money(amount.0 - units.saturating_mul(unit.0)),
                };
            }
            Coding::Lines(lines) => lines
                .iter()
                .map(|l| (l.name.as_str(), self.on, l.value.0))
                .collect(),
            Coding::Widths(widths) => widths
                .iter()
                .map(|w| (CREDIT_LINE, w.on, w.value.0))
                .collect(),
        };
        let mut kinds: Vec<_> = kinds
            .into_iter()
            .filter(|(_, _, value)| *value > 0)
            .collect();
        kinds.sort_by_key(|(_, _, value)| std::cmp::Reverse(*value));
        let values: Vec<i64> = kinds.iter().map(|(_, _, value)| *value).collect();
        let mut steps = SEARCH_STEPS;
        let counts =
            exact(amount.0, &values, &mut steps).unwrap_or_else(|| greedy(amount.0, &values));
        let mut plan = Plan {
            runs: Vec::new(),
            remainder: amount,
        };
        for ((line, on, value), count) in kinds.into_iter().zip(counts) {
            if count > 0 {
                plan.runs.push(Run {
                    line: line.to_owned(),
                    on,
                    count: count.unsigned_abs(),
                });
                plan.remainder = Money(plan.remainder.0 - count * value);
            }
        }
        plan
    }
}

/// The edges of `count` clean pulses, the first one starting at `start`.
#[must_use]
pub fn clean_pulses(
    active: Level,
    start: Micros,
    count: u32,
    on: Micros,
    off: Micros,
) -> Vec<Edge> {
    let mut edges = Vec::new();
    let mut at = start;
    for _ in 0..count {
        edges.push(Edge {
            at,
            high: active.is_high(),
        });
        edges.push(Edge {
            at: at + on,
            high: !active.is_high(),
        });
        at = at + on + off;
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::CoinLine;
    use proptest::prelude::*;

    fn coins(values: &[i64]) -> Profile {
        let mut profile = Profile::short();
        let line = |v: &i64| CoinLine {
            name: format!("coin-{v}"),
            value: Money(*v),
        };
        profile.coding = Coding::Lines(values.iter().map(line).collect());
        profile
    }

    #[test]
    fn count_coding_keeps_what_is_no_whole_unit() {
        let plan = Profile::short().with_count(4, Money(100)).plan(Money(530));
        assert_eq!(plan.pulses(), 20);
        assert_eq!(plan.remainder, Money(30));
    }

    #[test]
    fn exact_change_is_found_where_greedy_fails() {
        let plan = coins(&[25, 10]).plan(Money(30));
        assert_eq!(plan.remainder, Money::ZERO);
        assert_eq!(plan.pulses(), 3);
    }

    proptest! {
        #[test]
        fn a_plan_says_the_amount(amount in -50i64..100_000, values in proptest::collection::vec(1i64..500, 1..6)) {
            let profile = coins(&values);
            let plan = profile.plan(Money(amount));
            let Coding::Lines(lines) = &profile.coding else { panic!() };
            let said: i64 = plan.runs.iter().map(|run| {
                let value = lines.iter().find(|l| l.name == run.line).unwrap().value.0;
                i64::try_from(run.count).unwrap() * value
            }).sum();
            prop_assert_eq!(said + plan.remainder.0, amount);
            prop_assert!(plan.remainder.0 >= 0 || amount < 0);
        }

        #[test]
        fn any_amount_is_planned_without_panic(amount in any::<i64>(), unit in any::<i64>(), pulses in any::<u32>()) {
            let _ = Profile::short().with_count(pulses, Money(unit)).plan(Money(amount));
            let _ = coins(&[unit, 1, 7]).plan(Money(amount));
        }
    }
}
