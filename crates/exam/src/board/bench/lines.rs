//! The credit line and the inhibit line: of the emulated board, or over a port.

use super::super::lines::{CreditLines, LOOK_AFTER, LineEvent, late_text};
use super::*;
use payrig_pulse::CREDIT_LINE;
use payrig_wire::recording::{LineRecord, LineRole};

/// Why pulses cannot be examined at a board outside.
const NO_LINES: &str = "no pulse line of the board is connected (--pulse-link)";

/// Why the line that holds the acceptor off cannot be.
const NO_INHIBIT: &str = "the inhibit line of the board is not connected";

impl BoardBench {
    fn lines_mut(&mut self) -> Option<&mut CreditLines> {
        match &mut self.board {
            Subject::Outside(hand) => hand.lines.as_mut(),
            Subject::Emulated(_) => None,
        }
    }

    /// A check begins: how the lines are. Of a board outside the acceptor hears how it is held.
    pub(super) fn begin_lines(&mut self, setup: &BoardSetup) {
        let now = self.now;
        if self.is_outside() && self.lines_mut().is_none() {
            return;
        }
        let profile = &setup.pulse.pulse;
        let held_by = self.lines_mut().and_then(|l| l.inhibit());
        let inhibit = held_by.unwrap_or_else(|| profile.inhibit.unpowered_level());
        for (line, role, high) in [
            (CREDIT_LINE, LineRole::Credit, !profile.active.is_high()),
            (&profile.inhibit.line, LineRole::Inhibit, inhibit),
        ] {
            let is_credit = role == LineRole::Credit;
            self.entries.push(Entry::Line(LineRecord {
                at_us: now,
                device: self.pulse_name.clone(),
                line: format!("{} {line}", self.pulse_name),
                role,
                high,
                counted_by: None,
                outside: false,
                profile: is_credit.then(|| profile.into()),
            }));
        }
        let Some(lines) = self.lines_mut() else {
            return;
        };
        lines.touched(now);
        if let Some(high) = lines.inhibit() {
            let line = self.inhibit.line.clone();
            self.pulse.input_edge(now, &line, high);
            self.held_off.push((now, self.inhibit.holds_off(high)));
        }
        self.hear_lines();
    }

    /// When the lines are to be looked after at the latest.
    pub(super) fn look_after_lines(&mut self) -> Micros {
        let at = self.now + LOOK_AFTER;
        match (self.wire.is_over(), self.lines_mut()) {
            (false, Some(_)) => at,
            _ => Micros::NEVER,
        }
    }

    /// The acceptor's own time at a deadline of it: over a port the bench may be late, and a pulse
    /// must not be.
    pub(super) fn pulse_time(&mut self, deadline: Micros) -> Micros {
        let now = self.now;
        self.lines_mut().map_or(now, |l| l.wake_at(deadline))
    }

    /// Takes what has happened on the lines of a board outside.
    pub(super) fn hear_lines(&mut self) {
        while !self.wire.is_over() {
            let Some(lines) = self.lines_mut() else {
                return;
            };
            match lines.take() {
                Ok(None) => return,
                Ok(Some(event)) => self.line_event(event),
                Err(error) => self.wire.fail(error),
            }
        }
    }

    fn line_event(&mut self, event: LineEvent) {
        match event {
            LineEvent::Driven { edge, late } => {
                self.edge_entry(CREDIT_LINE, edge, Micros::ZERO);
                self.wire.was_late(edge.at, late, || late_text(late));
            }
            LineEvent::Inhibit { edge, uncertainty } => {
                let line = self.inhibit.line.clone();
                self.inhibit_edge(&line, edge, uncertainty);
            }
            LineEvent::Note(text) => {
                let who = self.lines_mut().map(|l| l.name());
                let at_us = self.now;
                self.entries.push(Entry::Note { at_us, who, text });
            }
        }
    }

    fn edge_entry(&mut self, line: &str, edge: Edge, uncertainty_us: Micros) {
        self.entries.push(Entry::Edge {
            line: format!("{} {line}", self.pulse_name),
            at_us: edge.at,
            high: edge.high,
            uncertainty_us,
        });
    }

    /// The board lets the acceptor in, or holds it off.
    pub(super) fn inhibit_edge(&mut self, line: &str, edge: Edge, uncertainty: Micros) {
        self.edge_entry(line, edge, uncertainty);
        self.pulse.input_edge(edge.at, line, edge.high);
        let holds_off = self.inhibit.holds_off(edge.high);
        self.held_off.push((edge.at, holds_off));
    }

    /// An edge of the credit line on its way to the board.
    pub(super) fn credit_edge(&mut self, line: &str, edge: Edge) {
        if let Subject::Emulated(board) = &mut self.board {
            board.pulse_edge(&self.pulse_name, line, edge);
            self.edge_entry(line, edge, Micros::ZERO);
        } else if !self.wire.is_over()
            && let Some(lines) = self.lines_mut()
        {
            // It is recorded when it was made.
            lines.drive(edge);
        }
    }

    /// The credit line rests, whatever was under way: a check that was given up may have ended in the
    /// middle of a pulse. Its own time has run on by then, the port's has not.
    pub(super) fn rest_lines(&mut self) {
        let now = self.wire.now();
        if let Some(lines) = self.lines_mut() {
            lines.rest(now);
        }
    }

    /// Ends the check when the board is outside and no line of it is connected.
    fn need_lines(&mut self) {
        if self.is_outside() && self.lines_mut().is_none() {
            self.not_outside(NO_LINES);
        }
    }

    /// Puts a bill into the old acceptor.
    pub fn pulse_bill(&mut self, value: i64) {
        self.need_lines();
        let now = self.now;
        if let Some(lines) = self.lines_mut() {
            lines.touched(now);
        }
        self.pulse.insert_bill(now, Money(value));
        self.collect();
    }

    /// Sends pulses of a width on the credit line, as noise or a wrong setting would.
    pub fn stray_pulses(&mut self, count: u32, width: Micros) {
        self.need_lines();
        let mut at = self.now;
        for _ in 0..count {
            for (high, time) in [(false, width), (true, Micros::ms(50))] {
                self.credit_edge(CREDIT_LINE, Edge { at, high });
                self.collect();
                at += time;
                self.until(at);
            }
        }
        self.secs(1);
    }

    /// Edges so far of the line that holds the pulse acceptor off: when, and whether it does from
    /// then on. Of a board outside, first how it was when the check began.
    #[must_use]
    pub fn held_off(&mut self) -> &[(Micros, bool)] {
        self.need_lines();
        if self.lines_mut().is_some_and(|l| l.inhibit().is_none()) {
            self.not_outside(NO_INHIBIT);
        }
        &self.held_off
    }

    /// Whether the acceptor was held off at a time; `None` when the line never moved before.
    #[must_use]
    pub fn was_held_off(&mut self, at: Micros) -> Option<bool> {
        let edges = self.held_off().iter();
        edges.rev().find(|(of, _)| *of <= at).map(|(_, held)| *held)
    }
}
