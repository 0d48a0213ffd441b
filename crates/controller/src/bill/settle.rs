//! What came of a payout: counted when it is over, after a reset, or when the recycler is back
//! (MDB/ICP 4.3, section 6.3, 37H-05H and 37H-08H).

use super::payout::{News, Payout, Phase, Recycler, TRIES};
use super::policy::BillChange;
use payrig_mdb::Scaling;
use payrig_mdb::bill::Command;
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

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
        // be the last one's; the bills that are left tell it all the same.
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

    /// The validator went away: the machine does not wait for it. What it said it has paid counts;
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
