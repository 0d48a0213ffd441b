//! Waiting for a port with microseconds, and being woken by another thread.

use crate::serial::Woken;
use crate::{Clock, Unread};
use payrig_units::Micros;
use rustix::event::{EventfdFlags, PollFd, PollFlags, Timespec, eventfd, poll};
use rustix::fd::{AsFd, BorrowedFd, OwnedFd};
use rustix::io::Errno;
use rustix::time::{ClockId, clock_gettime};
use std::fs::File;
use std::io;
use std::num::NonZeroU64;
use std::os::unix::fs::FileExt;
use std::sync::Arc;

/// Wakes a thread that waits for a port.
#[derive(Clone, Debug)]
pub struct Waker(Arc<OwnedFd>);

impl Waker {
    /// A waker that has not been rung.
    ///
    /// # Errors
    /// When the system is out of file descriptors.
    pub fn new() -> io::Result<Self> {
        let flags = EventfdFlags::CLOEXEC | EventfdFlags::NONBLOCK;
        Ok(Self(Arc::new(eventfd(0, flags)?)))
    }

    /// Wakes the thread now, or the next time it waits.
    pub fn ring(&self) {
        // The only failure is a counter that is full: then it has been rung.
        let _ = rustix::io::write(&self.0, &1_u64.to_ne_bytes());
    }

    fn silence(&self) {
        let _ = rustix::io::read(&self.0, &mut [0; 8]);
    }
}

/// Waits until bench time `until`, until `port` is readable (if given) or until `waker` is rung.
pub(crate) fn sleep(
    clock: Clock,
    until: Micros,
    port: Option<BorrowedFd<'_>>,
    waker: Option<&Waker>,
) -> io::Result<Woken> {
    let mut fds = Vec::with_capacity(2);
    if let Some(waker) = waker {
        fds.push(PollFd::from_borrowed_fd(waker.0.as_fd(), PollFlags::IN));
    }
    if let Some(port) = port {
        fds.push(PollFd::from_borrowed_fd(port, PollFlags::IN));
    }
    // To the nanosecond: a wait cut to whole microseconds would end early.
    let length =
        std::time::Duration::from_micros(until.as_us()).saturating_sub(clock.start().elapsed());
    let timeout = Timespec {
        tv_sec: i64::try_from(length.as_secs()).unwrap_or(i64::MAX),
        tv_nsec: i64::from(length.subsec_nanos()),
    };
    let timeout = (until != Micros::NEVER).then_some(&timeout);
    match poll(&mut fds, timeout) {
        Ok(_) | Err(Errno::INTR) => {}
        Err(error) => return Err(error.into()),
    }
    let mut woken = Woken::default();
    let mut fds = fds.iter();
    if let Some(waker) = waker
        && fds.next().is_some_and(|fd| !fd.revents().is_empty())
    {
        waker.silence();
        woken.rung = true;
    }
    if let Some(fd) = fds.next() {
        woken.hung_up = fd.revents().contains(PollFlags::HUP);
        woken.readable = fd.revents().intersects(PollFlags::IN | PollFlags::ERR);
    }
    Ok(woken)
}

impl Unread for OwnedFd {
    fn unread(&self) -> bool {
        let now = Timespec {
            tv_sec: 0,
            tv_nsec: 0,
        };
        let mut port = [PollFd::new(self, PollFlags::IN)];
        let asked = poll(&mut port, Some(&now));
        asked.is_ok_and(|ready| ready > 0)
            && port.iter().any(|fd| fd.revents().contains(PollFlags::IN))
    }
}

/// Asks the machine to wake this thread as exactly as it can; by default it may be 50 us late
/// (prctl(2), PR_SET_TIMERSLACK).
pub(crate) fn want_exact_wakeups() {
    let _ = rustix::thread::set_current_timer_slack(NonZeroU64::new(1));
}

/// How long this thread has had a processor.
pub(crate) fn processor_time() -> Micros {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    let seconds = u64::try_from(time.tv_sec).unwrap_or_default();
    let nanos = u64::try_from(time.tv_nsec).unwrap_or_default();
    Micros::secs(seconds) + Micros(nanos.div_ceil(1_000))
}

/// Waits until `until` or until the waker is rung; true when it was.
pub(crate) fn pause(clock: Clock, until: Micros, waker: Option<&Waker>) -> io::Result<bool> {
    Ok(sleep(clock, until, None, waker)?.rung)
}

thread_local! {
    static SCHEDSTAT: Option<File> = File::open("/proc/thread-self/schedstat").ok();
}

/// How long this thread has waited for a processor that was busy with something else: the second
/// field of /proc/PID/schedstat (proc(5)), nanoseconds. Zero where the system does not say.
pub(crate) fn waited_for_processor() -> Micros {
    let mut text = [0; 96];
    let count = SCHEDSTAT.with(|file| {
        let file = file.as_ref()?;
        file.read_at(&mut text, 0).ok()
    });
    let nanos = std::str::from_utf8(text.get(..count.unwrap_or_default()).unwrap_or_default())
        .ok()
        .and_then(|text| text.split_ascii_whitespace().nth(1)?.parse::<u64>().ok());
    Micros(nanos.unwrap_or_default() / 1_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waiting_for_a_processor_only_grows() {
        let before = waited_for_processor();
        std::thread::yield_now();
        assert!(waited_for_processor() >= before);
        assert!(processor_time() > Micros::ZERO);
    }

    #[test]
    fn a_rung_waker_ends_a_wait_once() {
        let clock = Clock::starting_now();
        let waker = Waker::new().unwrap();
        waker.ring();
        waker.ring();
        assert!(pause(clock, Micros::NEVER, Some(&waker)).unwrap());
        assert!(!pause(clock, Micros::ZERO, Some(&waker)).unwrap());
    }
}
