//! The bridge with its place on the bus and its power supply.

use crate::to_mdb::PulseToMdb;
use payrig_peripherals::{ACK_TOLERATED, BusPeripheral, Port, PortTiming};
use payrig_pulse::Edge;
use payrig_units::{Micros, Movement};
use payrig_wire::{TimedWord, Transmission};

/// A [`PulseToMdb`] on a bus.
///
/// Its supply holds for a moment after a power cut (a capacitor): long enough to hear the ACK of a
/// report that is on its way, which comes within 20 ms or not at all (MDB/ICP 4.3, Appendix 3,
/// section 2). Without that nobody could know after the cut whether the report was heard, and money
/// would be lost or doubled; [`without_hold_up`](Self::without_hold_up) shows it.
#[derive(Clone, Debug)]
pub struct PulseBridge {
    port: Port<PulseToMdb>,
    hold_up: bool,
    /// Power is gone; the supply holds until then.
    going_down: Option<Micros>,
}

impl PulseBridge {
    /// On the bus, with power.
    #[must_use]
    pub fn new(bridge: PulseToMdb, timing: PortTiming) -> Self {
        Self {
            port: Port::new(bridge, timing),
            hold_up: true,
            going_down: None,
        }
    }

    /// The same with a supply that goes at once.
    #[must_use]
    pub fn without_hold_up(mut self) -> Self {
        self.hold_up = false;
        self
    }

    /// The bridge, to look at.
    #[must_use]
    pub fn bridge(&self) -> &PulseToMdb {
        self.port.device()
    }

    /// The level of a credit line when the bench begins.
    pub fn level(&mut self, now: Micros, line: &str, high: bool) {
        self.port.device_mut().level(now, line, high);
    }

    /// An edge of a credit line.
    pub fn input_edge(&mut self, now: Micros, line: &str, high: bool) {
        self.port.device_mut().input_edge(now, line, high);
    }

    /// The same with an edge whose time may be off by `uncertainty` either way.
    pub fn input_edge_within(&mut self, now: Micros, line: &str, high: bool, uncertainty: Micros) {
        let device = self.port.device_mut();
        device.input_edge_within(now, line, high, uncertainty);
    }

    /// Edges of the inhibit line since the last call: line and edge.
    pub fn take_edges(&mut self) -> Vec<(String, Edge)> {
        self.port.device_mut().take_edges()
    }

    fn go_down(&mut self, now: Micros) {
        let Some(until) = self.going_down else { return };
        if !self.port.awaits_ack() || now >= until {
            self.going_down = None;
            self.port.power(now, false);
        }
    }
}

impl BusPeripheral for PulseBridge {
    fn heard(&mut self, word: &TimedWord) {
        self.port.heard(word);
        self.go_down(word.end);
    }

    fn heard_break(&mut self, start: Micros, end: Micros) {
        self.port.heard_break(start, end);
        self.go_down(end);
    }

    fn next_deadline(&self) -> Micros {
        let down = self.going_down.unwrap_or(Micros::NEVER);
        self.port.next_deadline().min(down)
    }

    fn wake(&mut self, now: Micros) {
        self.port.wake(now);
        self.go_down(now);
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.going_down = None;
        if on || !self.hold_up {
            self.port.power(now, on);
        } else {
            self.going_down = Some(now + ACK_TOLERATED * 2);
            self.go_down(now);
        }
    }

    fn stay_silent(&mut self, now: Micros, time: Micros) {
        self.port.stay_silent(now, time);
    }

    fn take_transmission(&mut self) -> Option<Transmission> {
        self.port.take_transmission()
    }

    fn take_movements(&mut self) -> Vec<Movement> {
        self.port.take_movements()
    }

    fn take_notes(&mut self) -> Vec<String> {
        self.port.take_notes()
    }
}
