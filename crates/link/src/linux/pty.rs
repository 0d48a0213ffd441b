//! A pseudo-terminal with a bus behind it: any program opens its path as a serial port.

use super::sleep::{processor_time, sleep, waited_for_processor};
use crate::{BlockingPort, Clock, Line, LinkError, Looking, PortEvent, Unread, Waker, WordCoding};
use bytes::BytesMut;
use payrig_units::Micros;
use payrig_wire::{Source, Transmission};
use rustix::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd, RawFd};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{InputModes, OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};
use std::sync::Arc;

/// How often the path is looked at while no program has it open.
const LOOK_AGAIN: Micros = Micros::ms(5);

/// How long the port is waited for at a time.
const LOOK_UP: Micros = Micros::ms(20);

/// Least uncertainty of the times of what is heard.
const LEAST_UNCERTAINTY: Micros = Micros(100);

/// What a pseudo-terminal is opened with.
#[derive(Clone, Copy, Debug)]
pub struct PtyOptions {
    /// Which side of the bus we play; the program plays the other.
    pub ours: Source,
    /// How words are written.
    pub coding: WordCoding,
    /// Bench time.
    pub clock: Clock,
}

/// Our end of a pseudo-terminal.
///
/// Its times are those of a 9600 baud line (see [`Line`]). What a program wrote is only noticed
/// when the machine wakes us. How long this wake-up waited for a processor the system says; the rest of
/// what may have held it up is taken to be as much as in the last 64 wake-ups that had an exact time,
/// and never under 100 us. What came while we did not wait for it came after we last saw that there was
/// nothing.
#[derive(Debug)]
pub struct PtyPort {
    master: Arc<OwnedFd>,
    path: String,
    clock: Clock,
    coding: WordCoding,
    line: Line,
    out: BytesMut,
    attached: bool,
    delays: [Micros; 64],
    delays_seen: usize,
    /// When there was nothing to be read for the last time.
    empty_at: Micros,
    looking: Looking,
    /// True while what comes is read.
    reads: bool,
}

/// A wait for the port, as it turned out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Waited {
    /// When it began.
    pub(super) asleep: Micros,
    /// Until when it was to last.
    pub(super) asked: Micros,
    /// When it was over.
    pub(super) woke: Micros,
    /// How much of it was spent waiting for a processor, where the system says.
    pub(super) queued: Micros,
}

impl PtyPort {
    /// Opens a pseudo-terminal, raw, that nobody has open yet.
    ///
    /// # Errors
    /// When the system has none to give.
    pub fn open(options: PtyOptions) -> Result<Self, LinkError> {
        let failed = |doing| move |e: Errno| LinkError::from_io("pseudo-terminal", doing, e.into());
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master = openpt(flags).map_err(failed("opening"))?;
        grantpt(&master).map_err(failed("opening"))?;
        unlockpt(&master).map_err(failed("opening"))?;
        let name = ptsname(&master, Vec::new()).map_err(failed("naming"))?;
        let path = name.to_string_lossy().into_owned();
        let nonblocking = rustix::fs::fcntl_getfl(&master).map_err(failed("opening"))?;
        rustix::fs::fcntl_setfl(&master, nonblocking | OFlags::NONBLOCK)
            .map_err(failed("opening"))?;
        // The settings live as long as our end does. Closing the other end once makes the system
        // tell from now on whether a program has it open.
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let other = rustix::fs::open(&*name, flags, Mode::empty()).map_err(failed("opening"))?;
        let mut settings = tcgetattr(&other).map_err(failed("setting up"))?;
        settings.make_raw();
        // A pty has no baud rate; a program that asks is told the bus's.
        let _ = settings.set_speed(payrig_wire::BAUD);
        tcsetattr(&other, OptionalActions::Now, &settings).map_err(failed("setting up"))?;
        drop(other);
        Ok(Self {
            master: Arc::new(master),
            path,
            clock: options.clock,
            coding: options.coding,
            line: Line::new(options.ours, options.coding),
            out: BytesMut::with_capacity(64),
            attached: false,
            delays: [Micros::ZERO; 64],
            delays_seen: 0,
            empty_at: options.clock.now(),
            looking: Looking::default(),
            reads: false,
        })
    }

    /// The path a program opens.
    #[must_use]
    pub fn path(&self) -> &str {
        &self.path
    }

    /// Our end as a bare file, blocking and without times: for measuring what a pair of terminals
    /// does by itself.
    ///
    /// # Errors
    /// What the system says.
    pub fn into_blocking_file(self) -> Result<std::fs::File, LinkError> {
        let failed = |e: Errno| LinkError::from_io(&self.path, "setting up", e.into());
        let flags = rustix::fs::fcntl_getfl(&*self.master).map_err(failed)?;
        rustix::fs::fcntl_setfl(&*self.master, flags - OFlags::NONBLOCK).map_err(failed)?;
        match Arc::try_unwrap(self.master) {
            Ok(master) => Ok(master.into()),
            Err(lent) => Ok(lent
                .try_clone()
                .map(Into::into)
                .map_err(|e| LinkError::from_io(&self.path, "setting up", e))?),
        }
    }

    /// True while a program has it open, as far as was noticed.
    #[must_use]
    pub const fn attached(&self) -> bool {
        self.attached
    }

    pub(super) fn take_event(&mut self) -> Option<PortEvent> {
        self.line.take_event()
    }

    /// False while nothing is to be read: nobody is there, or is far ahead of us.
    pub(super) fn listening(&self) -> bool {
        self.attached && self.line.wants_input()
    }

    /// Looks whether a program has the path open. True when there is something to read.
    pub(super) fn look(&mut self) -> Result<bool, LinkError> {
        let looked = sleep(self.clock, Micros::ZERO, Some(self.master.as_fd()), None)
            .map_err(|e| LinkError::from_io(&self.path, "looking", e))?;
        // Bytes of a program that has already gone again count as well.
        self.note_attached(!looked.hung_up || looked.readable);
        Ok(looked.readable)
    }

    /// When something is to be done even if nothing is heard.
    pub(super) fn next_deadline(&self, now: Micros) -> Micros {
        let look = if self.attached {
            Micros::NEVER
        } else {
            now + LOOK_AGAIN
        };
        self.line.next_deadline().min(look)
    }

    /// Does what is due. `woke` is when the machine woke us for it, zero when we were awake.
    pub(super) fn work(&mut self, woke: Micros) -> Result<(), LinkError> {
        let busy_before = processor_time();
        let now = self.clock.now();
        self.line.advance(now);
        loop {
            self.out.clear();
            if !self.line.due(self.clock.now(), &mut self.out) {
                return Ok(());
            }
            if self.attached && !self.out.is_empty() {
                self.write()?;
            }
            let busy = processor_time().since(busy_before);
            self.line.written(woke, self.clock.now(), busy);
        }
    }

    /// Remembers how long after its time the machine woke us, and could not say why.
    pub(super) fn note_delay(&mut self, waited: Waited) {
        let slot = self.delays_seen % self.delays.len();
        if let Some(delay) = self.delays.get_mut(slot) {
            *delay = waited.woke.since(waited.asked).since(waited.queued);
        }
        self.delays_seen = self.delays_seen.wrapping_add(1);
    }

    /// The longest delay of those remembered.
    pub(super) fn usual_delay(&self) -> Micros {
        let longest = self.delays.iter().max().copied().unwrap_or_default();
        longest.max(LEAST_UNCERTAINTY)
    }

    /// There was nothing to be read when this wait began, and nothing came in it.
    pub(super) fn note_empty(&mut self, waited: Waited) {
        self.empty_at = self.empty_at.max(waited.asleep);
    }

    /// The earliest that what a wait has ended for can have come.
    pub(super) fn came_after(&self, waited: Waited) -> Micros {
        let Waited {
            asleep,
            asked,
            woke,
            queued,
        } = waited;
        let delay = self.usual_delay() + queued;
        if woke.since(asleep).since(queued) <= LEAST_UNCERTAINTY {
            // It may have been there before.
            self.empty_at
        } else if woke.since(asked) > delay {
            // We were stopped.
            asleep
        } else {
            asleep.max(woke - delay)
        }
    }

    /// A program has opened or closed the other end.
    pub(super) fn note_attached(&mut self, attached: bool) {
        if attached == self.attached {
            return;
        }
        self.attached = attached;
        let at = self.clock.now();
        self.line.note(PortEvent::Peer { at, attached });
        if !attached {
            self.line.forget_other_end();
            // What the program left unread is not for the next one.
            let _ = tcflush(&*self.master, QueueSelector::IOFlush);
        }
    }

    /// Reads what there is, which came after `came`. True when there was something.
    pub(super) fn read(&mut self, came: Micros) -> Result<bool, LinkError> {
        let mut bytes = [0; 512];
        let before = self.clock.now();
        match rustix::io::read(&*self.master, &mut bytes) {
            Ok(0) | Err(Errno::AGAIN | Errno::INTR) => Ok(false),
            // No program has the other end open.
            Err(Errno::IO) => {
                self.note_attached(false);
                Ok(false)
            }
            Ok(count) => {
                let now = self.clock.now();
                self.line.set_uncertainty(now.since(came));
                self.line
                    .arrived(now, bytes.get(..count).unwrap_or_default());
                if count < bytes.len() {
                    self.empty_at = before;
                }
                Ok(true)
            }
            Err(error) => Err(LinkError::from_io(&self.path, "reading", error.into())),
        }
    }

    /// Everything was handed over that is to be read, but for what has its time yet.
    pub(super) fn has_looked(&mut self) {
        let reads = self.line.wants_input();
        if reads != self.reads {
            self.reads = reads;
            let port: Arc<dyn Unread> = Arc::clone(&self.master) as _;
            self.looking.reads(reads.then(|| Arc::downgrade(&port)));
        }
        self.looking
            .has_looked(self.empty_at, self.line.next_deadline());
    }

    fn write(&mut self) -> Result<(), LinkError> {
        if self.coding == WordCoding::MarkedParity {
            self.keep_marks()?;
        }
        match rustix::io::write(&*self.master, &self.out) {
            Ok(count) if count == self.out.len() => Ok(()),
            Ok(_) | Err(Errno::AGAIN | Errno::INTR) => {
                let at = self.clock.now();
                self.line.note(PortEvent::Overrun { at });
                Ok(())
            }
            Err(Errno::IO) => {
                self.note_attached(false);
                Ok(())
            }
            Err(error) => Err(LinkError::from_io(&self.path, "writing", error.into())),
        }
    }

    /// A program written for a real adapter sets PARMRK, and the terminal would then double every
    /// FF of our marks. We mark ourselves, so the setting is taken back.
    fn keep_marks(&self) -> Result<(), LinkError> {
        let failed = |e: Errno| LinkError::from_io(&self.path, "setting up", e.into());
        let mut settings = tcgetattr(&*self.master).map_err(failed)?;
        if settings.input_modes.contains(InputModes::PARMRK) {
            settings.input_modes.remove(InputModes::PARMRK);
            tcsetattr(&*self.master, OptionalActions::Now, &settings).map_err(failed)?;
        }
        Ok(())
    }
}

impl AsRawFd for PtyPort {
    fn as_raw_fd(&self) -> RawFd {
        self.master.as_raw_fd()
    }
}

impl AsFd for PtyPort {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.master.as_fd()
    }
}

impl BlockingPort for PtyPort {
    fn name(&self) -> &str {
        &self.path
    }

    fn clock(&self) -> Clock {
        self.clock
    }

    fn send(&mut self, transmission: Transmission, spent: Micros) {
        let now = self.clock.now();
        self.line.send(now, transmission, spent);
        self.looking.expects(self.line.next_deadline());
    }

    fn looking(&self) -> Looking {
        self.looking.clone()
    }

    fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<PortEvent>, LinkError> {
        let mut woke = Micros::ZERO;
        let mut looked = false;
        loop {
            self.work(woke)?;
            if let Some(event) = self.line.take_event() {
                return Ok(Some(event));
            }
            let now = self.clock.now();
            // What has come already is older than what is due now.
            if now >= until && std::mem::replace(&mut looked, true) {
                return Ok(None);
            }
            // Not for ever: how late a wake-up is says whether we were stopped.
            let asked = self.next_deadline(now).min(until).min(now + LOOK_UP);
            let asked = asked.max(now);
            // With nobody there the terminal is "hung up" all the time: look, but do not wait.
            let listening = self.listening();
            self.has_looked();
            let fd = listening.then_some(self.master.as_fd());
            let queued = waited_for_processor();
            let mut woken = sleep(self.clock, asked, fd, waker)
                .map_err(|e| LinkError::from_io(&self.path, "waiting", e))?;
            woke = self.clock.now();
            let waited = Waited {
                asleep: now,
                asked,
                woke,
                queued: waited_for_processor().since(queued),
            };
            if !self.attached {
                // Nobody was there when the wait began.
                self.note_empty(waited);
                woken.readable = self.look()?;
            }
            if woken.readable {
                self.looking.is_reading();
                let came = match listening {
                    true => self.came_after(waited),
                    false => self.empty_at,
                };
                self.read(came)?;
            } else if listening {
                self.note_empty(waited);
                if woken.hung_up {
                    self.note_attached(false);
                }
            }
            if woke >= asked && !woken.readable {
                self.note_delay(waited);
            }
            if woken.rung {
                return Ok(self.line.take_event());
            }
        }
    }
}

#[cfg(test)]
mod tests;
