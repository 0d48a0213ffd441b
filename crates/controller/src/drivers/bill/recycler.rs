//! Paying with the bills of a recycler (MDB/ICP 4.3, section 6.3, 37H-05H to 37H-0AH; the
//! sequences are those of section 6.6).
//!
//! An order is never blindly repeated: whether one that was not answered was carried out, PAYOUT
//! STATUS and the bill counts show. What was paid is what they say, not what PAYOUT VALUE POLL
//! said on the way: that is for the display.

use super::BillChange;
use crate::change::{Stock, make_change};
use payrig_mdb::Scaling;
use payrig_mdb::bill::{BillCounts, BillTypes, Command};
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

/// At least 30 s per bill (section 6.3, 37H-06H); then PAYOUT CANCEL, which the recycler should
/// have done within 30 s (37H-0AH).
const PER_BILL: Micros = Micros::secs(30);

/// How long a bill may wait in the inlet for its customer, before and between payouts (common
/// practice, no source).
const FOR_CUSTOMER: Micros = Micros::secs(120);

/// How often an order of which nothing came out, though nothing was reported as broken, is given
/// again.
pub(super) const TRIES: u32 = 3;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    /// Until no bill is in escrow or waits in the inlet: then the next order goes out.
    Clearing,
    /// The order is on its way.
    Ordering,
    /// POLL and PAYOUT VALUE POLL alternate until the latter is answered with ACK.
    Running,
    /// Cancelled and over; the customer takes the last bill (section 6.6, operation cancelled).
    Unblocking,
    /// PAYOUT STATUS is asked for.
    Status,
    /// BILL DISPENSE STATUS is asked for.
    Counting,
}

#[derive(Clone, Debug)]
pub(super) struct Payout {
    pub(super) left: Money,
    pub(super) paid: Money,
    pub(super) plan: VecDeque<Command>,
    pub(super) phase: Phase,
    /// The last order was acknowledged, and no reset came since.
    pub(super) certain: bool,
    pub(super) cancelled: bool,
    /// It was cancelled because nobody took a bill: that is not waited for again.
    pub(super) inlet_given_up: bool,
    pub(super) counts_before: [u32; 16],
    /// Bills that left a store otherwise meanwhile (to the cash box, by hand) less those put in.
    pub(super) moved: [i64; 16],
    pub(super) by_status: BillCounts,
    /// What PAYOUT VALUE POLL said since the order.
    pub(super) said: Money,
    pub(super) progress: Micros,
    pub(super) bill_waits: bool,
    pub(super) tries: u32,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum News {
    /// To say, in plain words.
    Note(String),
    /// So much of the present order has come out, for the display.
    SoFar(Money),
    /// Over: so much was paid. Nothing at all is `Money::ZERO`.
    Over(Money),
    /// The recycler went away in the middle: so much was out by then. Whether more came out is not
    /// known, so that nothing is paid in its place.
    GivenUp {
        /// Out, as it reported.
        paid: Money,
        /// Ordered besides.
        doubt: Money,
    },
    /// Found out later: so much was paid that was not known when the payout was given up.
    Late(Money),
    /// The recycler does not come to an end: it must be RESET.
    Stuck,
}

/// The recycler as the board knows it.
#[derive(Clone, Debug, Default)]
pub(super) struct Recycler {
    /// Types it can store (RECYCLER SETUP).
    pub(super) types: BillTypes,
    pub(super) counts: [u32; 16],
    pub(super) worth: [Money; 16],
    pub(super) bad: BillTypes,
    /// BILL DISPENSE STATUS was read since the last reset.
    pub(super) known: bool,
    /// The last payout fell short: nothing is paid until something changes.
    pub(super) spent: bool,
    /// Broken, as it reported itself.
    pub(super) disabled: bool,
    pub(super) bill_waits: bool,
    pub(super) payout: Option<Payout>,
    /// A payout that was given up because the recycler went away; settled when it is back.
    pub(super) given_up: Option<Payout>,
    pub(super) last_status: BillCounts,
    /// BILL DISPENSE STATUS was answered with nothing of use: asked again with the next POLL.
    pub(super) counts_missing: bool,
    /// The counts were read since the last POLL that was answered.
    pub(super) just_read: bool,
    /// A bill was reported to have moved, and the counts were read just before: they may hold it already,
    /// or not.
    pub(super) stale: bool,
}

impl Recycler {
    /// It can pay, if there are bills.
    pub(super) fn is_usable(&self) -> bool {
        self.known && !self.spent && !self.disabled && self.given_up.is_none()
    }

    /// Bills that can be paid.
    pub(super) fn stock(&self) -> Vec<Stock> {
        if !self.is_usable() {
            return Vec::new();
        }
        let all = (0u8..16).zip(self.counts.iter().zip(&self.worth));
        all.filter(|(t, (count, worth))| {
            !self.bad.contains(*t) && **count > 0 && **worth > Money::ZERO
        })
        .map(|(coin_type, (count, value))| Stock {
            coin_type,
            value: *value,
            count: *count,
        })
        .collect()
    }

    pub(super) fn is_paying(&self) -> bool {
        self.payout.is_some()
    }

    pub(super) fn set_worth(&mut self, worth: [Money; 16]) {
        self.worth = worth;
    }

    /// One bill went into a store (+1) or left it (-1) other than by a payout.
    pub(super) fn moved(&mut self, bill_type: u8, by: i64) {
        let at = usize::from(bill_type);
        if let Some(count) = self.counts.get_mut(at) {
            *count = u32::try_from(i64::from(*count).saturating_add(by)).unwrap_or(0);
        }
        if let Some(moved) = self.payout.as_mut().and_then(|p| p.moved.get_mut(at)) {
            *moved -= by;
        }
        self.spent &= by < 0;
        self.stale |= self.just_read;
    }

    /// Something at the recycler has changed: it may pay again.
    pub(super) fn try_again(&mut self) {
        self.spent = false;
    }

    /// It cannot pay: coins are to be used until something changes.
    pub(super) fn give_up_paying(&mut self) {
        self.spent = true;
    }

    /// A payout begins. False when it cannot.
    pub(super) fn pay(
        &mut self,
        now: Micros,
        amount: Money,
        how: BillChange,
        scaling: Scaling,
    ) -> bool {
        if self.payout.is_some() {
            return false;
        }
        let Some(plan) = self.plan(amount, how, scaling) else {
            return false;
        };
        self.payout = Some(Payout {
            left: amount,
            paid: Money::ZERO,
            plan,
            phase: Phase::Clearing,
            certain: true,
            cancelled: false,
            inlet_given_up: false,
            counts_before: self.counts,
            moved: [0; 16],
            by_status: BillCounts::zero(),
            said: Money::ZERO,
            progress: now,
            bill_waits: false,
            tries: 1,
        });
        true
    }

    pub(super) fn plan(
        &self,
        amount: Money,
        how: BillChange,
        scaling: Scaling,
    ) -> Option<VecDeque<Command>> {
        let bills = make_change(amount, &self.stock())?;
        let orders = match how {
            BillChange::Off => return None,
            BillChange::ByType => bills
                .into_iter()
                .map(|(bill_type, count)| Command::DispenseBill {
                    bill_type,
                    count: u16::try_from(count).unwrap_or(u16::MAX),
                })
                .collect(),
            BillChange::ByValue => {
                let max = u32::from(u16::MAX);
                let count = scaling.to_count(amount.as_minor(), max).ok()?;
                VecDeque::from([Command::DispenseValue(u16::try_from(count).ok()?)])
            }
        };
        Some(orders).filter(|o: &VecDeque<Command>| !o.is_empty())
    }

    /// POLL was answered: is a bill in the path or in the inlet, is the dispenser disabled?
    pub(super) fn polled(
        &mut self,
        now: Micros,
        escrow_free: bool,
        bill_waits: bool,
        disabled: bool,
        wanted: &mut VecDeque<Command>,
    ) -> Option<News> {
        if self.disabled && !disabled || self.bill_waits && !bill_waits {
            self.spent = false;
        }
        self.bill_waits = bill_waits;
        // With a bill in escrow it is disabled as well (section 6.3, 33H, 29H).
        self.disabled = disabled && escrow_free;
        self.just_read = false;
        if std::mem::take(&mut self.counts_missing) {
            wanted.push_back(Command::BillDispenseStatus);
        }
        let payout = self.payout.as_mut()?;
        if payout.bill_waits && !bill_waits {
            payout.progress = now;
        }
        payout.bill_waits = bill_waits;
        let patience = if bill_waits { FOR_CUSTOMER } else { PER_BILL };
        let late = now.since(payout.progress) > patience;
        match payout.phase {
            Phase::Clearing if escrow_free && !bill_waits && !self.stale => {
                self.order_next(now, wanted);
                None
            }
            Phase::Clearing if late => {
                let paid = payout.paid;
                self.payout = None;
                self.spent = true;
                Some(News::Over(paid))
            }
            Phase::Clearing if escrow_free && !bill_waits => {
                // The counts before and after show what came out: they must be certain.
                wanted.push_back(Command::BillDispenseStatus);
                None
            }
            Phase::Running | Phase::Status if late && payout.cancelled => {
                payout.progress = now;
                Some(News::Stuck)
            }
            Phase::Running if late => {
                payout.cancelled = true;
                payout.inlet_given_up = bill_waits;
                payout.progress = now;
                wanted.push_back(Command::PayoutCancel);
                wanted.push_back(Command::PayoutValuePoll);
                let why = match bill_waits {
                    true => "nobody takes the bill out of the inlet",
                    false => "no bill came out for 30 s",
                };
                Some(News::Note(format!("{why}: the payout is cancelled")))
            }
            Phase::Running => {
                wanted.push_back(Command::PayoutValuePoll);
                None
            }
            Phase::Unblocking if bill_waits && !late => None,
            Phase::Unblocking => {
                payout.phase = Phase::Status;
                payout.progress = now;
                wanted.push_back(Command::PayoutStatus);
                None
            }
            Phase::Status => {
                payout.cancelled |= late;
                wanted.push_back(Command::PayoutStatus);
                None
            }
            Phase::Clearing | Phase::Ordering | Phase::Counting => None,
        }
    }

    fn order_next(&mut self, now: Micros, wanted: &mut VecDeque<Command>) {
        if let Some(payout) = &mut self.payout
            && let Some(order) = payout.plan.pop_front()
        {
            payout.phase = Phase::Ordering;
            payout.counts_before = self.counts;
            payout.moved = [0; 16];
            payout.said = Money::ZERO;
            payout.certain = true;
            payout.progress = now;
            wanted.push_back(order);
        }
    }

    /// DISPENSE BILL or DISPENSE VALUE was acknowledged, or not answered at all.
    pub(super) fn ordered(
        &mut self,
        now: Micros,
        acknowledged: bool,
        wanted: &mut VecDeque<Command>,
    ) {
        if let Some(payout) = self.payout.as_mut().filter(|p| p.phase == Phase::Ordering) {
            payout.phase = Phase::Running;
            payout.certain = acknowledged;
            payout.progress = now;
            // Not answered: POLL goes first, and then it is asked what came of it.
            if acknowledged {
                wanted.push_back(Command::PayoutValuePoll);
            }
        }
    }

    /// PAYOUT VALUE POLL was answered: with a value, or with ACK when the payout is over.
    pub(super) fn value_poll(
        &mut self,
        now: Micros,
        value: Option<Money>,
        wanted: &mut VecDeque<Command>,
    ) -> Option<News> {
        let payout = self.payout.as_mut().filter(|p| p.phase == Phase::Running)?;
        match value {
            None if payout.cancelled && payout.bill_waits && !payout.inlet_given_up => {
                payout.phase = Phase::Unblocking;
                payout.progress = now;
                None
            }
            None => {
                payout.phase = Phase::Status;
                payout.progress = now;
                wanted.push_back(Command::PayoutStatus);
                None
            }
            Some(Money::ZERO) => None,
            Some(value) => {
                payout.progress = now;
                payout.said = payout.said.saturating_add(value);
                Some(News::SoFar(payout.paid.saturating_add(payout.said)))
            }
        }
    }

    /// PAYOUT STATUS was answered; with ACK (`None`) while the payout is busy (note 1).
    pub(super) fn payout_status(
        &mut self,
        counts: Option<&BillCounts>,
        wanted: &mut VecDeque<Command>,
    ) {
        let given_up = self.given_up.as_mut();
        if let Some(counts) = counts
            && let Some(payout) = self.payout.as_mut().or(given_up)
            && payout.phase == Phase::Status
        {
            payout.by_status = counts.clone();
            payout.phase = Phase::Counting;
            wanted.push_back(Command::BillDispenseStatus);
        }
    }

    /// BILL DISPENSE STATUS was answered, and not with counts: as by a turned mode bit. What waits for
    /// them asks again.
    pub(super) fn no_counts(&mut self) {
        let counting = |p: &Payout| p.phase == Phase::Counting;
        let waits = self.payout.as_ref().or(self.given_up.as_ref());
        self.counts_missing |= waits.is_some_and(counting);
    }

    /// BILL DISPENSE STATUS was answered.
    pub(super) fn dispense_status(
        &mut self,
        now: Micros,
        full: BillTypes,
        counts: &BillCounts,
        how: BillChange,
        scaling: Scaling,
    ) -> Vec<News> {
        for (t, count) in (0u8..16).zip(&mut self.counts) {
            *count = u32::from(counts.count(t));
        }
        // Full with no bills in it means bad (section 6.3, 37H-05H, note).
        self.bad = full.iter().filter(|t| counts.count(*t) == 0).collect();
        self.known = true;
        (self.stale, self.just_read) = (false, true);
        let counting = |p: &Payout| p.phase == Phase::Counting;
        if self.payout.as_ref().is_some_and(counting) {
            return self.conclude(now, how, scaling);
        }
        if let Some(payout) = self.given_up.take_if(|p| counting(p)) {
            let (paid, mut news) = self.came_out(&payout);
            news.push(News::Late(paid.saturating_sub(payout.said)));
            return news;
        }
        Vec::new()
    }
}

/// What came of a payout: counted when it is over, after a reset, or when the recycler is back
/// (section 6.3, 37H-05H and 37H-08H).
impl Recycler {
    /// What the last order brought out, from PAYOUT STATUS and the counts.
    pub(super) fn came_out(&mut self, payout: &Payout) -> (Money, Vec<News>) {
        let (mut by_status, mut by_counts) = (Money::ZERO, Money::ZERO);
        let mut countable = true;
        for (t, worth) in (0u8..16).zip(&self.worth) {
            let at = usize::from(t);
            let status = i64::from(payout.by_status.count(t));
            let before = payout.counts_before.get(at).copied().unwrap_or(0);
            let after = self.counts.get(at).copied().unwrap_or(0);
            let moved = payout.moved.get(at).copied().unwrap_or(0);
            let gone = i64::from(before) - i64::from(after) - moved;
            if self.bad.contains(t) {
                countable = false;
            }
            let times = |n: i64| worth.checked_mul(n.max(0)).unwrap_or_default();
            by_status = by_status.saturating_add(times(status));
            by_counts = by_counts.saturating_add(times(gone));
        }
        let stale = by_status > Money::ZERO && payout.by_status == self.last_status;
        self.last_status = payout.by_status.clone();
        if by_status == by_counts || !countable {
            return (by_status, Vec::new());
        }
        // After a reset the status may be forgotten, and after an order that was not heard it may
        // be the last one's; the bills that are left show it all the same.
        let use_counts = !payout.certain && (by_status < by_counts || stale);
        let (paid, who) = match use_counts {
            true => (by_counts, "the counts are"),
            false => (by_status, "PAYOUT STATUS is"),
        };
        let text = format!(
            "PAYOUT STATUS says {} minor units were paid, the counts of bills say {}: {who} believed",
            by_status.as_minor(),
            by_counts.as_minor(),
        );
        (paid, vec![News::Note(text)])
    }

    pub(super) fn conclude(&mut self, now: Micros, how: BillChange, scaling: Scaling) -> Vec<News> {
        let Some(mut payout) = self.payout.take() else {
            return Vec::new();
        };
        let (paid, mut news) = self.came_out(&payout);
        payout.paid = payout.paid.saturating_add(paid);
        payout.left = payout.left.saturating_sub(paid);
        payout.phase = Phase::Clearing;
        payout.progress = now;
        payout.said = Money::ZERO;
        let short = payout
            .left
            .saturating_sub(self.planned(&payout.plan, scaling));
        if short > Money::ZERO {
            let short = short.as_minor();
            let again = !payout.certain || paid.is_zero() && self.bad.is_empty();
            let plan = self.plan(payout.left, how, scaling);
            match plan.filter(|_| again && payout.tries < TRIES && !payout.cancelled) {
                Some(plan) => {
                    payout.tries += 1;
                    payout.plan = plan;
                    news.push(News::Note(format!(
                        "{short} minor units did not come out, as its counts say: ordered anew"
                    )));
                }
                None => {
                    payout.plan.clear();
                    self.spent = true;
                    news.push(News::Note(format!(
                        "recycler: {} minor units were not paid",
                        payout.left.as_minor()
                    )));
                }
            }
        }
        match payout.plan.is_empty() {
            true => news.push(News::Over(payout.paid)),
            false => self.payout = Some(payout),
        }
        news
    }

    /// What the orders still to be given are worth.
    fn planned(&self, plan: &VecDeque<Command>, scaling: Scaling) -> Money {
        let of = |order: &Command| match order {
            Command::DispenseBill { bill_type, count } => self
                .worth
                .get(usize::from(*bill_type))
                .and_then(|worth| worth.checked_mul(i64::from(*count)))
                .unwrap_or_default(),
            Command::DispenseValue(count) => Money(scaling.to_minor(u32::from(*count))),
            _ => Money::ZERO,
        };
        plan.iter().map(of).sum()
    }

    /// The validator was reset: what it paid before is asked for once it is set up.
    pub(super) fn reset(&mut self) {
        self.known = false;
        self.spent = false;
        self.disabled = false;
        for payout in self.payout.iter_mut().chain(&mut self.given_up) {
            if payout.phase != Phase::Clearing {
                payout.phase = Phase::Status;
                payout.certain = false;
                payout.plan.clear();
            }
        }
    }

    /// The validator is set up: what to ask.
    pub(super) fn set_up(&mut self, now: Micros) -> Command {
        let mut open = self.payout.iter_mut().chain(&mut self.given_up);
        match open.find(|p| p.phase == Phase::Status) {
            Some(payout) => {
                payout.progress = now;
                Command::PayoutStatus
            }
            None => Command::BillDispenseStatus,
        }
    }

    /// The validator went away: the machine does not wait for it. What it reported as paid counts;
    /// the rest is settled when it is back.
    pub(super) fn lost(&mut self) -> Vec<News> {
        self.known = false;
        let Some(payout) = self.payout.take() else {
            return Vec::new();
        };
        let paid = payout.paid.saturating_add(payout.said);
        if payout.phase == Phase::Clearing {
            return vec![News::Over(paid)];
        }
        let text = format!(
            "went away while it paid {} minor units; {} were out, whether more came is known \
                 when it is back",
            payout.left.saturating_add(payout.paid).as_minor(),
            paid.as_minor(),
        );
        let doubt = payout.left.saturating_sub(payout.said);
        self.given_up = Some(payout);
        vec![News::Note(text), News::GivenUp { paid, doubt }]
    }

    /// True while it pays, or what it paid is still to be counted.
    pub(super) fn is_counting(&self) -> bool {
        self.payout.is_some() || self.given_up.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bill went in, and the counts were read just then: nothing is ordered before they are sure, and
    /// nobody waits for ever for counts that never come.
    #[test]
    fn counts_that_never_come_end_a_payout() {
        let mut recycler = Recycler {
            known: true,
            ..Recycler::default()
        };
        recycler.counts[0] = 3;
        recycler.worth[0] = Money(100);
        let scaling = Scaling {
            factor: 100,
            decimals: 2,
        };
        assert!(recycler.pay(Micros::ZERO, Money(100), BillChange::ByType, scaling));
        let mut wanted = VecDeque::new();
        recycler.just_read = true;
        recycler.moved(0, 1);
        let mut poll =
            |at, wanted: &mut VecDeque<Command>| recycler.polled(at, true, false, false, wanted);
        assert_eq!(poll(Micros::secs(1), &mut wanted), None);
        assert_eq!(wanted, [Command::BillDispenseStatus]);
        let late = PER_BILL + Micros::ms(1);
        assert_eq!(poll(late, &mut wanted), Some(News::Over(Money::ZERO)));
        assert!(!recycler.is_paying());
    }
}
