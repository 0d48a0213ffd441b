//! What turns and drops: one motor at a time, and what can go wrong with it.

use payrig_mdb::cashless::Reason;
use payrig_units::{Micros, Money};
use std::collections::BTreeMap;

/// What goes wrong with the next delivery of an item.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mishap {
    /// It does not fall. Another column with the same product is tried where there is one.
    Jam,
    /// It does not fall, for a reason of 7.4.8.
    Fails(Reason),
    /// Only a part of it comes, worth so much: the customer pressed stop.
    Part(Money),
    /// It does not fall, and the machine is out of order from then on.
    Breakdown,
    /// It falls, and the machine is out of order from then on.
    LastOne,
}

/// What the motor of an item did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delivery {
    /// The column the item fell from; `None` when it did not fall.
    pub column: Option<u16>,
    /// The worth of what was delivered, when it is only a part.
    pub part: Option<Money>,
    /// Why it did not fall, where that is known.
    pub why: Option<Reason>,
    /// The machine is out of order from here on.
    pub broken: bool,
}

/// A delivery under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Turning {
    column: u16,
    at: Micros,
    /// The item comes in instead of going out.
    inward: bool,
}

/// The motors of the machine.
#[derive(Clone, Debug, Default)]
pub(crate) struct Motor {
    turning: Option<Turning>,
    mishaps: Vec<(u16, Mishap)>,
}

impl Motor {
    /// Begins to deliver from a column, or to take in an item; done `at`.
    pub(crate) fn turn(&mut self, column: u16, at: Micros, inward: bool) {
        self.turning = Some(Turning { column, at, inward });
    }

    pub(crate) fn stop(&mut self) {
        self.turning = None;
    }

    pub(crate) fn is_turning(&self) -> bool {
        self.turning.is_some()
    }

    pub(crate) fn next_deadline(&self) -> Micros {
        self.turning.map_or(Micros::NEVER, |t| t.at)
    }

    pub(crate) fn expect(&mut self, item: u16, mishap: Mishap) {
        self.mishaps.push((item, mishap));
    }

    /// Nothing goes wrong with this item any more.
    pub(crate) fn free(&mut self, item: u16) {
        self.mishaps.retain(|(of, _)| *of != item);
    }

    /// What came of the delivery that is due, and the item that went out. `instead` names columns
    /// with the same product: a delivery goes on there for `again`.
    pub(crate) fn done(
        &mut self,
        now: Micros,
        instead: &BTreeMap<u16, u16>,
        again: Micros,
    ) -> Option<(Delivery, Option<u16>)> {
        let turning = self.turning.take_if(|t| now >= t.at)?;
        let column = turning.column;
        let found = self.mishaps.iter().position(|(item, _)| *item == column);
        let mishap = found.map(|i| self.mishaps.remove(i).1);
        if mishap == Some(Mishap::Jam)
            && !turning.inward
            && let Some(twin) = instead.get(&column).filter(|twin| **twin != column)
        {
            self.turn(*twin, now + again, false);
            return None;
        }
        let fell = !matches!(
            mishap,
            Some(Mishap::Jam | Mishap::Fails(_) | Mishap::Breakdown)
        );
        let delivery = Delivery {
            column: fell.then_some(column),
            part: match mishap {
                Some(Mishap::Part(worth)) => Some(worth),
                _ => None,
            },
            why: match mishap {
                Some(Mishap::Fails(why)) => Some(why),
                _ => None,
            },
            broken: matches!(mishap, Some(Mishap::Breakdown | Mishap::LastOne)),
        };
        let went_out = delivery.column.filter(|_| !turning.inward);
        Some((delivery, went_out))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jam_strikes_once_and_a_twin_column_helps() {
        let mut motor = Motor::default();
        motor.expect(15, Mishap::Jam);
        motor.turn(15, Micros(10), false);
        let instead = BTreeMap::from([(15, 16)]);
        assert_eq!(motor.done(Micros(9), &instead, Micros(5)), None);
        assert_eq!(motor.done(Micros(10), &instead, Micros(5)), None);
        assert_eq!(motor.next_deadline(), Micros(15));
        let (delivery, out) = motor.done(Micros(15), &instead, Micros(5)).unwrap();
        assert_eq!((delivery.column, out), (Some(16), Some(16)));
        motor.turn(15, Micros(20), false);
        let (delivery, _) = motor.done(Micros(20), &instead, Micros(5)).unwrap();
        assert_eq!(delivery.column, Some(15));
        motor.expect(15, Mishap::Jam);
        motor.expect(15, Mishap::Jam);
        motor.free(15);
        motor.turn(15, Micros(30), false);
        let (delivery, _) = motor.done(Micros(30), &instead, Micros(5)).unwrap();
        assert_eq!(delivery.column, Some(15), "freed");
    }
}
