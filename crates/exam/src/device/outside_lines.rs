//! A real device on pulse lines: its credit line comes in over a port, its inhibit line goes out.

use payrig_link::LinkError;
use payrig_peripherals::pulse::PulseDevice;
use payrig_pulse::Edge;
use payrig_units::{Micros, Movement};
use std::cell::RefCell;
use std::fmt;
use std::rc::Rc;

use crate::wire::Cable;
use payrig_link::PortEvent;
use payrig_wire::Transmission;

/// A port with one credit line in and one inhibit line out.
pub trait LinePort: fmt::Debug {
    /// What messages call it.
    fn name(&self) -> String;

    /// Time.
    fn now(&self) -> Micros;

    /// The level of the credit line now, true for high.
    fn level(&self) -> bool;

    /// The next edge on the credit line, and how far its time may be off; `None` when `until` has
    /// come, or something else happened.
    ///
    /// # Errors
    /// When the port is gone.
    fn wait(&mut self, until: Micros) -> Result<Option<(Edge, Micros)>, LinkError>;

    /// True when the inhibit line is connected.
    fn has_inhibit(&self) -> bool {
        true
    }

    /// Sets the inhibit line.
    fn inhibit(&mut self, high: bool);
}

#[derive(Debug)]
struct Lines {
    port: Box<dyn LinePort>,
    edges: Vec<Edge>,
    uncertainty: Micros,
}

/// The lines of a real device, seen by the bench and by the link.
#[derive(Clone, Debug)]
pub struct OutsideLines(Rc<RefCell<Lines>>);

impl OutsideLines {
    /// The lines of a port.
    #[must_use]
    pub fn new(port: Box<dyn LinePort>) -> Self {
        Self(Rc::new(RefCell::new(Lines {
            port,
            edges: Vec::new(),
            uncertainty: Micros::ZERO,
        })))
    }

    /// True when the inhibit line is connected.
    pub(super) fn has_inhibit(&self) -> bool {
        self.0.borrow().port.has_inhibit()
    }

    /// How far the times of edges so far may be off.
    pub(super) fn uncertainty(&self) -> Micros {
        self.0.borrow().uncertainty
    }
}

/// Nothing but time passes on it: there are no words.
impl Cable for OutsideLines {
    fn name(&self) -> String {
        self.0.borrow().port.name()
    }

    fn now(&self) -> Micros {
        self.0.borrow().port.now()
    }

    fn send(&mut self, _: Transmission) {}

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let mut lines = self.0.borrow_mut();
        if let Some((edge, uncertainty)) = lines.port.wait(until)? {
            lines.edges.push(edge);
            lines.uncertainty = lines.uncertainty.max(uncertainty);
        }
        Ok(None)
    }
}

/// The device as the bench sees it.
#[derive(Debug)]
pub(super) struct OutsideUnit {
    pub(super) name: String,
    pub(super) line: String,
    pub(super) lines: OutsideLines,
}

impl PulseDevice for OutsideUnit {
    fn name(&self) -> &str {
        &self.name
    }

    fn resting_levels(&self) -> Vec<(String, bool)> {
        vec![(self.line.clone(), self.lines.0.borrow().port.level())]
    }

    fn inputs(&self) -> Vec<String> {
        Vec::new()
    }

    fn input_edge(&mut self, _: Micros, _: &str, high: bool) {
        self.lines.0.borrow_mut().port.inhibit(high);
    }

    fn power(&mut self, _: Micros, _: bool) {}

    fn next_deadline(&self) -> Micros {
        Micros::NEVER
    }

    fn wake(&mut self, _: Micros) {}

    fn take_edges(&mut self) -> Vec<(String, Edge)> {
        let edges = std::mem::take(&mut self.lines.0.borrow_mut().edges);
        edges.into_iter().map(|e| (self.line.clone(), e)).collect()
    }

    fn take_movements(&mut self) -> Vec<Movement> {
        Vec::new()
    }

    fn take_notes(&mut self) -> Vec<String> {
        Vec::new()
    }
}
