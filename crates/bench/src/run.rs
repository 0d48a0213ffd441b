//! The drivers: one loop for both paces.

use crate::stage::Stage;
use payrig_link::Pace;
use payrig_units::Micros;
use payrig_wire::recording::Entry;

/// Runs a bench to its end at a pace, handing every log entry to `sink` as it comes.
///
/// `limit` ends a bench that goes on for longer (a script that waits for ever).
///
/// # Errors
/// Whatever `sink` fails with; the bench then stops.
pub async fn run<E>(
    stage: &mut Stage,
    pace: Pace,
    limit: Micros,
    mut sink: impl FnMut(&Stage, Entry) -> Result<(), E>,
) -> Result<(), E> {
    loop {
        let mut entries: Vec<Entry> = stage.take_log().collect();
        entries.drain(..).try_for_each(|entry| sink(stage, entry))?;
        if stage.ended() {
            return Ok(());
        }
        let next = stage.next_time();
        if next > limit {
            stage.finish_now();
            continue;
        }
        pace.wait_until(next).await;
        stage.advance(next);
    }
}

/// Runs a bench in simulated time, as fast as it goes.
///
/// # Errors
/// As for [`run`].
pub fn run_simulated<E>(
    stage: &mut Stage,
    limit: Micros,
    sink: impl FnMut(&Stage, Entry) -> Result<(), E>,
) -> Result<(), E> {
    let mut driver = std::pin::pin!(run(stage, Pace::Simulated, limit, sink));
    let mut context = std::task::Context::from_waker(std::task::Waker::noop());
    loop {
        // The simulated pace is always ready: the future never waits.
        if let std::task::Poll::Ready(result) = driver.as_mut().poll(&mut context) {
            return result;
        }
    }
}
