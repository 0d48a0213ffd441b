//! What came out: the tubes before and after, and what PAYOUT STATUS says (MDB/ICP 4.3, section 5.3).

use super::payout::{Order, Payout};
use super::{Changer, worth};
use payrig_mdb::changer::CoinType;
use payrig_units::Money;

/// The largest count of TUBE STATUS: as many or more.
const MANY: u32 = 255;

impl Changer {
    /// Takes what came out of the order under way off what is left to pay.
    pub(super) fn count_order(&mut self) {
        let Some(mut payout) = self.payout.take() else {
            return;
        };
        let (ordered, out) = match payout.current.take() {
            Some(Order::Coins(coin_type, coins)) => {
                let each = worth(self.setup.as_ref(), coin_type);
                let out = self.coins_out(&mut payout, coin_type, u32::from(coins.get()));
                let times = |n: u32| each.checked_mul(i64::from(n)).unwrap_or_default();
                (times(u32::from(coins.get())), times(out))
            }
            Some(Order::Value(counts)) => {
                let setup = self.setup.as_ref();
                let ordered = setup.map_or(0, |s| s.scaling().to_minor(u32::from(counts)));
                (Money(ordered), self.value_out(&payout, Money(ordered)))
            }
            None => (Money::ZERO, Money::ZERO),
        };
        payout.paid = payout.paid.saturating_add(out);
        payout.left = payout.left.saturating_sub(out);
        payout.told = payout.paid;
        if out != ordered {
            let decimals = self.decimals();
            let (ordered, out) = (ordered.show(decimals), out.show(decimals));
            self.notice(format!("ordered {ordered}, paid {out}"));
            payout.plan.clear();
        }
        self.payout = Some(payout);
    }

    /// How many of the coins ordered came out of their tube.
    fn coins_out(&mut self, payout: &mut Payout, coin_type: CoinType, ordered: u32) -> u32 {
        let tube = |all: &[u32; 16]| all.get(coin_type.index()).copied().unwrap_or(0);
        let (before, after) = (tube(&payout.before), tube(&self.tubes));
        if before >= MANY && (payout.acknowledged || payout.seen_busy) {
            return ordered;
        }
        let gone = before.saturating_sub(after);
        let bad = self.defective.contains(coin_type);
        if !bad && gone <= ordered {
            return gone;
        }
        // The count is no count any more, or was set right: not all came out.
        let why = if bad {
            "is reported defective"
        } else {
            "ran dry"
        };
        if ordered > 1 {
            self.notice(format!(
                "tube {coin_type} {why}: up to {} of its {ordered} coins may have come out, none \
                 is booked; the rest is paid coin by coin",
                ordered - 1
            ));
        } else {
            self.notice(format!("tube {coin_type} {why}: the coin did not come out"));
        }
        payout.singly = true;
        0
    }

    /// How much of a PAYOUT came out: what PAYOUT STATUS says, if it was asked in good order and
    /// is borne out (a turned mode bit can make a valid block of its first bytes), else what is gone
    /// from the tubes.
    fn value_out(&mut self, payout: &Payout, ordered: Money) -> Money {
        let setup = self.setup.as_ref();
        let sum = |counts: &mut dyn Iterator<Item = (CoinType, u32)>| -> Money {
            counts
                .map(|(t, n)| {
                    worth(setup, t)
                        .checked_mul(i64::from(n))
                        .unwrap_or_default()
                })
                .fold(Money::ZERO, Money::saturating_add)
        };
        let gone = CoinType::all()
            .zip(payout.before.iter().zip(self.tubes))
            .filter(|(t, _)| !self.defective.contains(*t))
            .map(|(t, (before, after))| (t, before.saturating_sub(after)));
        let from_tubes = sum(&mut gone.into_iter());
        let Some(coins) = payout.itemised else {
            return from_tubes.min(ordered);
        };
        if !payout.acknowledged || payout.interrupted {
            return from_tubes.min(ordered);
        }
        let said = sum(&mut coins.nonzero().map(|(t, n)| (t, u32::from(n))));
        if said == from_tubes {
            return said;
        }
        let told = payout.told.saturating_sub(payout.paid);
        let decimals = self.decimals();
        let show = |m: Money| m.show(decimals);
        self.notice(format!(
            "PAYOUT STATUS says {}, PAYOUT VALUE POLL said {}, the tubes lost {}",
            show(said),
            show(told),
            show(from_tubes)
        ));
        // Two of three, else the most: what may have been paid is not paid again.
        if told == said || told == from_tubes {
            told
        } else {
            said.max(told).max(from_tubes).min(ordered)
        }
    }
}
