//! Waiting for what a board does in its own time: deliveries, payouts.

use super::*;
use crate::board::habits::Habits;

/// How long after a delivery a board may take to say what became of it, at the most.
const AFTERWARDS: Micros = Micros::ms(6_500);

/// A payout is over when no coin came for so long.
const QUIET: Micros = Micros::secs(5);

impl BoardBench {
    /// What is known of the board's habits by now.
    #[must_use]
    pub fn habits(&self) -> &Habits {
        &self.habits
    }

    /// As [`until_so`](Self::until_so), looked at ten times a second.
    pub fn within(&mut self, most: Micros, so: impl Fn(&Self) -> bool) -> bool {
        let by = self.now() + most;
        while self.now() < by && !so(self) {
            self.wait(Micros::ms(100));
        }
        so(self)
    }

    /// Waits as long as a delivery may take, and so much longer.
    pub fn delivery_and(&mut self, more: Micros) {
        self.wait(self.habits.delivery + more);
    }

    /// Waits until the vend that was asked of a card since `from` is over, as far as the board says so to
    /// the reader; as long as a delivery may take, and 6.5 s.
    pub fn vend_over(&mut self, from: Micros) {
        self.within(self.habits.delivery + AFTERWARDS, |b| {
            b.card_vend_over(from)
        });
        self.secs(2);
    }

    /// The board has said to the reader since then what became of a vend.
    #[must_use]
    pub fn card_vend_over(&self, from: Micros) -> bool {
        self.since(from).any(|block| {
            matches!(
                block.what(),
                Some(
                    What::VendSuccess
                        | What::VendFailure
                        | What::VendCancel
                        | What::SessionComplete
                )
            )
        })
    }

    /// Waits until no coin has come for 5 s, half a minute at the most.
    pub fn payout_over(&mut self) {
        self.until_no_coin_comes(QUIET);
    }

    /// Waits until no coin has come for `quiet`, half a minute at the most.
    pub(super) fn until_no_coin_comes(&mut self, quiet: Micros) {
        let by = self.now() + Micros::secs(30);
        let (mut held, mut since) = (self.customer(), self.now());
        while self.now() < by && self.now().since(since) < quiet {
            self.wait(Micros::ms(100));
            let now = self.customer();
            if now != held {
                (held, since) = (now, self.now());
            }
        }
    }

    /// Presses a selection that the cash put in pays for, and waits until it is delivered and its
    /// `change` is out: where the board keeps credit, the coin return is pressed for it.
    pub fn sell(&mut self, item: Pick, change: Money) {
        let before = self.customer();
        self.select(item);
        self.change_comes(before, change);
    }

    /// What is left of such a sale.
    pub fn change_comes(&mut self, before: Money, change: Money) {
        let came = |b: &Self| b.customer() > before;
        let delivery = self.habits.delivery;
        let at_once = match self.habits.keeps_credit {
            Some(true) => self.within(delivery + Micros::secs(2), came),
            Some(false) => self.within(delivery + Micros::secs(28), came),
            None => self.within(delivery + Micros::secs(8), came),
        };
        if !at_once && self.habits.keeps_credit != Some(false) {
            self.press_return();
            self.within(Micros::secs(10), came);
        }
        self.payout_over();
        // More or less than the change tells nothing: perhaps nothing was sold.
        let right = self.customer() == before.saturating_add(change);
        if self.habits.keeps_credit.is_none() && right {
            self.habits.keeps_credit = Some(!at_once);
        }
    }

    /// A bill that still waits in escrow is spent: a board may hold it until something is bought. True
    /// when one did; the cheap selection was bought with it.
    pub fn spend_held_bill(&mut self) -> bool {
        let held = |b: &Self| !b.sum(|p| matches!(p, Place::Escrow(_))).is_zero();
        if !held(self) {
            return false;
        }
        self.select(Pick::Cheap);
        // Its change is judged by whoever presses the coin return.
        self.within(self.habits.delivery + Micros::secs(8), |b| !held(b));
        self.delivery_and(Micros::secs(3));
        self.payout_over();
        true
    }
}
