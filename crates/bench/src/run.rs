//! A bench in simulated time: the next event is now, however far away it is.
//!
//! ```
//! use payrig_bench::{Bench, run};
//! use payrig_units::{Decimals, Micros};
//! use payrig_wire::recording::Entry;
//! use std::convert::Infallible;
//!
//! // Nothing is on it: it goes on until the limit, and ends with a verdict.
//! let mut bench = Bench::new(1, Micros::ZERO, Decimals(2));
//! let mut log = Vec::new();
//! let kept = run::run_simulated(&mut bench, Micros::secs(3600), |_, entry| {
//!     log.push(entry);
//!     Ok::<(), Infallible>(())
//! });
//! assert!(kept.is_ok() && bench.ended());
//! assert!(matches!(log.last(), Some(Entry::Verdict { at_us, .. }) if *at_us == Micros::secs(3600)));
//! ```

use crate::Bench;
use payrig_units::Micros;
use payrig_wire::recording::Entry;

/// Runs a bench to its end, as fast as it goes, handing every log entry to `sink` as it comes.
///
/// `limit` ends a bench that goes on for longer (a script that waits for ever).
///
/// # Errors
/// Whatever `sink` fails with; the bench then stops.
pub fn run_simulated<E>(
    bench: &mut Bench,
    limit: Micros,
    sink: impl FnMut(&Bench, Entry) -> Result<(), E>,
) -> Result<(), E> {
    run_simulated_until(bench, limit, || None, sink)
}

/// The same, and it ends with its verdict as soon as `stop` gives a reason, which is noted in the log.
///
/// # Errors
/// As [`run_simulated`].
pub fn run_simulated_until<E>(
    bench: &mut Bench,
    limit: Micros,
    mut stop: impl FnMut() -> Option<String>,
    mut sink: impl FnMut(&Bench, Entry) -> Result<(), E>,
) -> Result<(), E> {
    loop {
        while let Some(entry) = bench.take_entry() {
            sink(bench, entry)?;
        }
        if bench.ended() {
            return Ok(());
        }
        if let Some(why) = stop() {
            bench.link_note(why);
            bench.finish_now();
            continue;
        }
        let next = bench.next_deadline();
        if next > limit {
            bench.move_on(limit);
            bench.finish_now();
            continue;
        }
        bench.advance(next);
    }
}
