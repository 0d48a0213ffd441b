//! What stands on a bench: state machines with one contract.

use crate::action::Action;
use crate::observation::{Observation, Observed};
use payrig_units::{Micros, Movement};
use payrig_wire::{Edge, TimedWord, Transmission};
use std::any::Any;
use std::collections::VecDeque;
use std::fmt;

/// The number of a node on its bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(pub(crate) usize);

/// What reaches a node.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// A word of the other side of its bus, whole at its end.
    Word(&'a TimedWord),
    /// The master held the bus active, from when until when.
    Break {
        /// From when.
        start: Micros,
        /// Until when.
        end: Micros,
    },
    /// What travels over its bus may be held up for so long by the link, as far as was seen: whoever
    /// waits for an answer waits longer.
    LinkDelay(Micros),
    /// The level of a pulse line as the bench begins.
    Level {
        /// The device the line belongs to.
        device: &'a str,
        /// The line's own name.
        line: &'a str,
        /// When.
        at: Micros,
        /// True for high.
        high: bool,
    },
    /// A pulse line changed, driven by another node or from outside.
    Edge {
        /// The device the line belongs to.
        device: &'a str,
        /// The line's own name.
        line: &'a str,
        /// The edge.
        edge: Edge,
        /// How far its time may be off, either way.
        uncertainty: Micros,
    },
}

/// An edge that a node puts on a pulse line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineEdge {
    /// The device the line belongs to.
    pub device: String,
    /// The line's own name.
    pub line: String,
    /// The edge.
    pub edge: Edge,
}

/// Who shows something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Shown {
    /// The display of the machine.
    Display(String),
    /// The board itself: what it noticed.
    Notice(String),
    /// Somebody at the device sees or hears this.
    AtDevice(String),
}

/// What a node gives out. The bench empties it after every call.
#[derive(Clone, Debug, Default)]
pub struct Output {
    /// For its bus, in order.
    pub sent: VecDeque<Transmission>,
    /// For pulse lines.
    pub edges: Vec<LineEdge>,
    /// Money that moved, or that it believes to have moved.
    pub moved: Vec<Movement>,
    /// What is to be seen.
    pub shown: Vec<Shown>,
    /// Items the machine delivered.
    pub delivered: Vec<u16>,
}

impl Output {
    /// Nothing was given out.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.sent.is_empty()
            && self.edges.is_empty()
            && self.moved.is_empty()
            && self.shown.is_empty()
            && self.delivered.is_empty()
    }
}

/// Why an action, a fault or an observation is refused. Prints the reason in plain words.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// There is no device of this name.
    #[error("there is no device \"{0}\"")]
    NoSuchDevice(String),
    /// A device of this kind cannot do it.
    #[error("{0} cannot do that")]
    CannotDo(String),
    /// The board is at the other end of a link.
    #[error("the board is not ours to operate")]
    BoardOutside,
    /// The device is at the other end of a link.
    #[error("{0} is real: only a person at it can do that")]
    DeviceOutside(String),
    /// It is on no bus.
    #[error("{0} is on no bus")]
    NotOnABus(String),
    /// The ledger of this bench has no such place.
    #[error("there is no place \"{0}\"")]
    NoSuchPlace(String),
    /// The link cannot do it.
    #[error("{0}")]
    Link(&'static str),
    /// It could, but not now: why.
    #[error("{0}")]
    NotNow(String),
}

/// A state machine on a bench: a peripheral, a board, a bridge, a script of a test.
///
/// The contract:
/// - Time comes in with every call and never runs backwards. A node has no clock.
/// - [`next_deadline`](Node::next_deadline) is the earliest time at which the node does something of
///   its own accord. It may lie in the past: then it is due at once. It changes only inside a call
///   that takes `&mut self`; the bench asks again after each of them, and never has to ask in
///   between.
/// - At the deadline the bench calls [`wake`](Node::wake) with that time, or a later one where a live
///   bench is late. A wake that was not due does nothing. After a wake at `now` the node's deadline is
///   later than `now`, or it has put something out.
/// - Everything a node wants to say is waiting after the call that caused it, and is taken with
///   [`drain`](Node::drain) before anything else happens on the bench.
/// - A clone goes on exactly as the original would: nodes share nothing.
pub trait Node: fmt::Debug + Send + Any {
    /// When [`wake`](Node::wake) is wanted; [`Micros::NEVER`] when it is not.
    fn next_deadline(&self) -> Micros;

    /// A deadline has come.
    fn wake(&mut self, now: Micros);

    /// Something reaches it.
    fn hear(&mut self, input: &Input<'_>);

    /// Moves what it gives out to `out`.
    fn drain(&mut self, now: Micros, out: &mut Output);

    /// Power comes or goes; without power a node neither hears nor speaks.
    fn power(&mut self, now: Micros, on: bool);

    /// A person, or something in the machine, does this to it.
    ///
    /// # Errors
    /// When it cannot be done: says why, and nothing has happened.
    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        let _ = (now, action);
        Err(Refusal::CannotDo("this".to_owned()))
    }

    /// What can be seen of it; `None` where it has nothing of the kind.
    fn observe(&self, what: &Observation) -> Option<Observed> {
        let _ = what;
        None
    }

    /// True when nothing is under way that a bench should wait for before it ends.
    fn is_quiet(&self) -> bool {
        true
    }

    /// Levels that its own pulse lines have at rest: line, and true for high.
    fn resting_levels(&self) -> Vec<(String, bool)> {
        Vec::new()
    }

    /// A copy that goes on by itself.
    fn boxed_clone(&self) -> Box<dyn Node>;

    /// For those who put it there and know what it is.
    fn as_any(&self) -> &dyn Any;

    /// The same, to work on.
    fn as_any_mut(&mut self) -> &mut dyn Any;
}

impl Clone for Box<dyn Node> {
    fn clone(&self) -> Self {
        self.boxed_clone()
    }
}

/// The three methods that every node writes alike.
#[macro_export]
macro_rules! node_identity {
    () => {
        fn boxed_clone(&self) -> Box<dyn $crate::Node> {
            Box::new(self.clone())
        }
        fn as_any(&self) -> &dyn std::any::Any {
            self
        }
        fn as_any_mut(&mut self) -> &mut dyn std::any::Any {
            self
        }
    };
}
