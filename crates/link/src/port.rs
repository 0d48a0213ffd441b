//! What every real port offers, whatever is behind it.

use crate::{Clock, LinkError, Looking, Waker};
use payrig_units::{Micros, words};
pub use payrig_wire::port::Lateness;
use payrig_wire::{BusEvent, Transmission};
use std::fmt;
use std::future::Future;

/// What a port reports.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PortEvent {
    /// The other side was heard.
    Heard(BusEvent),
    /// Something of ours is on the wire, at these times.
    Sent {
        /// What, and when it really was.
        event: BusEvent,
        /// How late.
        late: Lateness,
    },
    /// Bytes came that fit nowhere in the coding.
    Garbage {
        /// When.
        at: Micros,
        /// How many.
        bytes: usize,
    },
    /// A program opened or closed the other end, or an adapter was lost or came back.
    Peer {
        /// When it was noticed.
        at: Micros,
        /// True when somebody is there.
        attached: bool,
    },
    /// The master spoke while an answer of ours was still under way that should have been over: the
    /// machine held us up, and the rest of the answer was dropped.
    Overdue {
        /// When.
        at: Micros,
        /// How many words were dropped.
        words: usize,
    },
    /// The other end does not read: a word of ours was dropped, as a full UART would.
    Overrun {
        /// When.
        at: Micros,
    },
}

impl PortEvent {
    /// When it happened: of what was heard or sent, when that ended.
    #[must_use]
    pub const fn at(&self) -> Micros {
        match self {
            Self::Heard(event) | Self::Sent { event, .. } => event.end(),
            Self::Garbage { at, .. }
            | Self::Peer { at, .. }
            | Self::Overdue { at, .. }
            | Self::Overrun { at } => *at,
        }
    }
}

impl fmt::Display for PortEvent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Heard(event) => write!(f, "heard {event:?}"),
            Self::Sent { event, late } if late.total() == Micros::ZERO => {
                write!(f, "sent {event:?}")
            }
            Self::Sent { event, late } => write!(
                f,
                "sent {event:?}, late by {}: {} of it our own, {} the machine's",
                late.total(),
                late.ours,
                late.machine
            ),
            Self::Garbage { at, bytes } => {
                let bytes = words::count(*bytes, "byte");
                write!(
                    f,
                    "{at}: {bytes} outside the coding of the link: is the other end of the same coding?"
                )
            }
            Self::Peer { at, attached: true } => write!(f, "{at}: the other end is there"),
            Self::Peer { at, .. } => write!(f, "{at}: the other end is gone"),
            Self::Overdue { at, words } => write!(
                f,
                "{at}: this tool was held up until the master spoke again; what was left of its answer, \
                 {}, was dropped",
                words::count(*words, "word")
            ),
            Self::Overrun { at } => {
                write!(f, "{at}: the other end does not read, a word was dropped")
            }
        }
    }
}

/// A port that words travel through, for tokio. Dropping the future of
/// [`receive`](WordPort::receive) loses nothing.
pub trait WordPort {
    /// Bench time.
    fn now(&self) -> Micros;

    /// Hands over something to be sent at its time.
    ///
    /// # Errors
    /// When the port is gone for good.
    fn send(&mut self, transmission: Transmission) -> Result<(), LinkError>;

    /// The next event.
    ///
    /// # Errors
    /// When the port is gone.
    fn receive(&mut self) -> impl Future<Output = Result<PortEvent, LinkError>> + Send;

    /// True when something that happened by `by` may come yet, of what [`receive`](Self::receive) has not
    /// given by then. Never waits.
    fn may_still_come(&self, by: Micros) -> bool;
}

/// A port for a thread of its own.
pub trait BlockingPort: Send {
    /// What messages call it.
    fn name(&self) -> &str;

    /// Bench time zero.
    fn clock(&self) -> Clock;

    /// Hands over something to be sent at its time. `spent` is how long our own code took to come
    /// up with it: if it comes too late, that much of the lateness is ours.
    fn send(&mut self, transmission: Transmission, spent: Micros);

    /// The next event; `None` when `until` has come or `waker` was rung. What has come by then is read first,
    /// whatever `until` is.
    ///
    /// # Errors
    /// When the port is gone.
    fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<PortEvent>, LinkError>;

    /// How far it has looked, for whoever is not the thread that serves it. By default it does not say.
    fn looking(&self) -> Looking {
        Looking::default()
    }
}

impl BlockingPort for Box<dyn BlockingPort> {
    fn name(&self) -> &str {
        (**self).name()
    }
    fn clock(&self) -> Clock {
        (**self).clock()
    }
    fn send(&mut self, transmission: Transmission, spent: Micros) {
        (**self).send(transmission, spent);
    }
    fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<PortEvent>, LinkError> {
        (**self).wait(until, waker)
    }
    fn looking(&self) -> Looking {
        (**self).looking()
    }
}
