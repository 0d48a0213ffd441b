//! Noticing that whoever drives a bench has not looked at its ports: it was stopped, or the machine was
//! busy.
//!
//! No clock, no I/O: `run_live` and the examinations' driver both hold one.

use payrig_units::Micros;

/// How long a driver sleeps at the most, so that a stall is noticed.
const BEAT: Micros = Micros::ms(20);

/// A driver that wakes this much later than it had to was stopped, or the machine was busy: what came
/// meanwhile has no times of its own.
const STALL: Micros = Micros::ms(25);

/// When a driver looked at its ports.
#[derive(Clone, Copy, Debug)]
pub struct Watch {
    looked: Micros,
}

impl Watch {
    /// It looks now.
    #[must_use]
    pub const fn new(now: Micros) -> Self {
        Self { looked: now }
    }

    /// Until when to sleep that wants to sleep until `until`, at bench time `asleep`.
    #[must_use]
    pub fn sleep_until(asleep: Micros, until: Micros) -> Micros {
        until.min(asleep + BEAT)
    }

    /// It slept from `asleep`, was to wake at `until` and looks again at `awake`: the stretch in which it
    /// did not look, where that was too long.
    pub fn woke(
        &mut self,
        asleep: Micros,
        until: Micros,
        awake: Micros,
    ) -> Option<(Micros, Micros)> {
        let from = std::mem::replace(&mut self.looked, awake);
        // Stopped, or held up by its own output.
        let stalled = awake.since(until.max(asleep)) > STALL || asleep.since(from) > STALL;
        stalled.then_some((from, awake))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_driver_that_looks_in_time_is_not_stalled_and_one_that_does_not_is() {
        let mut watch = Watch::new(Micros::ms(100));
        let until = Watch::sleep_until(Micros::ms(101), Micros::NEVER);
        assert_eq!(until, Micros::ms(121));
        assert_eq!(watch.woke(Micros::ms(101), until, Micros::ms(122)), None);
        assert_eq!(
            Watch::sleep_until(Micros::ms(122), Micros::ms(130)),
            Micros::ms(130)
        );
        // Stopped while it slept.
        let stall = watch.woke(Micros::ms(122), Micros::ms(130), Micros::ms(430));
        assert_eq!(stall, Some((Micros::ms(122), Micros::ms(430))));
        // Held up before it slept.
        let stall = watch.woke(Micros::ms(500), Micros::ms(510), Micros::ms(505));
        assert_eq!(stall, Some((Micros::ms(430), Micros::ms(505))));
        // A deadline that had passed is no stall.
        assert_eq!(
            watch.woke(Micros::ms(506), Micros::ms(200), Micros::ms(507)),
            None
        );
    }
}
