//! A bench of an examination, and what moves it along.

use super::lines::{CreditLines, LINE_IN, LINE_OUT, LOOK_AFTER, LineEvent, late_text};
use super::{AcceptorLines, Linked};
use crate::seen::Seen;
use payrig_bench::{Bench, BusAt, BusId, OWN_LATENESS, Outbound};
use payrig_link::{PortEvent, Watch};
use payrig_units::{Decimals, Micros};
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Edge, Source, Transmission};

/// A word of ours that is not on the wire this long after its time never will be.
const SENDING_TIME: Micros = Micros::secs(2);

/// How start times and pauses vary on an examination's virtual bus.
const JITTER: Micros = Micros(60);

/// A bench in simulated time, with an emulated subject; or one on a port with an outside subject,
/// whose clock is the time.
#[derive(Debug)]
pub(crate) struct Driven {
    pub(crate) bench: Bench,
    linked: Option<Box<Linked>>,
    /// Whether the port was looked at often enough.
    watch: Watch,
}

impl Driven {
    /// In simulated time.
    pub(crate) fn simulated(decimals: Decimals) -> Self {
        let mut bench = Bench::new(1, JITTER, decimals);
        bench.attend();
        Self {
            bench,
            linked: None,
            watch: Watch::new(Micros::ZERO),
        }
    }

    /// On a port, for one check.
    pub(crate) fn linked(mut linked: Linked, decimals: Decimals) -> Self {
        linked.begin();
        let mut bench = Bench::new(1, JITTER, decimals);
        bench.board_bus_on_port(match linked.ours() {
            Source::Master => Source::Peripheral,
            Source::Peripheral => Source::Master,
        });
        bench.attend();
        let now = linked.now();
        bench.move_on(now);
        Self {
            bench,
            linked: Some(Box::new(linked)),
            watch: Watch::new(now),
        }
    }

    /// The bench and the port, once the check is over.
    pub(crate) fn apart(mut self) -> (Bench, Option<Linked>) {
        if let Some(linked) = &mut self.linked {
            linked.goes_on();
        }
        (self.bench, self.linked.map(|linked| *linked))
    }

    /// The port.
    pub(crate) fn port(&self) -> Option<&Linked> {
        self.linked.as_deref()
    }

    /// The pulse lines of a board outside, where they are connected.
    pub(crate) fn lines(&self) -> Option<&dyn AcceptorLines> {
        self.port()?.lines().map(CreditLines::port)
    }

    /// Records something as it happens, where that is wanted.
    pub(crate) fn record(&self, entry: &Entry) {
        if let Some(recorder) = self.port().and_then(Linked::recorder) {
            recorder.record(entry);
        }
    }

    /// What is left to be recorded of all that has happened.
    pub(crate) fn left_to_record(&self, entries: Vec<Entry>) -> Vec<Entry> {
        match self.port().and_then(Linked::recorder) {
            Some(_) => Vec::new(),
            None => entries,
        }
    }

    /// Bench time.
    pub(crate) fn now(&self) -> Micros {
        self.bench.now()
    }

    /// How far times may be off.
    pub(crate) fn uncertainty(&self) -> Micros {
        self.port().map_or(Micros::ZERO, Linked::uncertainty)
    }

    /// How late the tool itself spoke in this check, at the worst.
    pub(crate) fn late_by(&self) -> Micros {
        self.port().map_or(Micros::ZERO, Linked::late_by)
    }

    /// From now on time passes without being waited for, and nothing is said.
    pub(crate) fn give_up(&mut self) {
        if let Some(linked) = &mut self.linked {
            linked.give_up();
        }
    }

    /// True when nothing will come any more.
    pub(crate) fn is_over(&self) -> bool {
        self.port().is_some_and(Linked::is_over)
    }

    /// How a check really ended that the link, or whoever ended the examination, cut off.
    pub(crate) fn broken_off(&self) -> Option<Seen> {
        self.port()?.broken_off()
    }

    /// Says something in the place of a side of the bus and, over a port, waits until it is on the wire.
    /// When it ended.
    pub(crate) fn say(&mut self, side: Source, sent: Transmission) -> Micros {
        let end = self.bench.transmit(BusId::BOARD, side, sent);
        self.send();
        let waits = |run: &Self| run.port().is_some_and(Linked::is_sending) && !run.is_over();
        if !waits(self) {
            return end;
        }
        let by = self.clock() + SENDING_TIME;
        while waits(self) && self.clock() < by {
            self.pump(by);
        }
        let ended = self.linked.as_mut().map_or(end, |linked| linked.sent());
        if !self.is_over() {
            self.bench.move_on(self.clock());
        }
        ended
    }

    /// The port's time; in simulated time the bench's.
    fn clock(&self) -> Micros {
        self.port().map_or(self.bench.now(), Linked::now)
    }

    /// Lets time pass until `to`.
    pub(crate) fn until(&mut self, to: Micros) {
        while self.step(to) {}
    }

    /// Lets time pass to the next thing that happens, until `to` at most. False once it has come.
    pub(crate) fn step(&mut self, to: Micros) -> bool {
        self.send();
        let due = self.bench.next_deadline();
        if self.linked.is_none() || self.is_over() {
            if due > to {
                self.bench.move_on(to);
                return false;
            }
            self.bench.advance(due);
            return true;
        }
        let look_after = match self.lines() {
            Some(lines) if !lines.wakes() => self.clock() + LOOK_AFTER,
            _ => Micros::NEVER,
        };
        // What has come already is heard before anything is done that is due only now.
        let until = due.min(to).min(look_after);
        if self.pump(until) || self.is_over() {
            return true;
        }
        let now = self.clock();
        // It may have been put off by what came on a line. What is due later than that may have come only
        // since the port was looked at.
        let due = self.bench.next_deadline();
        if due <= until && due <= now {
            // At its own time, however late this comes: pulses are as wide as they were meant.
            self.bench.advance(due);
            return true;
        }
        if now >= to {
            self.bench.move_on(now);
            return false;
        }
        true
    }

    /// Hands over what is to go out.
    pub(crate) fn send(&mut self) {
        while let Some(out) = self.bench.take_outbound() {
            let Some(linked) = &mut self.linked else {
                continue;
            };
            match out {
                Outbound::Words { sent, .. } => linked.send(sent),
                Outbound::Edge { port, edge, .. } => {
                    if linked.drive(edge) {
                        self.bench.line_driven(&port, LINE_OUT, edge, Micros::ZERO);
                    }
                }
                // An examination asks its person.
                Outbound::Act(_) => {}
            }
        }
    }

    /// Takes what comes next over the port, until a time. True when it was heard on the bus.
    fn pump(&mut self, until: Micros) -> bool {
        let Some(linked) = &mut self.linked else {
            return false;
        };
        let asleep = linked.now();
        let until = Watch::sleep_until(asleep, until);
        let event = linked.pump(until);
        if let Some((from, to)) = self.watch.woke(asleep, until, linked.now())
            && !linked.is_over()
        {
            self.bench.slept(from, to);
        }
        let came = event.is_some();
        if let Some(event) = event {
            self.hear(event);
        }
        self.hear_lines();
        if let Some(linked) = &mut self.linked {
            for text in linked.take_notes() {
                self.bench.link_note(text);
            }
        }
        came
    }

    /// The bench hears what came, at the time of that: what was due before is done before.
    fn hear(&mut self, event: PortEvent) {
        let by = match &event {
            PortEvent::Heard(BusEvent::Word(word)) => word.uncertainty,
            PortEvent::Sent { late, .. } => late.total(),
            _ => Micros::ZERO,
        };
        if let PortEvent::Heard(event) | PortEvent::Sent { event, .. } = &event {
            let at = event.end();
            self.bench.held_up(&BusAt::Board, by);
            self.bench.advance_before(at);
            self.bench.move_on(at);
        }
        match event {
            PortEvent::Heard(event) => self.bench.heard_on_link(&BusAt::Board, &event),
            PortEvent::Sent { event, late } => {
                self.bench.sent_on_link(&BusAt::Board, &event, late);
            }
            other => self.bench.link_note(other.to_string()),
        }
    }

    /// Takes what has happened on pulse lines.
    pub(crate) fn hear_lines(&mut self) {
        while let Some(linked) = &mut self.linked {
            if let Some((edge, uncertainty)) = linked.take_edge() {
                let port = linked.cable().name();
                self.bench.line_seen(&port, LINE_IN, edge, uncertainty);
                continue;
            }
            if linked.is_over() {
                return;
            }
            let Some(lines) = linked.lines_mut() else {
                return;
            };
            match lines.take() {
                Ok(None) => return,
                Ok(Some(event)) => self.line_event(event),
                Err(error) => linked.fail(error),
            }
        }
    }

    fn line_event(&mut self, event: LineEvent) {
        let Some(port) = self.lines().map(AcceptorLines::name) else {
            return;
        };
        match event {
            LineEvent::Driven { edge, late } => {
                self.bench.line_driven(&port, LINE_OUT, edge, Micros::ZERO);
                if let Some(linked) = &mut self.linked {
                    linked.was_late(late);
                }
                if late > OWN_LATENESS {
                    self.bench.own_late(late_text(late));
                }
            }
            LineEvent::Inhibit { edge, uncertainty } => {
                self.bench.line_seen(&port, LINE_IN, edge, uncertainty);
            }
            LineEvent::Note(text) => self.bench.link_note(format!("{port}: {text}")),
        }
    }

    /// The credit line of a board outside rests, whatever was under way: a check that was given up may
    /// have ended in the middle of a pulse. Its own time has run on by then, the port's has not.
    pub(crate) fn rest_lines(&mut self) {
        if let Some(linked) = &mut self.linked {
            let now = linked.now();
            if let Some(lines) = linked.lines_mut() {
                lines.rest(now);
            }
        }
    }

    /// The level of a real device's line now, true for high; and whether its inhibit line is connected.
    pub(crate) fn device_line(&self) -> Option<(bool, bool)> {
        let cable = self.port()?.cable();
        Some((cable.level()?, cable.has_output()))
    }

    /// Moves a pulse line in the place of its device.
    pub(crate) fn drive_line(&mut self, device: &str, line: &str, edge: Edge) {
        self.bench.drive_line(device, line, edge);
        self.send();
    }
}
