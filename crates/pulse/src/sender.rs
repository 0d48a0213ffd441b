//! The acceptor's half of a pulse link: money in, edges out.

use crate::plan::Run;
use crate::sender_state::{Cut, Item, OnAir, SenderBooks, SenderState};
use crate::{Edge, Profile};
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// Nothing before this time.
    Rest(Micros),
    /// A pulse is on until this time.
    On(Micros),
    Unpowered,
}

/// Sends money as trains of pulses, each amount a train of its own, never lost and never doubled.
///
/// Call [`wake`](Self::wake) at [`next_deadline`](Self::next_deadline) and put the edges of
/// [`take_edges`](Self::take_edges) on the lines at once: an edge carries the time of the call,
/// so a late call makes a late edge and the books still agree with the wire.
///
/// A pulse cut by a power loss counts as sent when it had reached the least width the profile
/// allows, which is what a receiver of the same profile credits; otherwise it is sent again.
#[derive(Clone, Debug)]
pub struct PulseSender {
    profile: Profile,
    state: SenderState,
    phase: Phase,
    held: bool,
    edges: Vec<(String, Edge)>,
}

impl PulseSender {
    /// A sender with nothing to send; all lines are at rest.
    #[must_use]
    pub fn new(profile: Profile) -> Self {
        Self {
            profile,
            state: SenderState::default(),
            phase: Phase::Rest(Micros::ZERO),
            held: false,
            edges: Vec::new(),
        }
    }

    /// A sender that goes on at `now` from a saved state, after a pause no train can span.
    #[must_use]
    pub fn resume(profile: Profile, mut state: SenderState, cut: Cut, now: Micros) -> Self {
        if let Some(pulse) = state.on_air.take() {
            let window = profile.tolerance.around(pulse.on);
            match cut {
                Cut::At(at) if at.since(pulse.since) >= window.min => state.sent_one(),
                Cut::At(_) => {}
                Cut::Unknown => {
                    // It counts as sent, so that it is not doubled, and is kept, so that it is
                    // not lost.
                    state.sent_one();
                    state.doubtful.push(Run {
                        line: pulse.line,
                        on: pulse.on,
                        count: 1,
                    });
                }
            }
        }
        let mut sender = Self::new(profile);
        sender.state = state;
        sender.phase = Phase::Rest(now + sender.pause_between_trains());
        sender
    }

    /// What must be saved.
    #[must_use]
    pub fn state(&self) -> &SenderState {
        &self.state
    }

    /// Where the money is.
    #[must_use]
    pub fn books(&self) -> SenderBooks {
        let left = |item: &Item| {
            item.runs
                .iter()
                .fold(0_u64, |n, r| n.saturating_add(r.count))
        };
        let begun = |item: &&Item| item.sent > 0;
        SenderBooks {
            delivered: self.state.delivered,
            waiting: self
                .state
                .queue
                .iter()
                .filter(|i| i.sent == 0)
                .map(|i| i.amount)
                .sum(),
            under_way: self
                .state
                .queue
                .front()
                .filter(begun)
                .map(|item| (item.amount, item.sent, left(item))),
            remainder: self.state.remainder,
            doubtful_pulses: self.state.doubtful.iter().map(|r| r.count).sum(),
        }
    }

    /// Takes money to be sent. What has no pulses is kept and added to the next amount. An amount
    /// that is not above zero is taken as nothing and returned.
    pub fn credit(&mut self, amount: Money) -> Option<Money> {
        if amount <= Money::ZERO {
            return Some(amount);
        }
        let Some(whole) = amount.checked_add(self.state.remainder) else {
            return Some(amount);
        };
        let plan = self.profile.plan(whole);
        self.state.remainder = plan.remainder;
        if !plan.runs.is_empty() {
            self.state.queue.push_back(Item {
                amount: whole.saturating_sub(plan.remainder),
                runs: plan.runs.into(),
                sent: 0,
            });
        }
        None
    }

    /// Holds back trains not begun yet, or lets them go.
    pub fn hold(&mut self, held: bool) {
        self.held = held;
    }

    /// Sends the doubtful pulses again: for when the receiver is known not to have counted them.
    pub fn resend_doubtful(&mut self) {
        let runs: VecDeque<Run> = std::mem::take(&mut self.state.doubtful).into();
        if !runs.is_empty() {
            // Their money is already in the books as delivered or under way.
            self.state.queue.push_back(Item {
                amount: Money::ZERO,
                runs,
                sent: 0,
            });
        }
    }

    /// Drops the doubtful pulses: for when the receiver is known to have counted them.
    pub fn forget_doubtful(&mut self) {
        self.state.doubtful.clear();
    }

    /// Power comes or goes. Without power all lines are at rest; what is left to send is kept.
    pub fn power(&mut self, now: Micros, on: bool) {
        match (on, self.phase) {
            (false, Phase::On(_)) => {
                if let Some(pulse) = self.state.on_air.take() {
                    let window = self.profile.tolerance.around(pulse.on);
                    if now.since(pulse.since) >= window.min {
                        self.state.sent_one();
                    }
                    self.put(pulse.line, now, false);
                }
                self.phase = Phase::Unpowered;
            }
            (false, _) => self.phase = Phase::Unpowered,
            (true, Phase::Unpowered) => self.phase = Phase::Rest(now + self.pause_between_trains()),
            (true, _) => {}
        }
    }

    fn pause_between_trains(&self) -> Micros {
        self.profile.train_gap + self.profile.off
    }

    fn put(&mut self, line: String, at: Micros, active: bool) {
        let high = self.profile.active.is_high() == active;
        self.edges.push((line, Edge { at, high }));
    }

    /// The line and width of the next pulse, if one may start.
    fn next_pulse(&self) -> Option<(&str, Micros)> {
        let item = self.state.queue.front()?;
        if self.held && item.sent == 0 {
            return None;
        }
        let run = item.runs.front()?;
        Some((&run.line, run.on))
    }

    /// A deadline has come (or may have: waking early is harmless).
    pub fn wake(&mut self, now: Micros) {
        match self.phase {
            Phase::On(until) if now >= until => {
                if let Some(pulse) = self.state.on_air.take() {
                    self.put(pulse.line, now, false);
                }
                let before = self.state.queue.len();
                self.state.sent_one();
                let pause = if self.state.queue.len() < before {
                    self.pause_between_trains()
                } else {
                    self.profile.off
                };
                self.phase = Phase::Rest(now + pause);
            }
            Phase::Rest(until) if now >= until => {
                let Some((line, on)) = self.next_pulse() else {
                    return;
                };
                let line = line.to_owned();
                self.state.on_air = Some(OnAir {
                    line: line.clone(),
                    on,
                    since: now,
                });
                self.put(line, now, true);
                self.phase = Phase::On(now + on);
            }
            _ => {}
        }
    }

    /// When [`wake`](Self::wake) has something to do; [`Micros::NEVER`] when it has not. May lie in
    /// the past: then it is due at once.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        match self.phase {
            Phase::On(until) => until,
            Phase::Rest(until) if self.next_pulse().is_some() => until,
            _ => Micros::NEVER,
        }
    }

    /// Edges to put on the lines now, in order.
    pub fn take_edges(&mut self) -> Vec<(String, Edge)> {
        std::mem::take(&mut self.edges)
    }

    /// True when there is nothing left to send.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.state.queue.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{CreditCounter, Level};
    use proptest::prelude::*;

    /// Runs a sender until it has nothing to do or `until`, feeding its edges to a counter.
    fn run(sender: &mut PulseSender, counter: &mut CreditCounter, until: Micros) -> Micros {
        let mut now = Micros::ZERO;
        loop {
            let due = sender.next_deadline();
            if due >= until {
                return now;
            }
            now = now.max(due);
            sender.wake(now);
            for (line, edge) in sender.take_edges() {
                counter.edge(&line, edge.at, edge.high);
            }
        }
    }

    #[test]
    fn each_amount_is_a_train_of_its_own() {
        let mut sender = PulseSender::new(Profile::short());
        let mut counter = CreditCounter::new(Profile::short(), Micros::ZERO);
        assert_eq!(sender.credit(Money(500)), None);
        assert_eq!(sender.credit(Money(130)), None);
        assert_eq!(sender.credit(Money(0)), Some(Money(0)));
        assert_eq!(sender.books().waiting, Money(600));
        run(&mut sender, &mut counter, Micros::secs(60));
        counter.finish(Micros::secs(60));
        let counts: Vec<_> = counter.take_credits().iter().map(|c| c.pulses).collect();
        assert_eq!(counts, [5, 1]);
        assert_eq!(sender.books().remainder, Money(30));
        sender.credit(Money(70));
        assert_eq!(sender.books().waiting, Money(100));
        assert!(counter.take_findings().is_empty());
    }

    #[test]
    fn held_back_trains_wait() {
        let mut sender = PulseSender::new(Profile::short());
        sender.credit(Money(100));
        sender.hold(true);
        assert_eq!(sender.next_deadline(), Micros::NEVER);
        sender.hold(false);
        assert_eq!(sender.next_deadline(), Micros::ZERO);
    }

    #[test]
    fn active_high_lines_are_driven_high() {
        let mut profile = Profile::short();
        profile.active = Level::High;
        let mut sender = PulseSender::new(profile);
        sender.credit(Money(100));
        sender.wake(Micros::ZERO);
        assert_eq!(
            sender.take_edges(),
            [(
                "credit".to_owned(),
                Edge {
                    at: Micros::ZERO,
                    high: true
                }
            )]
        );
    }

    #[test]
    fn a_pulse_cut_at_an_unknown_time_is_kept_in_doubt() {
        let mut sender = PulseSender::new(Profile::short());
        sender.credit(Money(200));
        sender.wake(Micros::ZERO);
        let saved = serde_json::to_string(sender.state()).unwrap();
        let state: SenderState = serde_json::from_str(&saved).unwrap();
        let mut sender = PulseSender::resume(Profile::short(), state, Cut::Unknown, Micros::ZERO);
        assert_eq!(sender.books().under_way, Some((Money(200), 1, 1)));
        assert_eq!(sender.books().doubtful_pulses, 1);
        sender.resend_doubtful();
        assert_eq!(sender.books().doubtful_pulses, 0);
        let mut counter = CreditCounter::new(Profile::short(), Micros::ZERO);
        run(&mut sender, &mut counter, Micros::secs(60));
        counter.finish(Micros::secs(60));
        assert_eq!(counter.total(), Money(200));
        assert_eq!(sender.books().delivered, Money(200));
    }

    proptest! {
        #[test]
        fn a_power_cut_at_any_time_loses_and_doubles_nothing(
            amounts in proptest::collection::vec(1i64..12, 1..4),
            pulses in 1u32..5,
            cut in 0u64..4_000_000,
            saved in any::<bool>(),
        ) {
            let profile = Profile::short().with_count(pulses, Money(100));
            let mut sender = PulseSender::new(profile.clone());
            let mut counter = CreditCounter::new(profile.clone(), Micros::ZERO);
            let given: i64 = amounts.iter().map(|n| n * 100).sum();
            for n in amounts {
                sender.credit(Money(n * 100));
            }
            let cut = Micros(cut);
            run(&mut sender, &mut counter, cut);
            let back = cut + Micros::secs(2);
            let saved_state = sender.state().clone();
            sender.power(cut, false);
            for (line, edge) in sender.take_edges() {
                counter.edge(&line, edge.at, edge.high);
            }
            if saved {
                sender = PulseSender::resume(profile, saved_state, Cut::At(cut), back);
            } else {
                sender.power(back, true);
            }
            run(&mut sender, &mut counter, Micros::NEVER);
            counter.finish(Micros::secs(100_000));
            prop_assert!(sender.is_idle());
            prop_assert_eq!(counter.total(), Money(given));
            prop_assert_eq!(counter.carried(), 0);
            prop_assert_eq!(sender.books().delivered, Money(given));
        }
    }
}
