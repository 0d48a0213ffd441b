//! The two paces of bench time: at once, or with the wall clock.

use payrig_units::Micros;
use std::time::Duration;
use tokio::time::Instant;

/// How bench time passes. The same state machines run under both.
#[derive(Clone, Copy, Debug)]
pub enum Pace {
    /// Simulated: the next event is now, however far away it is.
    Simulated,
    /// Live: bench time zero was this instant, and an event waits for its moment.
    Real(Instant),
}

impl Pace {
    /// The live pace, starting now.
    #[must_use]
    pub fn real() -> Self {
        Self::Real(Instant::now())
    }

    /// Waits until bench time `at`. Returns how late the wake-up was (always zero when simulated).
    pub async fn wait_until(&self, at: Micros) -> Micros {
        match self {
            Self::Simulated => Micros::ZERO,
            Self::Real(start) => {
                let due = *start + Duration::from_micros(at.as_us());
                tokio::time::sleep_until(due).await;
                let late = Instant::now().saturating_duration_since(due);
                Micros(u64::try_from(late.as_micros()).unwrap_or(u64::MAX))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn simulated_time_never_waits() {
        let wait = async { Pace::Simulated.wait_until(Micros::secs(3600)).await };
        let mut wait = tokio_test::task::spawn(wait);
        tokio_test::assert_ready_eq!(wait.poll(), Micros::ZERO);
    }

    #[tokio::test(start_paused = true)]
    async fn live_time_waits_for_the_moment() {
        let pace = Pace::real();
        let mut wait = tokio_test::task::spawn(pace.wait_until(Micros::ms(25)));
        tokio_test::assert_pending!(wait.poll());
        tokio::time::advance(Duration::from_millis(24)).await;
        tokio_test::assert_pending!(wait.poll());
        tokio::time::advance(Duration::from_millis(2)).await;
        assert!(wait.is_woken());
        tokio_test::assert_ready!(wait.poll());
    }
}
