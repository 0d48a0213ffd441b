//! A real device on pulse lines: the modem lines of a serial port.

use super::pins::{Wired, line, open};
use crate::Failure;
use crate::linked::{cautions, pty_path};
use clap::Args;
use payrig_bench::plan::{LineLink, Pin};
use payrig_exam::device::{LinePort, OutsideLines};
use payrig_link::open::LinesToOpen;
use payrig_link::{Clock, InLine, LinkError, ModemEvent, ModemLines, ModemPort, OutLine};
use payrig_units::Micros;
use payrig_wire::Edge;

/// Which line is where.
#[derive(Clone, Debug, Args)]
pub(super) struct LineArguments {
    /// For a device on pulse lines: the modem line its credit line is on.
    #[arg(long, value_parser = line(Pin::input), default_value = "cts", requires = "link")]
    credit: InLine,
    /// The modem line that drives its inhibit line.
    #[arg(long, value_parser = open(Pin::output), default_value = "rts", requires = "link")]
    inhibit: Wired<OutLine>,
    /// The lines are high while a modem line is asserted (RS-232 levels); low otherwise (logic
    /// levels, an optocoupler).
    #[arg(long, requires = "link")]
    asserted_high: bool,
}

impl LineArguments {
    /// Which line is where in a rig.
    pub(super) fn of(rig: &LineLink) -> Self {
        Self {
            credit: rig.input().unwrap_or(InLine::Cts),
            inhibit: Wired(rig.output()),
            asserted_high: rig.asserted_is_high,
        }
    }

    /// Opens the lines of a port.
    pub(super) fn open(&self, port: &str, clock: Clock) -> Result<OutsideLines, Failure> {
        if port == "pty" || pty_path(port).is_some() {
            let text = "a pseudo-terminal has no lines: give the path of a serial port";
            return Err(Failure::wrong(text.to_owned()));
        }
        cautions();
        let port = self.lines(port, clock).open()?;
        Ok(OutsideLines::new(Box::new(self.on(port)?)))
    }

    fn lines<'a>(&self, port: &'a str, clock: Clock) -> LinesToOpen<'a> {
        LinesToOpen {
            port,
            clock,
            asserted_is_high: self.asserted_high,
            watch: vec![self.credit],
            reconnect: None,
        }
    }

    fn on<L: ModemLines>(&self, mut port: ModemPort<L>) -> Result<OnPort<L>, Failure> {
        let high = port.levels()?.first().is_none_or(|(_, high)| *high);
        let out = self.inhibit.0;
        Ok(OnPort { port, out, high })
    }
}

#[derive(Debug)]
struct OnPort<L> {
    port: ModemPort<L>,
    out: Option<OutLine>,
    high: bool,
}

impl<L: ModemLines + std::fmt::Debug> LinePort for OnPort<L> {
    fn name(&self) -> String {
        self.port.name().to_owned()
    }

    fn now(&self) -> Micros {
        self.port.clock().now()
    }

    fn level(&self) -> bool {
        self.high
    }

    fn wait(&mut self, until: Micros) -> Result<Option<(Edge, Micros)>, LinkError> {
        Ok(match self.port.wait(until, None)? {
            Some(ModemEvent::Seen {
                edge, uncertainty, ..
            }) => {
                self.high = edge.high;
                Some((edge, uncertainty))
            }
            _ => None,
        })
    }

    fn has_inhibit(&self) -> bool {
        self.out.is_some()
    }

    fn inhibit(&mut self, high: bool) {
        let at = self.now();
        if let Some(line) = self.out {
            self.port.drive(line, Edge { at, high });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_exam::device::{Kind, Outside, Setup, examine_outside};
    use payrig_exam::person::Unattended;
    use payrig_exam::{Examination, Outcome};
    use std::io;

    /// Lines that rest, or are gone.
    #[derive(Debug)]
    struct Rest {
        asserted: bool,
        gone: bool,
    }

    impl ModemLines for Rest {
        fn name(&self) -> &str {
            "fake"
        }
        fn set(&mut self, _: OutLine, _: bool) -> io::Result<()> {
            Ok(())
        }
        fn get(&mut self, _: InLine) -> io::Result<bool> {
            match self.gone {
                true => Err(io::ErrorKind::NotConnected.into()),
                false => Ok(self.asserted),
            }
        }
    }

    fn examined(asserted: bool, only: &str) -> Examination {
        examined_with(asserted, Wired(Some(OutLine::Rts)), only)
    }

    fn examined_with(asserted: bool, inhibit: Wired<OutLine>, only: &str) -> Examination {
        let arguments = LineArguments {
            credit: InLine::Cts,
            inhibit,
            asserted_high: true,
        };
        let gone = false;
        let options = arguments.lines("fake", Clock::starting_now()).options();
        let port = ModemPort::new(Rest { asserted, gone }, options);
        let port = arguments.on(port).unwrap();
        let lines = OutsideLines::new(Box::new(port));
        let setup = Setup::good(Kind::PulseBill);
        let outside = Outside::on_lines(setup.kind, lines, Box::<Unattended>::default());
        examine_outside(&setup, outside, Some(only), |_, _| {}).0
    }

    #[test]
    fn a_line_at_rest_is_seen_and_what_needs_money_is_left_out() {
        // The default profile is active low: it rests high.
        let outcome = |asserted| examined(asserted, "line-rests-right").checks[0].outcome;
        assert_eq!(
            (outcome(true), outcome(false)),
            (Outcome::Pass, Outcome::Fail)
        );
        let moves = examined(true, "line-moves");
        assert_eq!(moves.checks[0].outcome, Outcome::Skipped);
        assert!(moves.checks[0].seen.starts_with("needs a person"));
    }

    #[test]
    fn an_inhibit_line_that_is_not_connected_is_held_against_nobody() {
        let examination = examined_with(true, Wired(None), "silent-while-inhibited");
        let check = &examination.checks[0];
        assert_eq!(check.outcome, Outcome::Skipped, "{}", check.seen);
        assert!(check.seen.contains("not connected"), "{}", check.seen);
    }

    #[test]
    fn lines_that_are_gone_are_an_error() {
        let arguments = LineArguments {
            credit: InLine::Dsr,
            inhibit: Wired(None),
            asserted_high: false,
        };
        let (asserted, gone) = (false, true);
        let options = arguments.lines("fake", Clock::starting_now()).options();
        let error = arguments
            .on(ModemPort::new(Rest { asserted, gone }, options))
            .map(|_| ())
            .unwrap_err();
        assert!(
            matches!(error, Failure::Link(LinkError::Vanished { .. })),
            "{error}"
        );
        assert!(matches!(
            arguments.open("pty", Clock::starting_now()),
            Err(Failure::Wrong(_))
        ));
    }
}
