//! The self-test of modem lines: pulses out on DTR, and back on DSR through a wire.

use super::lines::ModemLines;
use super::port::{LOOK_EVERY, ModemEvent, ModemOptions, ModemPort};
use super::waiter::Watching;
use crate::{Clock, Figures, Lengths, LinkError};
use payrig_units::{Micros, words};
use payrig_wire::Edge;
use payrig_wire::port::{InLine, OutLine};
use serde::{Deserialize, Serialize};
use std::fmt;

/// What the self-test of modem lines found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct LinesReport {
    /// Edges that were made on DTR.
    pub made: usize,
    /// Edges that came back on DSR.
    pub back: usize,
    /// From making an edge to its time as seen.
    pub there_and_back: Option<Figures>,
    /// How far off their times may be, by our own reckoning.
    pub uncertainty: Option<Figures>,
    /// How they were seen, in words.
    pub how: String,
}

impl fmt::Display for LinesReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(there_and_back) = &self.there_and_back else {
            return write!(
                f,
                "  modem lines: nothing came back. Connect DTR to DSR and try again to see how well \
                 pulses are made and seen"
            );
        };
        writeln!(
            f,
            "  modem lines: {} of {} came back from DTR on DSR; {}",
            self.back,
            words::count(self.made, "edge"),
            self.how
        )?;
        write!(f, "  there and back on modem lines: {there_and_back}")
    }
}

/// Half of a test pulse and its pause.
const HALF: Micros = Micros::ms(20);
const EDGES: u64 = 40;
/// An edge that is not back by then is lost.
const LOST: Micros = Micros::ms(200);

/// Makes edges on DTR and looks for them on DSR, about 1 second.
pub(crate) fn try_lines(lines: impl ModemLines) -> Result<LinesReport, LinkError> {
    let clock = Clock::starting_now();
    let options = ModemOptions {
        clock,
        asserted_is_high: true,
        watch: vec![InLine::Dsr],
        look_every: LOOK_EVERY,
    };
    let mut port = ModemPort::new(lines, options);
    port.levels()?;
    let begin = clock.now() + HALF;
    for n in 0..EDGES {
        let at = begin + HALF * n;
        let high = n % 2 == 0;
        port.drive(OutLine::Dtr, Edge { at, high });
    }
    let end = begin + HALF * EDGES + LOST;
    let mut made: Vec<Edge> = Vec::new();
    let (mut back, mut lengths) = (0, Lengths::default());
    let mut how = None;
    while let Some(event) = port.wait(end, None)? {
        match event {
            ModemEvent::Driven { edge, .. } => made.push(edge),
            ModemEvent::Seen { edge, .. } => {
                // The last one made that way round.
                let of = made.iter().rev().find(|m| m.high == edge.high);
                if let Some(of) = of {
                    back += 1;
                    lengths.add(edge.at.since(of.at));
                }
            }
            ModemEvent::Watching(watching) => how = Some(watching),
            ModemEvent::Attached { .. } => {}
        }
    }
    let how = how.as_ref().map(Watching::to_string).unwrap_or_default();
    Ok(LinesReport {
        made: made.len(),
        back,
        there_and_back: lengths.figures(),
        uncertainty: port.seen(),
        how,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;

    /// DSR follows DTR, or nothing.
    struct Wire(bool, bool);

    impl ModemLines for Wire {
        fn name(&self) -> &str {
            "wire"
        }
        fn set(&mut self, line: OutLine, asserted: bool) -> io::Result<()> {
            assert_eq!(line, OutLine::Dtr);
            self.1 = asserted && self.0;
            Ok(())
        }
        fn get(&mut self, line: InLine) -> io::Result<bool> {
            assert_eq!(line, InLine::Dsr);
            Ok(self.1)
        }
    }

    #[test]
    fn edges_through_a_wire_come_back_and_without_one_nothing_does() {
        let report = try_lines(Wire(true, false)).unwrap();
        // A stall of the machine may swallow a pulse, and no more.
        assert_eq!(report.made, 40);
        assert!(report.back > 0 && report.back <= 40, "{report}");
        assert!(report.to_string().contains("edges came back"), "{report}");
        assert!(report.how.contains("looked at every"), "{report}");
        let none = try_lines(Wire(false, false)).unwrap();
        assert_eq!((none.back, none.there_and_back), (0, None));
        assert!(none.to_string().contains("Connect DTR to DSR"), "{none}");
        let json = serde_json::to_string(&report).unwrap();
        assert_eq!(serde_json::from_str::<LinesReport>(&json).unwrap(), report);
    }
}
