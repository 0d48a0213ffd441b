//! A payout of the recycler: which bills, how far it is, what the VMC still has to hear (section
//! 6.3, 37H-06H to 37H-0AH).

use payrig_mdb::bill::BillCounts;
use payrig_units::Micros;

/// Bills available for a payout by value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Available {
    pub(super) bill_type: u8,
    /// Value in counts of the scaling factor.
    pub(super) credit: u8,
    pub(super) count: u32,
}

/// Chooses bills that add up to `value`, or to as much of it as can be paid. Of several ways, one
/// with large bills is taken; the standard leaves the choice to the dispenser.
pub(super) fn choose(available: &[Available], value: u16) -> Vec<(u8, u32)> {
    let mut bills: Vec<Available> = available.iter().copied().filter(|a| a.credit > 0).collect();
    bills.sort_by_key(|a| std::cmp::Reverse(a.credit));
    let sums = usize::from(value) + 1;
    // How each sum is reached: the bill added last (an index into `bills`), or not at all.
    let mut last: Vec<Option<usize>> = vec![None; sums];
    let reached =
        |last: &[Option<usize>], sum: usize| sum == 0 || last.get(sum).is_some_and(Option::is_some);
    for (index, bill) in bills.iter().enumerate() {
        let mut used = vec![0u32; sums];
        for sum in usize::from(bill.credit)..sums {
            let before = sum - usize::from(bill.credit);
            let n = used.get(before).copied().unwrap_or(0);
            if !reached(&last, sum)
                && reached(&last, before)
                && n < bill.count
                && let (Some(last), Some(used)) = (last.get_mut(sum), used.get_mut(sum))
            {
                *last = Some(index);
                *used = n + 1;
            }
        }
    }
    let mut sum = (0..sums).rev().find(|s| reached(&last, *s)).unwrap_or(0);
    let mut chosen = vec![0u32; bills.len()];
    while let Some(index) = last.get(sum).copied().flatten() {
        let (Some(bill), Some(n)) = (bills.get(index), chosen.get_mut(index)) else {
            break;
        };
        *n += 1;
        sum -= usize::from(bill.credit);
    }
    let pairs = bills.iter().map(|b| b.bill_type).zip(chosen);
    pairs.filter(|(_, n)| *n > 0).collect()
}

/// State of the payout unit.
#[derive(Clone, Debug, Default)]
pub(super) struct Payout {
    /// Still to be paid, in order.
    pub(super) plan: Vec<(u8, u32)>,
    /// The bill on its way to the inlet, and when it is there.
    pub(super) moving: Option<(u8, Micros)>,
    active: bool,
    /// Paid by the last payout, per type; kept until PAYOUT STATUS is acknowledged.
    paid: [u16; 16],
    /// Value paid that no PAYOUT VALUE POLL has reported yet, in counts.
    since_poll: u32,
}

impl Payout {
    pub(super) const fn is_active(&self) -> bool {
        self.active
    }

    /// A new payout; what the last one paid is forgotten.
    pub(super) fn begin(&mut self, plan: Vec<(u8, u32)>) {
        *self = Self {
            active: true,
            plan,
            ..Self::default()
        };
    }

    /// The type of the next bill, taken off the plan.
    pub(super) fn next(&mut self) -> Option<u8> {
        loop {
            let (bill_type, left) = self.plan.first_mut()?;
            if *left > 0 {
                *left -= 1;
                return Some(*bill_type);
            }
            self.plan.remove(0);
        }
    }

    /// No further bill: the payout is over, but for one on its way.
    pub(super) fn cancel(&mut self) {
        self.plan.clear();
        self.active &= self.moving.is_some();
    }

    /// Stops at once; a bill on its way goes back to its store. What was paid stays known.
    pub(super) fn abort(&mut self) {
        self.plan.clear();
        self.moving = None;
        self.active = false;
    }

    /// A bill is out.
    pub(super) fn paid(&mut self, bill_type: u8, credit: u32) {
        self.moving = None;
        self.since_poll = self.since_poll.saturating_add(credit);
        if let Some(n) = self.paid.get_mut(usize::from(bill_type)) {
            *n = n.saturating_add(1);
        }
        self.active = self.plan.iter().any(|(_, left)| *left > 0);
    }

    /// For PAYOUT VALUE POLL: the value not reported yet; `None` when the payout is over and all was
    /// reported.
    pub(super) fn value(&self) -> Option<u16> {
        match (self.active, self.since_poll) {
            (false, 0) => None,
            (_, n) => Some(u16::try_from(n).unwrap_or(u16::MAX)),
        }
    }

    pub(super) fn value_said(&mut self, value: u16) {
        self.since_poll = self.since_poll.saturating_sub(u32::from(value));
    }

    pub(super) fn forget_value(&mut self) {
        self.since_poll = 0;
    }

    /// For PAYOUT STATUS: counts up to the highest type paid; one zero byte for none (note 2).
    pub(super) fn status(&self) -> BillCounts {
        match self.paid.iter().rposition(|n| *n > 0) {
            Some(highest) => BillCounts::new(self.paid.get(..=highest).unwrap_or_default()),
            None => BillCounts::zero(),
        }
    }

    pub(super) fn status_said(&mut self) {
        self.paid = [0; 16];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn bills(list: &[(u8, u8, u32)]) -> Vec<Available> {
        let of = |(bill_type, credit, count): &(u8, u8, u32)| Available {
            bill_type: *bill_type,
            credit: *credit,
            count: *count,
        };
        list.iter().map(of).collect()
    }

    /// Section 6.3, 37H-07H: the $15.00 example, whose three ways depend on what is there.
    #[test]
    fn fifteen_dollars() {
        let all = bills(&[(0, 1, 50), (1, 5, 50), (2, 10, 50)]);
        assert_eq!(choose(&all, 15), [(2, 1), (1, 1)]);
        assert_eq!(choose(&bills(&[(1, 5, 50)]), 15), [(1, 3)]);
        assert_eq!(
            choose(&bills(&[(0, 1, 50), (1, 5, 2)]), 15),
            [(1, 2), (0, 5)]
        );
    }

    /// The largest bill first would leave 10 unpaid.
    #[test]
    fn exact_where_greed_fails() {
        assert_eq!(choose(&bills(&[(0, 20, 3), (1, 50, 1)]), 60), [(0, 3)]);
        assert_eq!(choose(&bills(&[(0, 20, 2)]), 60), [(0, 2)]);
        assert_eq!(choose(&bills(&[(0, 20, 2)]), 19), []);
        assert_eq!(choose(&[], u16::MAX), []);
    }

    proptest! {
        /// Never more than asked or than there is; and the best sum, found here by trying all.
        #[test]
        fn best_sum_within_means(
            list in proptest::collection::vec((1..40u8, 0..4u32), 0..4),
            value in 0..200u16,
        ) {
            let all: Vec<Available> = list
                .iter()
                .enumerate()
                .map(|(i, (credit, count))| Available {
                    bill_type: i as u8,
                    credit: *credit,
                    count: *count,
                })
                .collect();
            let chosen = choose(&all, value);
            let mut paid = 0;
            for (bill_type, n) in &chosen {
                let bill = all[usize::from(*bill_type)];
                prop_assert!(*n <= bill.count);
                paid += n * u32::from(bill.credit);
            }
            let mut sums = std::collections::BTreeSet::from([0u32]);
            for bill in &all {
                for _ in 0..bill.count {
                    let more: Vec<u32> =
                        sums.iter().map(|s| s + u32::from(bill.credit)).collect();
                    sums.extend(more);
                }
            }
            let best = sums.range(..=u32::from(value)).next_back().copied();
            prop_assert_eq!(Some(paid), best);
        }
    }
}
