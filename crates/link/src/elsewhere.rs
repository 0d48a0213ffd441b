//! Systems other than Linux: what is missing, said when it is asked for.

use crate::{BlockingPort, Clock, LinkError, PortEvent, WordCoding};
use payrig_units::Micros;
use payrig_wire::{Source, Transmission};
use std::io;

/// Wakes nobody: nothing waits here.
#[derive(Clone, Debug)]
pub struct Waker(());

impl Waker {
    /// A waker.
    ///
    /// # Errors
    /// None.
    pub const fn new() -> io::Result<Self> {
        Ok(Self(()))
    }

    /// Wakes nobody.
    pub const fn ring(&self) {}
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
            instead: "run this rig on Linux, or with '--link virtual'",
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

/// Nothing to ask for here.
pub(crate) const fn want_exact_wakeups() {}
