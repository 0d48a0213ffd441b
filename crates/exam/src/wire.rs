//! What carries words between the tool and its subject: a virtual bus in simulated time, or a port
//! with an outside subject at its other end, whose clock is the time.

mod linked;

pub use linked::Linked;

use crate::seen::Seen;
use crate::skip::Skip;
use payrig_bench::{Fault, FaultInjector, Heard, VirtualBus};
use payrig_link::{Awake, BlockingPort, LinkError, PortEvent};
use payrig_units::Micros;
use payrig_wire::recording::Entry;
use payrig_wire::{Source, Transmission};
use std::fmt;

/// A port as a bench needs it.
pub trait Cable: fmt::Debug {
    /// What messages call it.
    fn name(&self) -> String;

    /// Time.
    fn now(&self) -> Micros;

    /// Hands over something to be sent at its time.
    fn send(&mut self, transmission: Transmission);

    /// The next event; `None` when `until` has come.
    ///
    /// # Errors
    /// When the port is gone.
    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError>;
}

/// A real port, served by the thread of the bench.
pub struct PortCable {
    port: Box<dyn BlockingPort>,
    /// Since when the bench has had the thread.
    awake: Awake,
}

impl PortCable {
    /// Takes a port over.
    #[must_use]
    pub fn new(port: Box<dyn BlockingPort>) -> Self {
        let awake = Awake::now(port.clock());
        Self { port, awake }
    }
}

impl fmt::Debug for PortCable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("PortCable").field(&self.port.name()).finish()
    }
}

impl Cable for PortCable {
    fn name(&self) -> String {
        self.port.name().to_owned()
    }

    fn now(&self) -> Micros {
        self.port.clock().now()
    }

    fn send(&mut self, transmission: Transmission) {
        let spent = self.awake.spent(self.port.clock());
        self.port.send(transmission, spent);
    }

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let event = self.port.wait(until, None);
        self.awake = Awake::now(self.port.clock());
        event
    }
}

/// The bus of a bench.
#[derive(Debug)]
pub(crate) enum Wire {
    /// In simulated time, with an emulated subject.
    Virtual(Box<(VirtualBus, FaultInjector)>),
    /// A port with an outside subject.
    Linked(Box<Linked>),
}

impl Wire {
    /// A virtual bus as both examinations use it.
    pub(crate) fn simulated() -> Self {
        Self::Virtual(Box::new((
            VirtualBus::new(1, Micros(60)),
            FaultInjector::default(),
        )))
    }

    /// A port, for one check.
    pub(crate) fn linked(mut linked: Linked) -> Self {
        linked.begin();
        Self::Linked(Box::new(linked))
    }

    /// The port back.
    pub(crate) fn into_linked(self) -> Option<Linked> {
        match self {
            Self::Virtual(_) => None,
            Self::Linked(mut linked) => {
                linked.goes_on();
                Some(*linked)
            }
        }
    }

    /// When a bench on it begins.
    pub(crate) fn now(&self) -> Micros {
        match self {
            Self::Virtual(_) => Micros::ZERO,
            Self::Linked(linked) => linked.now(),
        }
    }

    /// How far times may be off.
    pub(crate) fn uncertainty(&self) -> Micros {
        match self {
            Self::Virtual(_) => Micros::ZERO,
            Self::Linked(linked) => linked.uncertainty(),
        }
    }

    /// How late the tool itself spoke in this check, at the worst.
    pub(crate) fn late_by(&self) -> Micros {
        match self {
            Self::Virtual(_) => Micros::ZERO,
            Self::Linked(linked) => linked.late_by,
        }
    }

    /// Places a transmission; when it ends, as far as that is known yet.
    pub(crate) fn transmit(&mut self, source: Source, sent: Transmission) -> Micros {
        match self {
            Self::Virtual(virtual_bus) => {
                let (bus, faults) = &mut **virtual_bus;
                bus.transmit_through(faults, source, sent)
            }
            Self::Linked(linked) => linked.transmit(sent),
        }
    }

    /// Places a transmission and, over a port, waits until it is on the wire. When it ended.
    pub(crate) fn say(&mut self, source: Source, sent: Transmission) -> Micros {
        match self {
            Self::Virtual(virtual_bus) => {
                let (bus, faults) = &mut **virtual_bus;
                bus.transmit_through(faults, source, sent)
            }
            Self::Linked(linked) => {
                let asked = linked.transmit(sent);
                match linked.sending {
                    0 => asked,
                    _ => linked.flush(),
                }
            }
        }
    }

    /// When there is something to take: for a port, at once or nobody knows when.
    pub(crate) fn next(&self) -> Micros {
        match self {
            Self::Virtual(bus) => bus.0.next(),
            Self::Linked(linked) if linked.heard.is_empty() => Micros::NEVER,
            Self::Linked(_) => Micros::ZERO,
        }
    }

    /// Lets time pass until `to` (over a port also less, when something comes). The time then.
    pub(crate) fn reach(&mut self, to: Micros) -> Micros {
        match self {
            Self::Virtual(_) => to,
            // Nothing will come any more: the check is let run out.
            Self::Linked(linked) if linked.over => to,
            Self::Linked(linked) => {
                if linked.heard.is_empty() {
                    linked.pump(to);
                }
                linked.now()
            }
        }
    }

    /// The next event that is complete by `now`.
    pub(crate) fn pop(&mut self, now: Micros) -> Option<Heard> {
        match self {
            Self::Virtual(bus) => bus.0.pop(now),
            Self::Linked(linked) => linked.heard.pop_front(),
        }
    }

    /// Puts a fault on it.
    pub(crate) fn add_fault(&mut self, fault: Fault) {
        match self {
            Self::Virtual(bus) => bus.1.add(fault),
            Self::Linked(linked) => linked.faults.add(fault),
        }
    }

    /// What is worth knowing about the link since this was last asked.
    pub(crate) fn take_notes(&mut self) -> Vec<Entry> {
        match self {
            Self::Virtual(_) => Vec::new(),
            Self::Linked(linked) => std::mem::take(&mut linked.notes),
        }
    }

    /// The link, or another port beside it, has failed.
    pub(crate) fn fail(&mut self, error: LinkError) {
        if let Self::Linked(linked) = self {
            linked.fail(error);
        }
    }

    /// The tool was late on a line beside the bus.
    pub(crate) fn was_late(&mut self, at: Micros, late: Micros, text: impl FnOnce() -> String) {
        if let Self::Linked(linked) = self {
            linked.was_late(at, late, text);
        }
    }

    /// From now on time passes without being waited for, and nothing is said.
    pub(crate) fn give_up(&mut self) {
        if let Self::Linked(linked) = self {
            linked.over = true;
        }
    }

    /// True when nothing will come any more.
    pub(crate) fn is_over(&self) -> bool {
        matches!(self, Self::Linked(linked) if linked.over)
    }

    /// How a check ended in truth that the link or whoever ends examinations did not let end.
    pub(crate) fn broken_off(&self) -> Option<Seen> {
        let Self::Linked(linked) = self else {
            return None;
        };
        match &linked.failure {
            Some(error) => Some(Seen::cannot_tell(format!(
                "the link failed before the check was over: {error}"
            ))),
            None => linked.stopped.then(|| Seen::skipped(Skip::Stopped)),
        }
    }
}
