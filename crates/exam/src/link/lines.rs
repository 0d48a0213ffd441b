//! The pulse lines of a board outside: the tool's acceptor drives the credit line over a port, and
//! hears the line by which the board holds it off.

use payrig_link::LinkError;
use payrig_units::Micros;
use payrig_wire::Edge;
use payrig_wire::port::{InLine, OutLine};
use std::fmt;

/// Edges of the credit line are made this long after the acceptor meant them, so that a bench that
/// wakes late does not make a pulse of another width.
const LEAD: Micros = Micros::ms(20);

/// How often the lines are looked after while nothing happens on the bus.
pub(super) const LOOK_AFTER: Micros = Micros::ms(5);

/// The line that comes in, as the bench knows it: which modem line it is, the port itself knows.
pub(crate) const LINE_IN: InLine = InLine::Cts;

/// The line that goes out, likewise.
pub(crate) const LINE_OUT: OutLine = OutLine::Rts;

/// Something that happened on the lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LineEvent {
    /// The credit line was driven: the edge as it was made, and how late.
    Driven {
        /// The edge.
        edge: Edge,
        /// How much later than planned.
        late: Micros,
    },
    /// The line that holds the acceptor off has changed.
    Inhibit {
        /// The edge.
        edge: Edge,
        /// How far its time may be off.
        uncertainty: Micros,
    },
    /// Something else that is worth knowing, in plain words.
    Note(String),
}

/// A port whose lines are those of a pulse acceptor at a board. Its clock is the one of the bus.
pub trait AcceptorLines: fmt::Debug {
    /// What messages call it.
    fn name(&self) -> String;

    /// Plans an edge of the credit line at its time, which may have passed.
    fn drive(&mut self, edge: Edge);

    /// What has happened and was not reported yet; never waits.
    ///
    /// # Errors
    /// When the port is gone.
    fn take(&mut self) -> Result<Option<LineEvent>, LinkError>;

    /// The level of the board's inhibit line before any edge that was not taken yet; `None` when it
    /// is not connected.
    fn inhibit(&self) -> Option<bool>;

    /// True when a wait for the bus ends with whatever happens on the lines: nobody has to look.
    fn wakes(&self) -> bool {
        false
    }
}

/// The lines as a bench uses them.
#[derive(Debug)]
pub(super) struct CreditLines {
    port: Box<dyn AcceptorLines>,
    resting: bool,
    /// How the credit line is driven.
    high: bool,
}

impl CreditLines {
    /// Takes the lines of a port over; the credit line rests at this level.
    pub(super) fn new(mut port: Box<dyn AcceptorLines>, at: Micros, resting: bool) -> Self {
        let high = resting;
        port.drive(Edge { at, high });
        Self {
            port,
            resting,
            high,
        }
    }

    /// The port they are on.
    pub(super) fn port(&self) -> &dyn AcceptorLines {
        &*self.port
    }

    /// Plans an edge of the credit line.
    pub(super) fn drive(&mut self, edge: Edge) {
        let at = edge.at + LEAD;
        self.high = edge.high;
        self.port.drive(Edge { at, ..edge });
    }

    /// The credit line rests, whatever was under way.
    pub(super) fn rest(&mut self, now: Micros) {
        let (at, high) = (now, self.resting);
        if self.high != high {
            self.drive(Edge { at, high });
        }
    }

    pub(super) fn take(&mut self) -> Result<Option<LineEvent>, LinkError> {
        self.port.take()
    }
}

/// What is reported of an edge that was made too late: it makes a pulse of another width.
pub(super) fn late_text(late: Micros) -> String {
    format!(
        "this tool moved the credit line {late} later than it meant to: the machine it runs on was busy. \
         What follows from that is not the subject's fault"
    )
}
