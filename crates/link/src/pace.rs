//! Drives a bench that is on no port, at a pace that may change while it runs: with the wall clock, as
//! fast as it goes, or not at all. It takes no thread and no file descriptor: a thousand of them share a
//! runtime.

use crate::drive::Attendant;
use payrig_bench::Bench;
use payrig_units::Micros;
use std::future::Future;
use std::io;
use std::pin::pin;
use std::task::Poll;
use std::time::Duration;
use tokio::time::Instant;

/// Turns of a bench after which others get theirs.
pub(crate) const SLICE: u32 = 500;

/// How bench time passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// With the wall clock. Nobody outside can see it move, so what is due happens at its own bench time
    /// whenever somebody looks, and at least this often.
    Real {
        /// How often.
        every: Micros,
    },
    /// As fast as it goes up to this time, at which it then stands.
    Until(Micros),
}

/// An [`Attendant`] who says how time passes.
pub trait Paced: Attendant {
    /// How it passes from now on; asked again after every turn.
    fn pace(&self, bench: &Bench) -> Pace;
}

/// Lets what is due until `to` happen, but no more than a slice of it. True when all has.
fn slice(
    bench: &mut Bench,
    to: Micros,
    mut each: impl FnMut(&mut Bench) -> io::Result<bool>,
) -> io::Result<bool> {
    for _ in 0..SLICE {
        let next = bench.next_deadline();
        if bench.ended() || next > to {
            bench.move_on(to);
            return Ok(true);
        }
        bench.advance(next);
        if !each(bench)? {
            return Ok(true);
        }
    }
    Ok(false)
}

/// An order that is there already.
pub(crate) async fn order_at_hand<A: Attendant>(attendant: &mut A) -> Option<A::Order> {
    let mut order = pin!(attendant.order());
    std::future::poll_fn(move |context| match order.as_mut().poll(context) {
        Poll::Ready(order) => Poll::Ready(Some(order)),
        Poll::Pending => Poll::Ready(None),
    })
    .await
}

/// Drives a bench until it has ended.
///
/// # Errors
/// When the attendant cannot keep what happens.
pub async fn run_at_pace<A: Paced>(bench: &mut Bench, attendant: &mut A) -> io::Result<()> {
    // While it goes by the wall clock.
    let mut wall: Option<Wall> = None;
    loop {
        attendant.look(bench)?;
        if bench.ended() {
            return Ok(());
        }
        match attendant.pace(bench) {
            Pace::Until(to) => {
                wall = None;
                if to <= bench.now() {
                    let order = attendant.order().await;
                    attendant.carry_out(bench, order);
                    continue;
                }
                let goes_on = |bench: &mut Bench| {
                    attendant.look(bench)?;
                    Ok(attendant.pace(bench) == Pace::Until(to))
                };
                slice(bench, to, goes_on)?;
                match order_at_hand(attendant).await {
                    Some(order) => attendant.carry_out(bench, order),
                    None => tokio::task::yield_now().await,
                }
            }
            Pace::Real { every } => {
                let wall = *wall.get_or_insert_with(|| Wall {
                    instant: Instant::now(),
                    bench: bench.now(),
                });
                let due = bench.next_deadline().max(wall.now() + every);
                let mut ordered = None;
                tokio::select! {
                    biased;
                    order = attendant.order() => ordered = Some(order),
                    () = tokio::time::sleep_until(wall.at(due)) => {}
                }
                let now = wall.now();
                while !slice(bench, now, |bench| attendant.look(bench).map(|()| true))? {
                    tokio::task::yield_now().await;
                }
                if let Some(order) = ordered {
                    attendant.carry_out(bench, order);
                }
            }
        }
    }
}

/// Farther than anybody waits, and no instant overflows: a year in microseconds.
const FAR: u64 = 365 * 24 * 3_600 * 1_000_000;

/// What the wall clock was at a bench time. Not a [`crate::Clock`]: a bench may be older than the machine.
#[derive(Clone, Copy, Debug)]
struct Wall {
    instant: Instant,
    bench: Micros,
}

impl Wall {
    fn now(self) -> Micros {
        let passed = u64::try_from(self.instant.elapsed().as_micros());
        self.bench + Micros(passed.unwrap_or(u64::MAX))
    }

    fn at(self, time: Micros) -> Instant {
        let length = time.since(self.bench).as_us().min(FAR);
        self.instant + Duration::from_micros(length)
    }
}
