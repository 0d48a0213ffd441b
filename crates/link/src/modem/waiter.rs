//! A thread that blocks in the kernel until a modem line changes.

use super::edge_wait::EdgeWait;
use crate::{Clock, Waker};
use payrig_units::Micros;
use payrig_wire::port::InLine;
use std::fmt;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What is known of edges, and how.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Watching {
    /// The lines are looked at so often, for this reason.
    Polled {
        /// From one look to the next.
        every: Micros,
        /// Why not by the kernel.
        why: String,
    },
    /// The kernel wakes us at each edge, as was seen.
    Kernel,
}

impl fmt::Display for Watching {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Polled { every, why } => write!(f, "lines are looked at every {every}: {why}"),
            Self::Kernel => f.write_str("the kernel wakes payrig at each edge (TIOCMIWAIT)"),
        }
    }
}

/// A wake-up of the kernel's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Woken {
    /// When our thread ran.
    pub(super) at: Micros,
    /// How long it had waited for a processor by then.
    pub(super) waited: Micros,
}

#[derive(Debug, Default)]
struct Shared {
    woken: Vec<Woken>,
    ended: Option<io::Error>,
}

/// The port's end of it. The thread ends when this is dropped and the wait it is in is over: with
/// the next edge, or when the port goes away. It owns all it needs until then.
#[derive(Debug)]
pub(super) struct Waiter(Arc<Mutex<Shared>>);

fn lock(shared: &Mutex<Shared>) -> MutexGuard<'_, Shared> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Waiter {
    /// Starts a thread that rings `bell` at each edge of `lines`.
    pub(super) fn start(
        mut wait: Box<dyn EdgeWait>,
        lines: Vec<InLine>,
        clock: Clock,
        bell: Waker,
    ) -> io::Result<Self> {
        let shared = Arc::<Mutex<Shared>>::default();
        let weak = Arc::downgrade(&shared);
        std::thread::Builder::new()
            .name("payrig-edges".to_owned())
            .spawn(move || {
                crate::system::want_exact_wakeups();
                loop {
                    let before = crate::system::waited_for_processor();
                    let result = wait.wait(&lines);
                    let woken = Woken {
                        at: clock.now(),
                        waited: crate::system::waited_for_processor().since(before),
                    };
                    let Some(shared) = weak.upgrade() else { return };
                    let over = result.is_err();
                    match result {
                        Ok(()) => lock(&shared).woken.push(woken),
                        Err(error) => lock(&shared).ended = Some(error),
                    }
                    bell.ring();
                    if over {
                        return;
                    }
                }
            })?;
        Ok(Self(shared))
    }

    /// Wake-ups since the last call, in order.
    pub(super) fn take(&self) -> Vec<Woken> {
        std::mem::take(&mut lock(&self.0).woken)
    }

    /// Why it has ended, once.
    pub(super) fn ended(&self) -> Option<io::Error> {
        lock(&self.0).ended.take()
    }
}

#[cfg(test)]
impl Waiter {
    /// One without a thread.
    pub(super) fn by_hand() -> Self {
        Self(Arc::default())
    }

    pub(super) fn wake(&self, at: Micros, waited: Micros) {
        lock(&self.0).woken.push(Woken { at, waited });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    /// Returns for each message, and fails when there are no more.
    struct Told(mpsc::Receiver<()>);

    impl EdgeWait for Told {
        fn wait(&mut self, lines: &[InLine]) -> io::Result<()> {
            assert_eq!(lines, [InLine::Dcd]);
            let over = |_| io::Error::from(io::ErrorKind::BrokenPipe);
            self.0.recv().map_err(over)
        }
    }

    #[test]
    fn each_edge_rings_and_an_end_is_told_once() {
        let clock = Clock::starting_now();
        let bell = Waker::new().unwrap();
        let (tell, told) = mpsc::channel();
        let wait = Box::new(Told(told));
        let waiter = Waiter::start(wait, vec![InLine::Dcd], clock, bell.clone()).unwrap();
        tell.send(()).unwrap();
        assert!(crate::system::pause(clock, Micros::NEVER, Some(&bell)).unwrap());
        assert_eq!(waiter.take().len(), 1);
        assert!(waiter.take().is_empty() && waiter.ended().is_none());
        drop(tell);
        assert!(crate::system::pause(clock, Micros::NEVER, Some(&bell)).unwrap());
        assert!(waiter.ended().is_some() && waiter.ended().is_none());
    }

    #[test]
    fn a_thread_whose_port_is_gone_ends_with_the_next_edge() {
        let clock = Clock::starting_now();
        let (tell, told) = mpsc::channel();
        let wait = Box::new(Told(told));
        let bell = Waker::new().unwrap();
        let waiter = Waiter::start(wait, vec![InLine::Dcd], clock, bell).unwrap();
        drop(waiter);
        tell.send(()).unwrap();
        // Its receiver goes with it.
        while tell.send(()).is_ok() {
            std::thread::yield_now();
        }
    }
}
