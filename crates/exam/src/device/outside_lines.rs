//! A real device on pulse lines: its credit line comes in over a port, its inhibit line goes out.

use crate::link::Cable;
use payrig_link::{LinkError, PortEvent};
use payrig_units::Micros;
use payrig_wire::{Edge, Transmission};
use std::collections::VecDeque;
use std::fmt;

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

/// The lines of a real device as a link: no words travel on it.
#[derive(Debug)]
pub struct OutsideLines {
    port: Box<dyn LinePort>,
    edges: VecDeque<(Edge, Micros)>,
}

impl OutsideLines {
    /// The lines of a port.
    #[must_use]
    pub fn new(port: Box<dyn LinePort>) -> Self {
        Self {
            port,
            edges: VecDeque::new(),
        }
    }
}

impl Cable for OutsideLines {
    fn name(&self) -> String {
        self.port.name()
    }

    fn now(&self) -> Micros {
        self.port.now()
    }

    fn send(&mut self, _: Transmission) {}

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let edge = self.port.wait(until)?;
        self.edges.extend(edge);
        Ok(None)
    }

    fn take_edge(&mut self) -> Option<(Edge, Micros)> {
        self.edges.pop_front()
    }

    fn level(&self) -> Option<bool> {
        Some(self.port.level())
    }

    fn has_output(&self) -> bool {
        self.port.has_inhibit()
    }

    fn drive(&mut self, edge: Edge) {
        self.port.inhibit(edge.high);
    }
}
