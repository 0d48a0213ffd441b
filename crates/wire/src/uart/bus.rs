//! Both lines of a bus, from a capture: words in order of time, and what the lines themselves show
//! (bit rate, stillness, glitches).

use super::rate::{BitRate, measure_rate, nearest_standard_rate};
use super::sample::{IdleLevel, Sampled, sample};
use super::{BitTime, bit_time::PS};
use crate::capture::{Capture, CaptureError, CaptureLine};
use crate::rules::{Certainty, Finding};
use crate::{BusEvent, Source};
use payrig_units::Micros;

/// Which lines of a capture are the bus.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BusLines {
    /// Name of the master's transmit line, if it was captured.
    pub master: Option<String>,
    /// Name of the peripherals' line, if it was captured.
    pub peripheral: Option<String>,
    /// The level of a line on which nobody speaks.
    pub idle: IdleLevel,
}

impl BusLines {
    /// `master` and `peripheral`, as far as the capture has them; idle high.
    #[must_use]
    pub fn of(capture: &Capture) -> Self {
        let named = |name: &str| capture.line(name).is_ok().then(|| name.to_owned());
        Self {
            master: named("master"),
            peripheral: named("peripheral"),
            idle: IdleLevel::High,
        }
    }

    /// True when the capture has no line of a bus.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.master.is_none() && self.peripheral.is_none()
    }
}

/// A bus as captured.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BusDecode {
    /// Words, breaks and garbled words of both lines in order of their start.
    pub events: Vec<BusEvent>,
    /// Findings about the lines themselves, in order of time.
    pub findings: Vec<Finding>,
    /// The master's bit rate, where it could be measured.
    pub master_rate: Option<BitRate>,
    /// The peripherals' bit rate, where it could be measured.
    pub peripheral_rate: Option<BitRate>,
}

/// Reads both lines of a bus.
///
/// # Errors
/// When a line that was named is not in the capture.
pub fn decode_bus(capture: &Capture, lines: &BusLines) -> Result<BusDecode, CaptureError> {
    let mut decoded = BusDecode::default();
    // A list of transitions ends with its last edge; the lines then stay as they are.
    let last_edge = capture
        .lines
        .iter()
        .filter_map(|l| l.edges.last())
        .map(|e| e.at)
        .max();
    let end = if last_edge == Some(capture.end) {
        Micros::NEVER
    } else {
        capture.end
    };
    for (name, source) in [
        (&lines.master, Source::Master),
        (&lines.peripheral, Source::Peripheral),
    ] {
        let Some(name) = name else { continue };
        let line = capture.line(name)?;
        let rate = decode_line(capture, line, source, lines.idle, end, &mut decoded);
        match source {
            Source::Master => decoded.master_rate = rate,
            Source::Peripheral => decoded.peripheral_rate = rate,
        }
    }
    decoded.events.sort_by_key(BusEvent::start);
    decoded.findings.sort_by_key(|f| f.at);
    Ok(decoded)
}

fn decode_line(
    capture: &Capture,
    line: &CaptureLine,
    source: Source,
    idle: IdleLevel,
    end: Micros,
    decoded: &mut BusDecode,
) -> Option<BitRate> {
    let name = &line.name;
    let mut say = |finding: Finding| decoded.findings.push(finding.of(name.clone()));
    if line.never_moves() {
        let level = if line.initial { "high" } else { "low" };
        say(Finding::advice(
            "line-still",
            capture.start,
            format!(
                "line \"{name}\" is {level} from start to end. Check that the analyser's ground is \
                 connected, that it is the right wire, that the threshold suits the level, and \
                 that the isolated side of the bus has its supply; a line tapped before its \
                 optocoupler has the other polarity"
            ),
        ));
        return None;
    }
    let rate = measure_rate(&line.edges, idle, capture.uncertainty);
    let first = line.edges.first().map_or(capture.start, |e| e.at);
    match &rate {
        Some(rate) => {
            if let Some(finding) = judge_rate(rate, name, first) {
                say(finding);
            }
            if !rate.is_near_nominal() {
                return Some(*rate);
            }
        }
        None if line.edges.len() > 24 => {
            // Enough moves, but not in steps of any bit time.
            if measure_rate(&line.edges, idle.inverted(), capture.uncertainty).is_some() {
                say(Finding::advice(
                    "line-still",
                    first,
                    format!(
                        "line \"{name}\" reads as words only with the other polarity: it rests at \
                         the level taken as active. Read it inverted"
                    ),
                ));
            } else {
                say(Finding::advice(
                    "baud",
                    first,
                    format!(
                        "the edges of line \"{name}\" are not whole bits apart, at no rate. Check \
                         that it is a line of the bus, and its ground"
                    ),
                ));
            }
        }
        None => {}
    }
    let bit = rate.map_or(BitTime::NOMINAL, |r| r.bit);
    let Sampled { events, glitches } = sample(
        &line.edges,
        line.initial,
        (capture.start, end),
        source,
        idle,
        bit,
        capture.uncertainty,
    );
    if let Some(at) = glitches.first() {
        say(Finding::advice(
            "glitch",
            *at,
            format!(
                "line \"{name}\" has {} active pulses shorter than half a bit. Check ground, \
                 shielding and pull-ups",
                glitches.len()
            ),
        ));
    }
    decoded.events.extend(events);
    rate
}

/// 9600 baud, +1 % -2 % (section 3.2).
fn judge_rate(rate: &BitRate, name: &str, at: Micros) -> Option<Finding> {
    const SHORTEST: u128 = 1_000_000_000_000 / 9_696;
    const LONGEST: u128 = 1_000_000_000_000 / 9_408;
    let bit = u128::from(rate.bit.0);
    let u = u128::from(rate.uncertainty_ps);
    if bit >= SHORTEST + u && bit + u <= LONGEST {
        return None;
    }
    let off = rate.off_nominal();
    let measured = format!(
        "line \"{name}\" has a bit time of {} (give or take {}.{:02} us), which is {} baud, {}{}.{:02} % \
         off 9600",
        rate.bit,
        rate.uncertainty_ps / 1_000_000,
        rate.uncertainty_ps % 1_000_000 / 10_000,
        rate.bit.baud(),
        if off < 0 { "-" } else { "+" },
        off.unsigned_abs() / 100,
        off.unsigned_abs() % 100,
    );
    let us = |ps: u128| Micros(u64::try_from((ps + PS / 2) / PS).unwrap_or(u64::MAX));
    let surely = bit + u < SHORTEST || bit > LONGEST + u;
    let finding = if !surely {
        let text = format!("{measured}; that is too close to the limit to tell. Record longer");
        let mut finding = Finding::advice("baud", at, text);
        finding.certainty = Certainty::CannotTell;
        finding
    } else if rate.is_near_nominal() {
        let text =
            format!("{measured}; +1 % to -2 % are allowed. Check the clock source and the divider");
        Finding::limit("baud", at, text)
    } else {
        let text = format!(
            "{measured}; the nearest usual rate is {} baud. No word of it was read: check that it \
             is a line of this bus, and the sample rate set in the analyser",
            nearest_standard_rate(rate.bit)
        );
        Finding::limit("baud", at, text)
    };
    let uncertainty = us(u).max(Micros(1));
    let mut finding = finding.measured(us(bit), uncertainty);
    finding.limit = Some(us(if bit < u128::from(BitTime::NOMINAL.0) {
        SHORTEST
    } else {
        LONGEST
    }));
    Some(finding)
}
