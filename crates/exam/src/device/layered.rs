//! A device behind its bad habits, as a node of a bench.

use super::habit::Layer;
use payrig_bench::action::Action;
use payrig_bench::nodes::Operable;
use payrig_bench::{Input, Node, Output, Refusal, Shown, node_identity};
use payrig_peripherals::{BusPeripheral, Port};
use payrig_units::Micros;
use std::fmt;

/// A device on a bus, and the layer between the two.
#[derive(Clone, Debug)]
pub(crate) struct Layered<D> {
    layer: Layer,
    port: Port<D>,
}

impl<D: Operable> Layered<D> {
    /// A device behind a layer.
    pub(crate) fn new(layer: Layer, port: Port<D>) -> Self {
        Self { layer, port }
    }

    /// The device itself, to look at.
    pub(crate) fn device(&self) -> &D {
        self.port.device()
    }

    /// The device itself, to be set otherwise.
    #[cfg(test)]
    pub(crate) fn device_mut(&mut self) -> &mut D {
        self.port.device_mut()
    }
}

impl<D: Operable + Clone + fmt::Debug + Send + 'static> Node for Layered<D> {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        self.port.next_deadline().min(self.layer.next_deadline())
    }

    fn wake(&mut self, now: Micros) {
        if self.port.next_deadline() <= now {
            self.port.wake(now);
        }
        self.layer.wake(now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        match *input {
            Input::Word(word) => self.layer.heard(*word, &mut self.port),
            Input::Break { start, end } => {
                if self.layer.bus_reset(end) {
                    self.port.heard_break(start, end);
                }
            }
            Input::Level { .. } | Input::Edge { .. } | Input::LinkDelay(_) => {}
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        while let Some(sent) = self.layer.take(&mut self.port) {
            out.sent.push_back(sent);
        }
        out.moved.extend(self.port.take_movements());
        let notes = self.port.take_notes();
        out.shown.extend(notes.into_iter().map(Shown::AtDevice));
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.layer.power(on);
        self.port.power(now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        if let Action::Silent { time, .. } = action {
            self.port.stay_silent(now, *time);
            return Ok(());
        }
        self.port.device_mut().operate(now, action)
    }
}
