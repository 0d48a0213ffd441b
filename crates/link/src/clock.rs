//! Bench time, read from the clock of the machine.

use payrig_units::Micros;
use std::time::Instant;

/// Bench time of a live link: microseconds since an instant.
#[derive(Clone, Copy, Debug)]
pub struct Clock(Instant);

impl Clock {
    /// Bench time zero is now.
    #[must_use]
    pub fn starting_now() -> Self {
        Self(Instant::now())
    }

    /// Bench time zero is `start`.
    #[must_use]
    pub const fn starting_at(start: Instant) -> Self {
        Self(start)
    }

    /// Bench time zero.
    #[must_use]
    pub const fn start(&self) -> Instant {
        self.0
    }

    /// The bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        Micros(u64::try_from(self.0.elapsed().as_micros()).unwrap_or(u64::MAX))
    }
}
