//! What the kernel reports of edges, and what that is worth.

use super::waiter::{Waiter, Woken};
use crate::Waker;
use payrig_units::Micros;

/// How far a wake-up of the kernel's may be from its edge, apart from the wait for a processor:
/// interrupt and scheduling (common practice, no source). What an adapter adds is not in it.
const WAKE_UP: Micros = Micros(50);

/// What the kernel does for us.
#[derive(Debug)]
pub(super) enum Kernel {
    /// Nobody has asked yet.
    NotAsked,
    /// It was asked, and no edge has come yet.
    Asked(Waiter, Waker),
    /// It has woken us at an edge.
    Wakes(Waiter, Waker),
    /// It does not.
    Not,
}

impl Kernel {
    pub(super) fn waiter(&self) -> Option<&Waiter> {
        match self {
            Self::Asked(waiter, _) | Self::Wakes(waiter, _) => Some(waiter),
            Self::NotAsked | Self::Not => None,
        }
    }

    pub(super) fn bell(&self) -> Option<&Waker> {
        match self {
            Self::Asked(_, bell) | Self::Wakes(_, bell) => Some(bell),
            Self::NotAsked | Self::Not => None,
        }
    }
}

/// When an edge was that a look at `now` found and one at `before` did not, and how far that may be
/// off: half-way between the two, or just before the kernel's wake-up where that says more.
pub(super) fn when(before: Micros, now: Micros, woken: Option<Woken>) -> (Micros, Micros) {
    let half = Micros(now.since(before).as_us().div_ceil(2));
    let looked = (before + half, half);
    let Some(woken) = woken.filter(|w| w.at > before) else {
        return looked;
    };
    let latency = Micros(woken.waited.as_us().div_ceil(2)) + WAKE_UP;
    let told = ((woken.at - latency).max(before), latency);
    if told.1 < looked.1 { told } else { looked }
}
