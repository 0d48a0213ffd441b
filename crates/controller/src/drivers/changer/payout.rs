//! Paying: by DISPENSE, coin type by coin type, or by PAYOUT, where the changer chooses the coins
//! (MDB/ICP 4.3, sections 5.3 and 5.6).
//!
//! Acceptance is off while coins go out, as section 5.6 has it, so that the tubes show what was
//! paid: they are read before the first order and after each. An order that was not answered is
//! never simply sent again (Appendix 3, section 3, condition 1): the tubes say whether it was
//! carried out. PAYOUT STATUS says it better, where the changer has it and nothing went wrong.

use super::setup::Step;
use super::{Changer, worth};
use crate::change::make_change;
use crate::drivers::report::Report;
use payrig_mdb::changer::{CoinType, Command, DispenseCount, Features, PerType};
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

/// How often what is missing after an order is ordered again.
const TRIES: u32 = 3;

/// After an order that was not answered, a changer that is not busy is believed after this: a
/// payout typically lasts 100 ms or more (section 5.3, DISPENSE, note 2).
const UNSURE: Micros = Micros::ms(200);

/// A changer busy for longer with one order is not believed. The standard sets no limit (section
/// 5.3, DISPENSE, note 2); 15 coins take some seconds: common practice, no source.
const BUSY_AT_MOST: Micros = Micros::secs(20);

/// After that, this long is enough for an order.
const BLIND_WAIT: Micros = Micros::secs(4);

/// The largest count of TUBE STATUS: as many or more.
const MANY: u32 = 255;

/// What one command orders.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Order {
    /// DISPENSE.
    Coins(CoinType, DispenseCount),
    /// PAYOUT, in counts of the scaling factor.
    Value(u8),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// COIN TYPE is to switch acceptance off.
    Disabling,
    /// POLL until nothing is reported any more.
    Draining,
    /// TUBE STATUS before the first order.
    Before,
    /// An order is on its way.
    Ordering,
    /// Ordered; POLLed until the changer is no longer busy.
    Busy,
    /// PAYOUT STATUS is read for what came out.
    Itemising,
    /// TUBE STATUS is read for what came out.
    Counting,
}

#[derive(Clone, Debug)]
pub(super) struct Payout {
    pub(super) left: Money,
    pub(super) paid: Money,
    pub(super) plan: VecDeque<Order>,
    pub(super) current: Option<Order>,
    /// The tubes before the order under way.
    pub(super) before: [u32; 16],
    phase: Phase,
    ordered_at: Micros,
    pub(super) acknowledged: bool,
    pub(super) seen_busy: bool,
    /// The changer was reset or away, or its answer is not to be trusted.
    pub(super) interrupted: bool,
    pub(super) itemised: Option<PerType>,
    /// The sum of the answers to PAYOUT VALUE POLL.
    pub(super) value_polled: Money,
    quiet_polls: u32,
    tries: u32,
    /// Coin by coin from here on.
    pub(super) singly: bool,
}

impl Changer {
    /// True when exactly this can be paid now.
    pub(crate) fn can_pay(&self, amount: Money) -> bool {
        self.step == Step::Done && make_change(amount, &self.stock()).is_some()
    }

    /// True while it pays, or what it paid is still to be counted.
    pub(crate) fn is_paying(&self) -> bool {
        self.payout.is_some()
    }

    /// Pays an amount; the outcome comes as [`Report::PaidOut`] or [`Report::PayoutFailed`].
    pub(crate) fn pay(&mut self, amount: Money) {
        if self.payout.is_some() || !self.can_pay(amount) {
            self.reports.push(Report::PayoutFailed);
            if self.payout.is_none() && self.step == Step::Done {
                // A tube that was mended or filled by hand is reported by nobody: whoever presses again
                // gets what is there by then.
                self.want(Command::TubeStatus);
            }
            return;
        }
        self.payout = Some(Payout {
            left: amount,
            paid: Money::ZERO,
            plan: VecDeque::new(),
            current: None,
            before: self.tubes,
            phase: Phase::Disabling,
            ordered_at: Micros::ZERO,
            acknowledged: false,
            seen_busy: false,
            interrupted: false,
            itemised: None,
            value_polled: Money::ZERO,
            quiet_polls: 0,
            tries: 0,
            singly: false,
        });
        if !self.want_coin_types() {
            self.payout_disabled();
        }
    }

    fn phase(&self) -> Option<Phase> {
        self.payout.as_ref().map(|p| p.phase)
    }

    /// Acceptance is off: what was taken before is still to be reported.
    pub(super) fn payout_disabled(&mut self) {
        if let Some(payout) = self.payout.as_mut().filter(|p| p.phase == Phase::Disabling) {
            payout.phase = Phase::Draining;
            self.want(Command::Poll);
        }
    }

    /// A reset or a long silence in the middle of a payout: the tubes show what came out, once they are
    /// read again.
    pub(super) fn payout_interrupted(&mut self) {
        if let Some(payout) = &mut self.payout {
            payout.phase = match payout.current {
                Some(_) => Phase::Counting,
                None => Phase::Before,
            };
            payout.interrupted = true;
        }
    }

    /// The plan for what is left, from the tubes as they are.
    fn plan(&self, amount: Money, singly: bool) -> Option<VecDeque<Order>> {
        let mut coins = make_change(amount, &self.stock())?;
        // Of two coin types of one value the higher goes first (section 5.3, DISPENSE, note 1).
        coins.sort_by_key(|(coin_type, _)| std::cmp::Reverse(*coin_type));
        if self.enabled.contains(Features::ALTERNATIVE_PAYOUT) {
            return self.values(&coins);
        }
        let at_once = if singly {
            1
        } else {
            u32::from(self.policy.coins_per_dispense.get())
        };
        let mut plan = VecDeque::new();
        for (coin_type, mut count) in coins {
            while count > 0 {
                let n = DispenseCount::saturating(count.min(at_once.max(1)) as usize);
                plan.push_back(Order::Coins(CoinType::of(coin_type), n));
                count -= u32::from(n.get());
            }
        }
        Some(plan)
    }

    /// Values for PAYOUT, each of whole coins that are there: at most 255 counts in one command.
    fn values(&self, coins: &[(u8, u32)]) -> Option<VecDeque<Order>> {
        let setup = self.setup.as_ref()?;
        let mut plan = VecDeque::new();
        let mut value: u8 = 0;
        for (coin_type, count) in coins {
            let credit = setup.credits.get(CoinType::of(*coin_type));
            for _ in 0..*count {
                value = match value.checked_add(credit) {
                    Some(more) => more,
                    None => {
                        plan.push_back(Order::Value(value));
                        credit
                    }
                };
            }
        }
        if value > 0 {
            plan.push_back(Order::Value(value));
        }
        Some(plan)
    }

    fn order_next(&mut self) {
        let Some(mut payout) = self.payout.take() else {
            return;
        };
        if payout.left > Money::ZERO && payout.plan.is_empty() && payout.tries < TRIES {
            payout.tries += 1;
            payout.plan = self.plan(payout.left, payout.singly).unwrap_or_default();
        }
        let Some(order) = payout
            .plan
            .pop_front()
            .filter(|_| payout.left > Money::ZERO)
        else {
            let (device, value) = (self.name.clone(), payout.paid);
            self.reports.push(Report::PaidOut { device, value });
            // The tubes were read just now: acceptance may begin again.
            self.want_coin_types();
            return;
        };
        payout.current = Some(order);
        payout.before = self.tubes;
        payout.phase = Phase::Ordering;
        payout.acknowledged = false;
        payout.seen_busy = false;
        payout.interrupted = false;
        payout.itemised = None;
        payout.quiet_polls = 0;
        self.payout = Some(payout);
        self.want(match order {
            Order::Coins(coin_type, coins) => Command::Dispense { coin_type, coins },
            Order::Value(value) => Command::Payout { value },
        });
    }

    /// DISPENSE or PAYOUT went out; it was answered, or not.
    pub(super) fn ordered(&mut self, now: Micros, acknowledged: bool) {
        let Some(payout) = self.payout.as_mut().filter(|p| p.phase == Phase::Ordering) else {
            return;
        };
        payout.phase = Phase::Busy;
        payout.ordered_at = now;
        payout.acknowledged = acknowledged;
        if !acknowledged {
            let what = match payout.current {
                Some(Order::Value(_)) => "PAYOUT",
                _ => "DISPENSE",
            };
            self.notice(format!(
                "{what} was not acknowledged: the tubes will show what came of it"
            ));
        }
    }

    /// POLL was answered: what does that mean for the payout?
    pub(super) fn payout_polled(&mut self, now: Micros, busy: bool, coins_came: bool) {
        let busy = busy && !self.busy_for_ever;
        let Some(payout) = &mut self.payout else {
            return;
        };
        match payout.phase {
            Phase::Draining if coins_came => self.want(Command::Poll),
            Phase::Draining if !busy => {
                payout.phase = Phase::Before;
                self.want(Command::TubeStatus);
            }
            Phase::Busy if busy => {
                payout.seen_busy = true;
                if now.since(payout.ordered_at) >= BUSY_AT_MOST {
                    self.busy_for_ever = true;
                    self.notice("is busy paying for ever: no longer believed".to_owned());
                    self.count(true);
                }
            }
            Phase::Busy => {
                let since = now.since(payout.ordered_at);
                let wait = match payout.acknowledged {
                    _ if self.busy_for_ever => BLIND_WAIT,
                    true => Micros::ZERO,
                    false => UNSURE,
                };
                if since < wait {
                    return;
                }
                payout.quiet_polls += 1;
                match payout.current {
                    // PAYOUT VALUE POLL says when it is over; where it is not answered any more,
                    // the features have been switched off.
                    Some(Order::Value(_)) if payout.quiet_polls < 4 => {}
                    Some(Order::Value(_)) => self.count(true),
                    _ => self.count(false),
                }
            }
            _ => {}
        }
    }

    /// PAYOUT VALUE POLL instead of POLL, while the changer pays a value.
    pub(super) fn value_poll(&self) -> Option<Command> {
        let payout = self.payout.as_ref()?;
        let paying = payout.phase == Phase::Busy && self.step == Step::Done;
        match payout.current {
            Some(Order::Value(_)) if paying => Some(Command::PayoutValuePoll),
            _ => None,
        }
    }

    /// PAYOUT VALUE POLL was answered: with so many counts, or with ACK, being over.
    pub(super) fn value_polled(&mut self, value: Option<u8>) {
        let Some(payout) = self.payout.as_mut().filter(|p| p.phase == Phase::Busy) else {
            return;
        };
        payout.quiet_polls = 0;
        match value {
            Some(counts) => {
                payout.seen_busy = true;
                let setup = self.setup.as_ref();
                let more = setup.map_or(0, |s| s.scaling().to_minor(u32::from(counts)));
                payout.value_polled = payout.value_polled.saturating_add(Money(more));
                if more > 0 {
                    let value = payout.value_polled;
                    self.reports.push(Report::PayingOut { value });
                }
            }
            None => {
                payout.phase = Phase::Itemising;
                self.want(Command::PayoutStatus);
            }
        }
    }

    /// PAYOUT STATUS was answered: with coins, or with ACK, being busy yet.
    pub(super) fn itemised(&mut self, coins: Option<PerType>) {
        let Some(payout) = self.payout.as_mut().filter(|p| p.phase == Phase::Itemising) else {
            return;
        };
        match coins {
            Some(_) => {
                payout.itemised = coins;
                self.count(false);
            }
            None => payout.phase = Phase::Busy,
        }
    }

    /// It is over as far as can be seen: TUBE STATUS shows what came out.
    pub(super) fn count(&mut self, interrupted: bool) {
        if let Some(payout) = &mut self.payout {
            payout.phase = Phase::Counting;
            payout.interrupted |= interrupted;
            self.want(Command::TubeStatus);
        }
    }

    /// A coin went to its tube.
    pub(super) fn payout_sees_coin(&mut self, coin_type: CoinType) {
        if let Some(payout) = &mut self.payout
            && let Some(before) = payout.before.get_mut(coin_type.index())
        {
            *before += 1;
        }
    }

    /// Coins left their tube by its switch: they are no change. A changer that starts anew in the middle of a payout
    /// has its switches on (section 5.3, COIN TYPE, Y3-Y4).
    pub(super) fn payout_sees_hand(&mut self, coin_type: CoinType, coins: u8) {
        if let Some(payout) = &mut self.payout
            && let Some(before) = payout.before.get_mut(coin_type.index())
        {
            *before = before.saturating_sub(u32::from(coins));
        }
    }

    /// TUBE STATUS has been read.
    pub(super) fn payout_tubes_read(&mut self) {
        match self.phase() {
            Some(Phase::Before) => self.order_next(),
            Some(Phase::Counting) => {
                self.count_order();
                self.order_next();
            }
            _ => {}
        }
    }
}

/// What came out: the tubes before and after, and what PAYOUT STATUS says (section 5.3).
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
        payout.value_polled = payout.paid;
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
    /// another figure agrees (a turned mode bit can make a valid block of its first bytes), else what is gone
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
        let polled = payout.value_polled.saturating_sub(payout.paid);
        let decimals = self.decimals();
        let show = |m: Money| m.show(decimals);
        self.notice(format!(
            "PAYOUT STATUS says {}, PAYOUT VALUE POLL said {}, the tubes lost {}",
            show(said),
            show(polled),
            show(from_tubes)
        ));
        // Two of three, else the most: what may have been paid is not paid again.
        if polled == said || polled == from_tubes {
            polled
        } else {
            said.max(polled).max(from_tubes).min(ordered)
        }
    }
}
