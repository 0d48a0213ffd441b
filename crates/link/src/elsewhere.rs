//! Systems other than Linux: what is missing, reported when it is asked for.

use crate::serial::{LowLatency, Wire, Woken};
use crate::{BlockingPort, Clock, LinkError, PortEvent, WordCoding};
use payrig_units::Micros;
use payrig_wire::{Source, Transmission};
use std::io;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

/// Wakes a thread that waits for a port.
#[derive(Clone, Debug)]
pub struct Waker(Arc<(Mutex<bool>, Condvar)>);

impl Waker {
    /// A waker that has not been rung.
    ///
    /// # Errors
    /// None here.
    pub fn new() -> io::Result<Self> {
        Ok(Self(Arc::default()))
    }

    /// Wakes the thread now, or the next time it waits.
    pub fn ring(&self) {
        let (rung, bell) = &*self.0;
        *rung.lock().unwrap_or_else(PoisonError::into_inner) = true;
        bell.notify_all();
    }

    /// Waits for at most `length`; true when it was rung.
    fn listen(&self, length: Duration) -> bool {
        let (rung, bell) = &*self.0;
        let rung = rung.lock().unwrap_or_else(PoisonError::into_inner);
        let waited = bell.wait_timeout_while(rung, length, |rung| !*rung);
        let (mut rung, _) = waited.unwrap_or_else(PoisonError::into_inner);
        std::mem::take(&mut *rung)
    }
}

/// A timer for tokio; to the millisecond here.
#[derive(Debug)]
pub struct ExactTimer;

impl ExactTimer {
    /// A timer.
    ///
    /// # Errors
    /// None here.
    pub const fn new() -> io::Result<Self> {
        Ok(Self)
    }

    /// Waits until bench time `until`.
    ///
    /// # Errors
    /// None here.
    pub async fn until(&mut self, clock: Clock, until: Micros) -> io::Result<()> {
        let left = until.since(clock.now());
        tokio::time::sleep(Duration::from_micros(left.as_us())).await;
        Ok(())
    }
}

/// What a pseudo-terminal would be opened with.
#[derive(Clone, Copy, Debug)]
pub struct PtyOptions {
    /// Which side of the bus we play; the program plays the other.
    pub ours: Source,
    /// How words are written.
    pub coding: WordCoding,
    /// Bench time.
    pub clock: Clock,
}

/// A pseudo-terminal: there is none here.
#[derive(Debug)]
pub enum PtyPort {}

impl PtyPort {
    /// Says that there is none.
    ///
    /// # Errors
    /// Always.
    pub const fn open(_: PtyOptions) -> Result<Self, LinkError> {
        Err(LinkError::NotOnThisSystem {
            what: "the pseudo-terminal link",
            instead: "run this rig on Linux, or with its bus virtual",
        })
    }

    /// Never called.
    #[must_use]
    pub const fn path(&self) -> &str {
        match *self {}
    }
}

impl BlockingPort for PtyPort {
    fn name(&self) -> &str {
        match *self {}
    }
    fn clock(&self) -> Clock {
        match *self {}
    }
    fn send(&mut self, _: Transmission, _: Micros) {
        match *self {}
    }
    fn wait(&mut self, _: Micros, _: Option<&Waker>) -> Result<Option<PortEvent>, LinkError> {
        match *self {}
    }
}

/// Not known here: all of our time counts as ours.
pub(crate) const fn waited_for_processor() -> Micros {
    Micros::ZERO
}

/// The error of hardware that is gone.
pub(crate) fn vanished() -> io::Error {
    io::Error::new(io::ErrorKind::NotConnected, "the port is gone")
}

/// Nothing to ask for here.
pub(crate) const fn want_exact_wakeups() {}

/// Waits for edges of modem lines: there are none here.
pub(crate) enum LineWait {}

impl LineWait {
    /// Says that there is none.
    pub(crate) fn open(_: &str) -> io::Result<Self> {
        Err(io::Error::new(
            io::ErrorKind::Unsupported,
            "this system has no way to wait for an edge",
        ))
    }

    /// Never called.
    pub(crate) fn waiter(&self) -> Box<dyn crate::modem::EdgeWait> {
        match *self {}
    }
}

/// An adapter for a nine-bit bus: there is none here.
pub(crate) enum AdapterWire {}

/// Says that there is none.
pub(crate) fn open_wire(_: &str, _: Clock) -> Result<AdapterWire, LinkError> {
    Err(LinkError::NotOnThisSystem {
        what: "the nine-bit serial link",
        instead: "run this rig on Linux, where mark and space parity can be switched and received \
                  errors are marked",
    })
}

/// Not known here.
pub(crate) const fn low_latency(_: &str) -> LowLatency {
    LowLatency::Unknown
}

/// Waits until `until` or until the waker is rung; true when it was.
pub(crate) fn pause(clock: Clock, until: Micros, waker: Option<&Waker>) -> io::Result<bool> {
    // The most a wait takes at once; the caller comes back for more.
    let left = Duration::from_micros(until.since(clock.now()).as_us()).min(Duration::from_secs(60));
    match waker {
        Some(waker) => Ok(waker.listen(left)),
        None => {
            std::thread::sleep(left);
            Ok(false)
        }
    }
}

impl Wire for AdapterWire {
    fn name(&self) -> &str {
        match *self {}
    }
    fn now(&self) -> Micros {
        match *self {}
    }
    fn wait(&mut self, _: Micros, _: bool, _: Option<&Waker>) -> io::Result<Woken> {
        match *self {}
    }
    fn read(&mut self, _: &mut Vec<u8>) -> io::Result<usize> {
        match *self {}
    }
    fn write(&mut self, _: &[u8]) -> io::Result<()> {
        match *self {}
    }
    fn drain(&mut self) -> io::Result<()> {
        match *self {}
    }
    fn set_ninth(&mut self, _: bool) -> io::Result<bool> {
        match *self {}
    }
    fn set_speed(&mut self, _: u32) -> io::Result<()> {
        match *self {}
    }
    fn line(&mut self, _: crate::InLine) -> io::Result<bool> {
        match *self {}
    }
    fn set_break(&mut self, _: bool) -> io::Result<()> {
        match *self {}
    }
}
