//! The pulse lines of a board outside, on the modem lines of a serial port: the tool plays the old
//! acceptor, its credit line goes out, the board's inhibit line comes in.

use super::pins::{Wired, line, open};
use crate::Failure;
use crate::linked::{cautions, pty_path};
use clap::Args;
use payrig_bench::Plan;
use payrig_bench::plan::{DeviceLink, Kind, Pin, PulsePlan};
use payrig_exam::board::{AcceptorLines, LineEvent};
use payrig_link::open::LinesToOpen;
use payrig_link::{
    Clock, InLine, LinkError, ModemEvent, ModemLines, ModemPort, ModemThread, OutLine,
};
use payrig_units::Micros;
use payrig_wire::Edge;
use std::path::Path;

/// Where the pulse lines are.
#[derive(Clone, Debug, Args)]
pub(super) struct AcceptorArguments {
    /// For a real board: the serial port whose modem lines are connected to its pulse lines. Without
    /// it, checks of pulse lines are left out.
    #[arg(long, value_name = "PORT")]
    pulse_link: Option<String>,
    /// The modem line that drives the board's credit line.
    #[arg(long, value_parser = line(Pin::output), default_value = "rts", requires = "pulse_link")]
    credit: OutLine,
    /// The modem line the board's inhibit line is on.
    #[arg(long, value_parser = open(Pin::input), default_value = "cts", requires = "pulse_link")]
    inhibit: Wired<InLine>,
    /// The lines are high while a modem line is asserted (RS-232 levels); low otherwise (logic
    /// levels, an optocoupler).
    #[arg(long, requires = "pulse_link")]
    asserted_high: bool,
}

impl AcceptorArguments {
    /// Takes from a rig what the command line leaves open: the pulse bill validator that is ours, for
    /// a board at the other end.
    pub(super) fn or_of(&mut self, rig: &Plan) {
        if self.pulse_link.is_some() {
            return;
        }
        let on_lines = |wanted: fn(&PulsePlan) -> bool| {
            let mut devices = rig.devices.iter();
            devices.find_map(|d| match (&d.kind, &d.link) {
                (Kind::Pulse(pulse), Some(DeviceLink::Lines(lines)))
                    if wanted(pulse) && !lines.device_outside =>
                {
                    Some(lines)
                }
                _ => None,
            })
        };
        // As the examination plays them.
        let acceptor = on_lines(|p| matches!(p, PulsePlan::Bill(_)))
            .or_else(|| on_lines(|p| matches!(p, PulsePlan::Coin(c) if c.hopper.is_none())));
        if let Some(lines) = acceptor {
            *self = Self {
                pulse_link: Some(lines.port.clone()),
                credit: lines.output().unwrap_or(OutLine::Rts),
                inhibit: Wired(lines.input()),
                asserted_high: lines.asserted_is_high,
            };
        }
    }

    /// What reports call the lines, where there are any.
    pub(super) fn name(&self) -> Option<String> {
        let port = self.pulse_link.as_deref()?;
        let inhibit = self.inhibit.0;
        let inhibit = inhibit.map_or_else(|| "not connected".to_owned(), |l| l.to_string());
        let credit = self.credit;
        Some(format!(
            "pulse lines on {port}: credit {credit}, inhibit {inhibit}"
        ))
    }

    /// Refuses what cannot be, before anything is opened; `bus` is the port of the bus, if it has
    /// one.
    pub(super) fn examine(&self, bus: Option<&str>) -> Result<(), Failure> {
        let Some(port) = self.pulse_link.as_deref() else {
            return Ok(());
        };
        let Some(bus) = bus else {
            let text = "--pulse-link is for a real board: say with --link where its bus is";
            return Err(Failure::wrong(text.to_owned()));
        };
        if port == "pty" || pty_path(port).is_some() {
            let text = "a pseudo-terminal has no modem lines: give the path of a serial port to \
                        --pulse-link";
            return Err(Failure::wrong(text.to_owned()));
        }
        let real = |path: &str| Path::new(path).canonicalize().ok();
        if port == bus || real(port).is_some_and(|port| Some(port) == real(bus)) {
            return Err(Failure::wrong(format!(
                "{port} is the bus: the pulse lines need an adapter of their own"
            )));
        }
        Ok(())
    }

    /// Opens the lines, where there are any, on the clock of the bus.
    pub(super) fn open(
        &self,
        clock: Clock,
        reconnect: Option<Micros>,
    ) -> Result<Option<Box<dyn AcceptorLines>>, Failure> {
        let Some(path) = self.pulse_link.as_deref() else {
            return Ok(None);
        };
        cautions();
        let port = self.lines(path, clock, reconnect).open()?;
        Ok(Some(Box::new(self.started(port)?)))
    }

    fn lines<'a>(&self, port: &'a str, clock: Clock, reconnect: Option<Micros>) -> LinesToOpen<'a> {
        LinesToOpen {
            port,
            clock,
            asserted_is_high: self.asserted_high,
            watch: self.inhibit.0.into_iter().collect(),
            reconnect,
        }
    }

    fn started<L: ModemLines + 'static>(
        &self,
        mut port: ModemPort<L>,
    ) -> Result<OnThread, Failure> {
        let name = port.name().to_owned();
        let inhibit = port.levels()?.first().map(|(_, high)| *high);
        let thread = ModemThread::start(port)?;
        Ok(OnThread {
            name,
            thread,
            credit: self.credit,
            watched: self.inhibit.0,
            inhibit,
        })
    }
}

/// The lines, served by a thread.
#[derive(Debug)]
struct OnThread {
    name: String,
    thread: ModemThread,
    credit: OutLine,
    watched: Option<InLine>,
    inhibit: Option<bool>,
}

impl AcceptorLines for OnThread {
    fn name(&self) -> String {
        self.name.clone()
    }

    fn drive(&mut self, edge: Edge) {
        // A thread that has ended says so where events are taken.
        let _ = self.thread.drive(self.credit, edge);
    }

    fn take(&mut self) -> Result<Option<LineEvent>, LinkError> {
        while let Some(event) = self.thread.try_receive()? {
            let event = match event {
                ModemEvent::Driven { edge, late, .. } => LineEvent::Driven { edge, late },
                ModemEvent::Seen {
                    line,
                    edge,
                    uncertainty,
                } if Some(line) == self.watched => {
                    self.inhibit = Some(edge.high);
                    LineEvent::Inhibit { edge, uncertainty }
                }
                ModemEvent::Seen { .. } => continue,
                ModemEvent::Watching(how) => LineEvent::Note(how.to_string()),
                ModemEvent::Attached { attached, .. } => LineEvent::Note(
                    match attached {
                        true => "the adapter of the pulse lines is back",
                        false => "the adapter of the pulse lines is gone: no pulse is made",
                    }
                    .to_owned(),
                ),
            };
            return Ok(Some(event));
        }
        Ok(None)
    }

    fn inhibit(&self) -> Option<bool> {
        self.inhibit
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;

    /// The inhibit line is wired to the credit line.
    #[derive(Debug)]
    struct Looped {
        asserted: bool,
        gone: bool,
    }

    impl ModemLines for Looped {
        fn name(&self) -> &str {
            "looped"
        }
        fn set(&mut self, _: OutLine, asserted: bool) -> io::Result<()> {
            if self.gone {
                return Err(io::ErrorKind::NotConnected.into());
            }
            self.asserted = asserted;
            Ok(())
        }
        fn get(&mut self, _: InLine) -> io::Result<bool> {
            Ok(self.asserted)
        }
    }

    fn arguments(pulse_link: &str, inhibit: Wired<InLine>) -> AcceptorArguments {
        AcceptorArguments {
            pulse_link: Some(pulse_link.to_owned()),
            credit: OutLine::Rts,
            inhibit,
            asserted_high: false,
        }
    }

    fn lines(inhibit: Wired<InLine>, gone: bool) -> (OnThread, Clock) {
        let (arguments, clock) = (arguments("looped", inhibit), Clock::starting_now());
        let asserted = false;
        let options = arguments.lines("looped", clock, None).options();
        let port = ModemPort::new(Looped { asserted, gone }, options);
        (arguments.started(port).unwrap(), clock)
    }

    fn next(lines: &mut OnThread) -> Result<LineEvent, LinkError> {
        loop {
            if let Some(event) = lines.take()? {
                return Ok(event);
            }
            std::thread::yield_now();
        }
    }

    #[test]
    fn pulses_go_out_and_the_inhibit_line_comes_in() {
        let (mut lines, clock) = lines(Wired(Some(InLine::Cts)), false);
        // Not asserted is high with these levels.
        assert_eq!(lines.inhibit(), Some(true));
        let at = clock.now();
        let edge = Edge { at, high: false };
        lines.drive(edge);
        let mut events = Vec::new();
        while !matches!(events.last(), Some(LineEvent::Inhibit { .. })) {
            events.push(next(&mut lines).unwrap());
        }
        let driven = |e: &&LineEvent| matches!(e, LineEvent::Driven { edge, .. } if !edge.high);
        assert_eq!(events.iter().filter(driven).count(), 1, "{events:?}");
        assert_eq!(lines.inhibit(), Some(false));
    }

    #[test]
    fn without_an_inhibit_line_there_are_pulses_all_the_same() {
        let (mut lines, clock) = lines(Wired(None), false);
        assert_eq!(lines.inhibit(), None);
        let edge = Edge {
            at: clock.now(),
            high: false,
        };
        lines.drive(edge);
        let driven = next(&mut lines).unwrap();
        assert!(matches!(driven, LineEvent::Driven { .. }), "{driven:?}");
    }

    #[test]
    fn lines_that_are_gone_are_an_error() {
        let (mut lines, clock) = lines(Wired(None), true);
        let edge = Edge {
            at: clock.now(),
            high: false,
        };
        lines.drive(edge);
        let error = next(&mut lines).unwrap_err();
        assert!(matches!(error, LinkError::Vanished { .. }), "{error}");
        // And it stays one.
        assert!(next(&mut lines).is_err());
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_to_do() {
        let refused = |port: &str, bus: &str| match arguments(port, Wired(Some(InLine::Cts)))
            .examine(Some(bus))
        {
            Err(Failure::Wrong(problem)) => problem.to_string(),
            other => panic!("{other:?}"),
        };
        assert!(refused("pty", "pty").contains("a serial port"));
        assert!(refused("/dev/tty", "/dev/tty").contains("of their own"));
        assert!(refused("/dev/../dev/tty", "/dev/tty").contains("of their own"));
        arguments("/dev/tty", Wired(Some(InLine::Cts)))
            .examine(Some("pty"))
            .unwrap();
        assert!(
            arguments("/dev/tty", Wired(Some(InLine::Cts)))
                .examine(None)
                .is_err()
        );
    }
}
