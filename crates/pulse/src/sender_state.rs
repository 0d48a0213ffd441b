//! What a pulse sender must not forget, and where its money is.

use crate::plan::Run;
use payrig_units::{Micros, Money};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// One amount on its way: what is left of its pulses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Item {
    pub(crate) amount: Money,
    pub(crate) runs: VecDeque<Run>,
    pub(crate) sent: u64,
}

/// A pulse of which only the start is on record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct OnAir {
    pub(crate) line: String,
    pub(crate) on: Micros,
    pub(crate) since: Micros,
}

/// Everything a [`PulseSender`](crate::PulseSender) must not forget. Save it (serde) after every call that gave edges
/// or took money, before the edges are put on the line, and a sender made from it goes on where
/// the old one stopped.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SenderState {
    pub(crate) queue: VecDeque<Item>,
    pub(crate) on_air: Option<OnAir>,
    pub(crate) remainder: Money,
    pub(crate) delivered: Money,
    pub(crate) doubtful: Vec<Run>,
}

/// When the power went, for a sender that comes back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cut {
    /// At this time, on the clock of the saved state.
    At(Micros),
    /// Nobody knows: a pulse that was on is in doubt.
    Unknown,
}

/// Where the money given to a sender is. The parts add up to what was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SenderBooks {
    /// Sent to the last pulse.
    pub delivered: Money,
    /// Not begun yet.
    pub waiting: Money,
    /// Begun but not ended: the amount, pulses sent, pulses left.
    pub under_way: Option<(Money, u64, u64)>,
    /// What the profile has no pulses for; it is added to the next amount.
    pub remainder: Money,
    /// Pulses of delivered or begun amounts of which nobody knows whether they were seen.
    pub doubtful_pulses: u64,
}

impl SenderState {
    /// Books one pulse of the first item as sent.
    pub(crate) fn sent_one(&mut self) {
        let Some(item) = self.queue.front_mut() else {
            return;
        };
        item.sent += 1;
        if let Some(run) = item.runs.front_mut() {
            run.count = run.count.saturating_sub(1);
            if run.count == 0 {
                item.runs.pop_front();
            }
        }
        if item.runs.is_empty() {
            self.delivered = self.delivered.saturating_add(item.amount);
            self.queue.pop_front();
        }
    }
}
