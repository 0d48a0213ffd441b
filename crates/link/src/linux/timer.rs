//! Waiting in a tokio task with microseconds: tokio's own timers count whole milliseconds.

use super::pty_async::watched;
use crate::Clock;
use payrig_units::Micros;
use rustix::fd::OwnedFd;
use rustix::io::Errno;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create,
    timerfd_settime,
};
use std::io;
use tokio::io::unix::AsyncFd;

/// A timer of the kernel (timerfd_create(2)).
#[derive(Debug)]
pub struct ExactTimer(AsyncFd<OwnedFd>);

impl ExactTimer {
    /// A timer; to be made in a tokio runtime with I/O.
    ///
    /// # Errors
    /// When the system is out of file descriptors.
    pub fn new() -> io::Result<Self> {
        let flags = TimerfdFlags::CLOEXEC | TimerfdFlags::NONBLOCK;
        let timer = timerfd_create(TimerfdClockId::Monotonic, flags)?;
        Ok(Self(watched(timer)?))
    }

    /// Waits until bench time `until`; for ever when that is [`Micros::NEVER`]. It may be dropped
    /// and asked anew.
    ///
    /// # Errors
    /// When the system fails; not to be expected.
    pub async fn until(&mut self, clock: Clock, until: Micros) -> io::Result<()> {
        if until == Micros::NEVER {
            std::future::pending::<()>().await;
        }
        loop {
            let length = std::time::Duration::from_micros(until.as_us())
                .saturating_sub(clock.start().elapsed());
            if length.is_zero() {
                return Ok(());
            }
            let after = Itimerspec {
                it_interval: Timespec {
                    tv_sec: 0,
                    tv_nsec: 0,
                },
                it_value: Timespec {
                    tv_sec: i64::try_from(length.as_secs()).unwrap_or(i64::MAX),
                    tv_nsec: i64::from(length.subsec_nanos()),
                },
            };
            timerfd_settime(&self.0, TimerfdTimerFlags::empty(), &after)?;
            let mut ready = self.0.readable().await?;
            match rustix::io::read(&self.0, &mut [0; 8]) {
                Ok(_) => {}
                Err(Errno::AGAIN | Errno::INTR) => ready.clear_ready(),
                Err(error) => return Err(error.into()),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn it_is_never_early_and_can_be_dropped_and_asked_anew() {
        let clock = Clock::starting_now();
        let mut timer = ExactTimer::new().unwrap();
        {
            let mut far = std::pin::pin!(timer.until(clock, Micros::secs(3_600)));
            let waker = std::task::Waker::noop();
            let mut context = std::task::Context::from_waker(waker);
            assert!(far.as_mut().poll(&mut context).is_pending());
        }
        for until in [Micros(300), Micros::ms(3), Micros::ms(3)] {
            timer.until(clock, until).await.unwrap();
            assert!(clock.now() >= until);
        }
    }
}
