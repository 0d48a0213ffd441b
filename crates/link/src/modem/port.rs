//! Credit pulses on modem lines: edges out at their times, edges in with the time they were seen.

use super::lines::{InLine, ModemLines, OutLine};
use crate::{Clock, Figures, Lengths, LinkError, Waker};
use payrig_units::Micros;
use payrig_wire::Edge;
use std::collections::{BTreeMap, VecDeque};
use std::io;

/// How often watched lines are looked at, unless told otherwise. A credit pulse of 20 ms, a short
/// one, is seen eighty times.
pub const LOOK_EVERY: Micros = Micros(250);

/// What happened on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ModemEvent {
    /// A watched line changed.
    Seen {
        /// Which.
        line: InLine,
        /// Half-way between the last look at the old level and the first at the new one.
        edge: Edge,
        /// Half the time between the two looks.
        uncertainty: Micros,
    },
    /// A line was driven.
    Driven {
        /// Which.
        line: OutLine,
        /// The edge, at the time it was really made.
        edge: Edge,
        /// How late.
        late: Micros,
    },
}

/// What is done with the lines of a port.
#[derive(Clone, Debug)]
pub struct ModemOptions {
    /// Bench time.
    pub clock: Clock,
    /// True when the credit line is high while a modem line is asserted: RS-232 levels. False for
    /// adapters with logic levels, whose lines are active low, and for an optocoupler that pulls
    /// the credit line to ground.
    pub asserted_is_high: bool,
    /// The lines to watch.
    pub watch: Vec<InLine>,
    /// How often to look at them.
    pub look_every: Micros,
}

#[derive(Debug)]
struct Watched {
    line: InLine,
    asserted: Option<bool>,
}

/// The credit lines of a port.
#[derive(Debug)]
pub struct ModemPort<L> {
    lines: L,
    clock: Clock,
    asserted_is_high: bool,
    watched: Vec<Watched>,
    look_every: Micros,
    looked: Micros,
    planned: BTreeMap<(Micros, u64), (OutLine, bool)>,
    count: u64,
    events: VecDeque<ModemEvent>,
}

impl<L: ModemLines> ModemPort<L> {
    /// The lines of a port that was opened.
    pub fn new(lines: L, options: ModemOptions) -> Self {
        let watch = |line| Watched {
            line,
            asserted: None,
        };
        Self {
            lines,
            clock: options.clock,
            asserted_is_high: options.asserted_is_high,
            watched: options.watch.into_iter().map(watch).collect(),
            look_every: options.look_every.max(Micros(50)),
            looked: Micros::ZERO,
            planned: BTreeMap::new(),
            count: 0,
            events: VecDeque::new(),
        }
    }

    /// What messages call the port.
    pub fn name(&self) -> &str {
        self.lines.name()
    }

    /// Bench time zero.
    pub const fn clock(&self) -> Clock {
        self.clock
    }

    /// The levels of the watched lines, true for a high credit line: as they are now, before any
    /// edge is reported.
    ///
    /// # Errors
    /// When the port is gone or has no such line.
    pub fn levels(&mut self) -> Result<Vec<(InLine, bool)>, LinkError> {
        if self.watched.iter().any(|w| w.asserted.is_none()) {
            self.look(self.clock.now()).map_err(|e| self.failed(e))?;
        }
        let level = |w: &Watched| Some((w.line, w.asserted? == self.asserted_is_high));
        Ok(self.watched.iter().filter_map(level).collect())
    }

    /// Plans an edge on a line we drive.
    pub fn drive(&mut self, line: OutLine, edge: Edge) {
        self.count += 1;
        self.planned
            .insert((edge.at, self.count), (line, edge.high));
    }

    /// The next event; `None` when `until` has come or `waker` was rung.
    ///
    /// # Errors
    /// When the port is gone or has no such line.
    pub fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<ModemEvent>, LinkError> {
        loop {
            self.work(self.clock.now()).map_err(|e| self.failed(e))?;
            if let Some(event) = self.events.pop_front() {
                return Ok(Some(event));
            }
            let now = self.clock.now();
            if now >= until {
                return Ok(None);
            }
            let planned = self
                .planned
                .keys()
                .next()
                .map_or(Micros::NEVER, |(at, _)| *at);
            let next = until.min(planned).min(self.next_look());
            if crate::system::pause(self.clock, next, waker).map_err(|e| self.failed(e))? {
                return Ok(self.events.pop_front());
            }
        }
    }

    /// Looks at the lines so many times and tells how far apart the looks were: the jitter of what
    /// is seen. Edges in the meantime are kept.
    ///
    /// # Errors
    /// When the port is gone or has no such line.
    pub fn measure(&mut self, looks: usize) -> Result<Option<Figures>, LinkError> {
        let mut apart = Lengths::default();
        let mut last = None;
        for _ in 0..looks {
            let next = self.clock.now() + self.look_every;
            crate::system::pause(self.clock, next, None).map_err(|e| self.failed(e))?;
            self.work(self.clock.now()).map_err(|e| self.failed(e))?;
            if let Some(last) = last.replace(self.looked) {
                apart.add(self.looked.since(last));
            }
        }
        Ok(apart.figures())
    }

    fn failed(&self, error: io::Error) -> LinkError {
        LinkError::from_io(self.lines.name(), "using its modem lines", error)
    }

    fn next_look(&self) -> Micros {
        if self.watched.is_empty() {
            Micros::NEVER
        } else {
            self.looked + self.look_every
        }
    }

    fn work(&mut self, now: Micros) -> io::Result<()> {
        // The levels before anything is driven.
        if self.watched.iter().any(|w| w.asserted.is_none()) {
            self.look(now)?;
        }
        while let Some(planned) = self.planned.first_entry() {
            let (at, _) = *planned.key();
            if at > now {
                break;
            }
            let (line, high) = planned.remove();
            self.lines.set(line, high == self.asserted_is_high)?;
            let done = self.clock.now().max(now);
            let late = done.since(at);
            let edge = Edge { at: done, high };
            self.events
                .push_back(ModemEvent::Driven { line, edge, late });
        }
        if now >= self.next_look() {
            self.look(now)?;
        }
        Ok(())
    }

    fn look(&mut self, now: Micros) -> io::Result<()> {
        let before = self.looked;
        for watched in &mut self.watched {
            let asserted = self.lines.get(watched.line)?;
            let was = watched.asserted.replace(asserted);
            if was.is_some_and(|was| was != asserted) {
                let half = Micros(now.since(before).as_us().div_ceil(2));
                let high = asserted == self.asserted_is_high;
                let at = before + half;
                self.events.push_back(ModemEvent::Seen {
                    line: watched.line,
                    edge: Edge { at, high },
                    uncertainty: half,
                });
            }
        }
        self.looked = now;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::{Arc, Mutex};

    /// CTS follows RTS, as with a wire between them.
    #[derive(Clone, Default)]
    struct Looped(Arc<Mutex<(bool, Vec<bool>)>>);

    impl ModemLines for Looped {
        fn name(&self) -> &str {
            "looped"
        }
        fn set(&mut self, _: OutLine, asserted: bool) -> io::Result<()> {
            let mut state = self.0.lock().unwrap();
            state.0 = asserted;
            state.1.push(asserted);
            Ok(())
        }
        fn get(&mut self, line: InLine) -> io::Result<bool> {
            match line {
                InLine::Cts => Ok(self.0.lock().unwrap().0),
                _ => Err(io::ErrorKind::Unsupported.into()),
            }
        }
    }

    fn port(asserted_is_high: bool, watch: Vec<InLine>) -> (ModemPort<Looped>, Looped) {
        let lines = Looped::default();
        let options = ModemOptions {
            clock: Clock::starting_now(),
            asserted_is_high,
            watch,
            look_every: LOOK_EVERY,
        };
        (ModemPort::new(lines.clone(), options), lines)
    }

    /// A pulse on an active-low credit line, by hand-given times.
    #[test]
    fn a_pulse_goes_out_asserted_and_comes_back_as_edges() {
        let (mut port, lines) = port(false, vec![InLine::Cts]);
        port.work(Micros(10_000)).unwrap();
        for (at, high) in [(Micros(20_000), false), (Micros(70_000), true)] {
            port.drive(OutLine::Rts, Edge { at, high });
        }
        for now in [20_000, 20_300, 69_000, 70_000, 70_200] {
            port.work(Micros(now)).unwrap();
        }
        assert_eq!(lines.0.lock().unwrap().1, [true, false]);
        let seen: Vec<(Micros, bool, Micros)> = port
            .events
            .iter()
            .filter_map(|e| match e {
                ModemEvent::Seen {
                    edge, uncertainty, ..
                } => Some((edge.at, edge.high, *uncertainty)),
                ModemEvent::Driven { .. } => None,
            })
            .collect();
        assert_eq!(
            seen,
            [
                (Micros(15_000), false, Micros(5_000)),
                (Micros(69_500), true, Micros(500))
            ]
        );
    }

    #[test]
    fn levels_are_told_before_anything_happens() {
        for high in [true, false] {
            let (mut port, lines) = port(high, vec![InLine::Cts]);
            lines.0.lock().unwrap().0 = true;
            assert_eq!(port.levels().unwrap(), [(InLine::Cts, high)]);
            assert!(port.events.is_empty());
        }
    }

    #[test]
    fn edges_are_driven_in_the_order_of_their_times() {
        let (mut port, lines) = port(true, vec![]);
        for (at, high) in [(Micros(200), false), (Micros(100), true)] {
            port.drive(OutLine::Dtr, Edge { at, high });
        }
        let mut driven = Vec::new();
        while driven.len() < 2 {
            if let Some(ModemEvent::Driven { edge, .. }) =
                port.wait(Micros::secs(10), None).unwrap()
            {
                driven.push(edge.high);
            }
        }
        assert_eq!(driven, [true, false]);
        assert_eq!(lines.0.lock().unwrap().1, [true, false]);
    }

    #[test]
    fn a_line_that_is_not_there_is_an_error_and_jitter_is_measured() {
        let (mut dsr, _) = port(false, vec![InLine::Dsr]);
        let error = dsr.wait(Micros::secs(1), None).unwrap_err().to_string();
        assert!(error.contains("modem lines"), "{error}");
        let (mut cts, _) = port(false, vec![InLine::Cts]);
        assert_eq!(cts.measure(21).unwrap().unwrap().count, 20);
    }
}
