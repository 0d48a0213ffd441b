//! Coins on their way out: DISPENSE and PAYOUT (section 5.3).

use payrig_mdb::changer::{CoinType, PerType};
use payrig_units::Micros;
use std::collections::VecDeque;

/// The payout that goes on, and what the last PAYOUT has paid.
#[derive(Clone, Debug)]
pub(super) struct Payout {
    queue: VecDeque<CoinType>,
    /// When the next coin is out.
    due: Micros,
    /// When the payout began.
    began: Micros,
    /// Set while a PAYOUT (not a DISPENSE) goes on: counts still to pay.
    remaining: Option<u8>,
    /// Coins of the last PAYOUT not reported yet by PAYOUT STATUS.
    paid: [u8; 16],
    /// Counts of the last PAYOUT not reported yet by PAYOUT VALUE POLL.
    value: u8,
    /// A payout has begun since the last reset.
    ever: bool,
}

impl Payout {
    pub(super) fn new() -> Self {
        Self {
            queue: VecDeque::new(),
            due: Micros::NEVER,
            began: Micros::ZERO,
            remaining: None,
            paid: [0; 16],
            value: 0,
            ever: false,
        }
    }

    pub(super) fn is_busy(&self) -> bool {
        !self.queue.is_empty()
    }

    pub(super) fn ever(&self) -> bool {
        self.ever
    }

    pub(super) fn due(&self) -> Micros {
        if self.is_busy() {
            self.due
        } else {
            Micros::NEVER
        }
    }

    /// When the payout that goes on began.
    pub(super) fn began(&self) -> Micros {
        self.began
    }

    /// Starts (or, when one goes on, lengthens) a DISPENSE.
    pub(super) fn dispense(&mut self, now: Micros, each: Micros, coin_type: CoinType, coins: u8) {
        if !self.is_busy() {
            self.due = now + each;
            self.began = now;
        }
        self.ever = true;
        self.queue
            .extend(std::iter::repeat_n(coin_type, usize::from(coins)));
    }

    /// Starts a PAYOUT of these coins.
    pub(super) fn pay(&mut self, now: Micros, each: Micros, value: u8, coins: Vec<CoinType>) {
        self.ever = true;
        self.paid = [0; 16];
        self.value = 0;
        self.remaining = Some(value);
        self.due = now + each;
        self.began = now;
        self.queue = coins.into();
    }

    /// The next coin, if it is due by now.
    pub(super) fn next(&mut self, now: Micros, each: Micros) -> Option<CoinType> {
        if now < self.due {
            return None;
        }
        let coin_type = self.queue.pop_front()?;
        self.due += each;
        Some(coin_type)
    }

    /// A coin of the payout is out.
    pub(super) fn paid(&mut self, coin_type: CoinType, credit: u8) {
        let Some(remaining) = &mut self.remaining else {
            return;
        };
        *remaining = remaining.saturating_sub(credit);
        self.value = self.value.saturating_add(credit);
        if let Some(n) = self.paid.get_mut(coin_type.index()) {
            *n = n.saturating_add(1);
        }
    }

    /// A tube failed: the rest of a DISPENSE is given up. For a PAYOUT this says how many counts
    /// are left, to be paid in other coins with [`Self::instead`].
    pub(super) fn failed(&mut self) -> Option<u8> {
        self.queue.clear();
        self.remaining
    }

    pub(super) fn instead(&mut self, coins: Vec<CoinType>) {
        self.queue = coins.into();
    }

    /// Called when coins have gone out: notes the end.
    pub(super) fn settle(&mut self) {
        if !self.is_busy() {
            self.remaining = None;
        }
    }

    /// A reset or a power cut ends the payout; what PAYOUT has paid so far is kept.
    pub(super) fn abort(&mut self) {
        self.queue.clear();
        self.remaining = None;
        self.ever = false;
    }

    /// Coins for PAYOUT STATUS.
    pub(super) fn status(&self) -> PerType {
        PerType::full(self.paid)
    }

    pub(super) fn status_acknowledged(&mut self) {
        self.paid = [0; 16];
    }

    /// Counts for PAYOUT VALUE POLL.
    pub(super) fn value(&self) -> u8 {
        self.value
    }

    pub(super) fn value_acknowledged(&mut self, value: u8) {
        self.value = self.value.saturating_sub(value);
    }
}
