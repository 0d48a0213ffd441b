//! The pseudo-terminal on tokio's own thread: for tests and for benches that want no other.

use super::PtyPort;
use super::pty::Waited;
use crate::{BlockingPort, LinkError, PortEvent, WordPort};
use payrig_units::Micros;
use payrig_wire::Transmission;
use rustix::fd::{AsRawFd, OwnedFd};
use rustix::io::Errno;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create,
    timerfd_settime,
};
use std::io;
use std::time::Duration;
use tokio::io::unix::AsyncFd;

/// Its successor `register` is unsafe to call for types that lend their descriptor and close it
/// elsewhere; ours own theirs, so the safe call keeps its promise.
#[allow(deprecated)]
pub(super) fn watched<T: AsRawFd>(owner: T) -> io::Result<AsyncFd<T>> {
    AsyncFd::new(owner)
}

/// A [`PtyPort`] served by tokio. It is as punctual as the runtime is: a task that keeps the
/// thread busy makes it late. [`crate::ThreadPort`] is not held up by that.
#[derive(Debug)]
pub struct AsyncPtyPort {
    port: AsyncFd<PtyPort>,
    /// Tokio's own timers count whole milliseconds, this one nanoseconds.
    timer: AsyncFd<OwnedFd>,
}

impl AsyncPtyPort {
    /// Gives the port to the current runtime.
    ///
    /// # Errors
    /// When the system has no file descriptor left.
    ///
    /// # Panics
    /// Outside a tokio runtime with I/O enabled, as [`AsyncFd::new`] does.
    pub fn new(port: PtyPort) -> Result<Self, LinkError> {
        let name = port.name().to_owned();
        let failed = |e| LinkError::from_io(&name, "registering", e);
        let flags = TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC;
        let timer = timerfd_create(TimerfdClockId::Monotonic, flags)
            .map_err(|e: Errno| failed(e.into()))?;
        Ok(Self {
            port: watched(port).map_err(failed)?,
            timer: watched(timer).map_err(failed)?,
        })
    }

    /// The path a program opens.
    #[must_use]
    pub fn path(&self) -> &str {
        self.port.get_ref().path()
    }

    /// Sets the timer to bench time `at`, or off.
    fn arm(&self, at: Micros) -> io::Result<()> {
        let start = self.port.get_ref().clock().start();
        let left = Duration::from_micros(at.as_us()).saturating_sub(start.elapsed());
        // Zero would switch it off.
        let left = left.max(Duration::from_nanos(1));
        let value = if at == Micros::NEVER {
            Timespec::default()
        } else {
            Timespec {
                tv_sec: i64::try_from(left.as_secs()).unwrap_or(i64::MAX),
                tv_nsec: i64::from(left.subsec_nanos()),
            }
        };
        let once = Itimerspec {
            it_interval: Timespec::default(),
            it_value: value,
        };
        timerfd_settime(self.timer.get_ref(), TimerfdTimerFlags::empty(), &once)?;
        Ok(())
    }
}

impl WordPort for AsyncPtyPort {
    fn now(&self) -> Micros {
        self.port.get_ref().clock().now()
    }

    fn send(&mut self, transmission: Transmission) -> Result<(), LinkError> {
        // On the runtime's thread ours and the machine's time cannot be told apart: all is ours.
        BlockingPort::send(self.port.get_mut(), transmission, Micros::NEVER);
        Ok(())
    }

    fn may_still_come(&self, by: Micros) -> bool {
        self.port.get_ref().looking().may_still_come(by)
    }

    async fn receive(&mut self) -> Result<PortEvent, LinkError> {
        let mut woke = Micros::ZERO;
        loop {
            let port = self.port.get_mut();
            port.work(woke)?;
            if let Some(event) = port.take_event() {
                return Ok(event);
            }
            let now = port.clock().now();
            let asked = port.next_deadline(now);
            let listening = port.listening();
            let name = port.name().to_owned();
            let failed = |e| LinkError::from_io(&name, "waiting", e);
            self.arm(asked).map_err(failed)?;
            self.port.get_mut().has_looked();
            let readable = tokio::select! {
                ready = self.port.readable_mut(), if listening => {
                    let mut guard = ready.map_err(failed)?;
                    let port = guard.get_inner_mut();
                    let came = port.clock().now() - port.usual_delay();
                    if !port.read(came)? {
                        guard.clear_ready();
                    }
                    true
                }
                ready = self.timer.readable() => {
                    let mut guard = ready.map_err(failed)?;
                    let _ = rustix::io::read(self.timer.get_ref(), &mut [0; 8]);
                    guard.clear_ready();
                    false
                }
            };
            let port = self.port.get_mut();
            woke = port.clock().now();
            if !listening {
                port.look()?;
            }
            if !readable && woke >= asked {
                port.note_delay(Waited {
                    asleep: now,
                    asked,
                    woke,
                    queued: Micros::ZERO,
                });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Clock, PtyOptions, WordCoding};
    use payrig_mdb::Word;
    use payrig_wire::{BusEvent, Source};
    use std::io::{Read, Write};

    async fn word(port: &mut AsyncPtyPort) -> (Source, Word) {
        loop {
            match port.receive().await.unwrap() {
                PortEvent::Heard(BusEvent::Word(word))
                | PortEvent::Sent {
                    event: BusEvent::Word(word),
                    ..
                } => return (word.source, word.word),
                _ => {}
            }
        }
    }

    #[tokio::test]
    async fn a_program_is_heard_and_answered_without_a_thread() {
        let port = PtyPort::open(PtyOptions {
            ours: Source::Master,
            coding: WordCoding::MarkedParity,
            clock: Clock::starting_now(),
        })
        .unwrap();
        let mut port = AsyncPtyPort::new(port).unwrap();
        let mut program = std::fs::File::options()
            .read(true)
            .write(true)
            .open(port.path())
            .unwrap();
        let at = port.now() + Micros::ms(20);
        let (words, gap) = (vec![Word::marked(0x0B), Word::plain(0x0B)], Micros::ZERO);
        port.send(Transmission::Words { at, words, gap }).unwrap();
        assert_eq!(word(&mut port).await, (Source::Master, Word::marked(0x0B)));
        assert_eq!(word(&mut port).await, (Source::Master, Word::plain(0x0B)));
        let mut bytes = [0; 4];
        program.read_exact(&mut bytes).unwrap();
        assert_eq!(bytes, [0xFF, 0x00, 0x0B, 0x0B]);
        program.write_all(&[0xFF, 0x00, 0x00]).unwrap();
        assert_eq!(
            word(&mut port).await,
            (Source::Peripheral, Word::marked(0x00))
        );
    }

    #[tokio::test]
    async fn dropping_a_receive_loses_nothing() {
        let port = PtyPort::open(PtyOptions {
            ours: Source::Peripheral,
            coding: WordCoding::Plain,
            clock: Clock::starting_now(),
        })
        .unwrap();
        let mut port = AsyncPtyPort::new(port).unwrap();
        let mut program = std::fs::File::options()
            .write(true)
            .open(port.path())
            .unwrap();
        let mut first = tokio_test::task::spawn(port.receive());
        let _ = first.poll();
        drop(first);
        program.write_all(b"W - 0B* 0B\n").unwrap();
        assert_eq!(word(&mut port).await, (Source::Master, Word::marked(0x0B)));
        assert_eq!(word(&mut port).await, (Source::Master, Word::plain(0x0B)));
    }
}
