//! Both lines of a bus, from a capture: words in order of time, and what the lines themselves show
//! (bit rate, stillness, glitches).

use super::rate::{BitRate, measure_rate, nearest_standard_rate};
use super::sample::{IdleLevel, Sampled, sample};
use super::swapped::look_swapped;
use super::{BitTime, bit_time::PS};
use crate::capture::{Capture, CaptureError, CaptureLine};
use crate::rules::{BusRule, Certainty, Finding};
use crate::{BusEvent, Edge, Source};
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
        // A line that is active at the last edge was cut off there: nobody stays active for ever.
        let last_level = line.edges.last().map_or(line.initial, |e| e.high);
        let active = last_level != (lines.idle == IdleLevel::High);
        let end = if active { capture.end } else { end };
        let rate = decode_line(capture, line, source, lines.idle, end, &mut decoded);
        match source {
            Source::Master => decoded.master_rate = rate,
            Source::Peripheral => decoded.peripheral_rate = rate,
        }
    }
    decoded.events.sort_by_key(BusEvent::start);
    if look_swapped(&decoded.events) {
        decoded.findings.push(Finding::advice(
            BusRule::LinesSwapped,
            capture.start,
            "what is read as the master's line speaks like a peripheral, and the other way round. \
             Swap the two line names",
        ));
    }
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
            BusRule::LineStill,
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
    let first = line.edges.first().map_or(capture.start, |e| e.at);
    let measure = |idle| measure_rate(&line.edges, idle, capture.uncertainty);
    // Whoever speaks most of the time does so at the level on which the line really rests.
    let rests_at_active = active_share(capture, line, idle) > 60;
    let inverted = rests_at_active.then(|| measure(idle.inverted())).flatten();
    let (rate, idle) = match inverted {
        Some(rate) => {
            let text = format!(
                "line \"{name}\" makes words only with the other polarity, and was read so. It was \
                 tapped before an optocoupler or behind an inverter; say so, or set the analyser \
                 to invert it"
            );
            say(Finding::advice(BusRule::Polarity, first, text));
            (Some(rate), idle.inverted())
        }
        None => (measure(idle), idle),
    };
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
            let text = format!(
                "the edges of line \"{name}\" are not whole bits apart, at no rate. Check that it \
                 is a line of the bus, and its ground"
            );
            say(Finding::advice(BusRule::Baud, first, text));
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
            BusRule::Glitch,
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

/// How much of the capture a line is active, in percent.
fn active_share(capture: &Capture, line: &CaptureLine, idle: IdleLevel) -> u64 {
    let (mut since, mut high, mut active) = (capture.start, line.initial, 0u64);
    let end = Edge {
        at: capture.end,
        high: false,
    };
    for edge in line.edges.iter().chain([&end]) {
        if idle.is_active(high) {
            active = active.saturating_add(edge.at.since(since).0);
        }
        (since, high) = (edge.at, edge.high);
    }
    let whole = capture.end.since(capture.start).0.max(1);
    active.saturating_mul(100) / whole
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
        let mut finding = Finding::advice(BusRule::Baud, at, text);
        finding.certainty = Certainty::CannotTell;
        finding
    } else if rate.is_near_nominal() {
        let text =
            format!("{measured}; +1 % to -2 % are allowed. Check the clock source and the divider");
        Finding::limit(BusRule::Baud, at, text)
    } else {
        let text = format!(
            "{measured}; the nearest usual rate is {} baud. No word of it was read: check that it \
             is a line of this bus, and the sample rate set in the analyser",
            nearest_standard_rate(rate.bit)
        );
        Finding::limit(BusRule::Baud, at, text)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::TimedWord;
    use crate::uart::{capture_of_bus, encode};
    use payrig_mdb::Word;

    /// Polls with data and acknowledgement, as in section 2.5 B.
    fn polls(bit: BitTime) -> Vec<BusEvent> {
        let mut at = Micros(10_000);
        let mut events = Vec::new();
        for byte in [0x0Bu8, 0x33, 0x12, 0x0B, 0x33, 0x12, 0x0B, 0x33] {
            let exchange = [
                (Source::Master, Word::marked(byte), 100_000),
                (Source::Master, Word::plain(byte), 20),
                (Source::Peripheral, Word::plain(byte ^ 0x5A), 2_000),
                (Source::Peripheral, Word::marked(byte ^ 0x5A), 30),
                (Source::Master, Word::plain(0), 1_000),
            ];
            for (source, word, pause) in exchange {
                let start = at + Micros(pause);
                at = start + bit.bits(11);
                events.push(BusEvent::Word(TimedWord {
                    start,
                    end: at,
                    source,
                    word,
                    uncertainty: Micros(1),
                }));
            }
        }
        events
    }

    fn capture(bit: BitTime) -> Capture {
        let events = polls(bit);
        let mut capture = capture_of_bus("x", &events, Micros::secs(2));
        for (line, source) in capture
            .lines
            .iter_mut()
            .zip([Source::Master, Source::Peripheral])
        {
            line.edges = encode(&events, source, IdleLevel::High, bit);
        }
        capture
    }

    fn decode(capture: &Capture) -> BusDecode {
        decode_bus(capture, &BusLines::of(capture)).unwrap()
    }

    fn rules(decoded: &BusDecode) -> Vec<(&str, bool)> {
        let findings = decoded.findings.iter();
        findings.map(|f| (f.rule.as_ref(), f.is_limit())).collect()
    }

    #[test]
    fn both_lines_are_merged_in_order_of_time() {
        let decoded = decode(&capture(BitTime::NOMINAL));
        assert_eq!(decoded.events, polls(BitTime::NOMINAL));
        assert_eq!(rules(&decoded), []);
    }

    /// Section 3.2: 9600 baud, at most 1 % fast or 2 % slow.
    #[test]
    fn the_rate_is_judged_against_its_limits() {
        for (baud, limit) in [
            (9_216, true),
            (9_380, true),
            (9_430, false),
            (9_600, false),
            (9_680, false),
            (9_720, true),
            (10_000, true),
        ] {
            let bit = BitTime::of_baud(baud);
            let decoded = decode(&capture(bit));
            let wanted = if limit {
                vec![("baud", true); 2]
            } else {
                vec![]
            };
            assert_eq!(rules(&decoded), wanted, "{baud}: {:?}", decoded.findings);
            for (got, sent) in decoded.events.iter().zip(polls(bit)) {
                assert_eq!(got.start(), sent.start(), "{baud}");
                assert!(got.end().abs_diff(sent.end()) <= Micros(1), "{baud}");
            }
            assert_eq!(decoded.events.len(), polls(bit).len(), "{baud}");
        }
    }

    #[test]
    fn another_rate_is_named() {
        for baud in [1_200, 2_400, 4_800, 19_200, 38_400] {
            let decoded = decode(&capture(BitTime::of_baud(baud)));
            assert_eq!(rules(&decoded), [("baud", true); 2], "{baud}");
            assert!(decoded.events.is_empty());
            let text = &decoded.findings[0].text;
            let name = format!("nearest usual rate is {baud} baud");
            assert!(text.contains(&name), "{text}");
        }
    }

    #[test]
    fn a_line_that_rests_low_is_read_all_the_same() {
        let mut capture = capture(BitTime::NOMINAL);
        for line in &mut capture.lines {
            line.initial = !line.initial;
            for edge in &mut line.edges {
                edge.high = !edge.high;
            }
        }
        let decoded = decode(&capture);
        assert_eq!(rules(&decoded), [("polarity", false); 2]);
        assert_eq!(decoded.events, polls(BitTime::NOMINAL));
        let mut lines = BusLines::of(&capture);
        lines.idle = IdleLevel::Low;
        let told = decode_bus(&capture, &lines).unwrap();
        assert_eq!(rules(&told), []);
        assert_eq!(told.events, decoded.events);
    }

    #[test]
    fn a_line_that_never_moves_is_named() {
        let mut capture = capture(BitTime::NOMINAL);
        capture.lines[1].edges.clear();
        let decoded = decode(&capture);
        assert_eq!(rules(&decoded), [("line-still", false)]);
        assert!(
            decoded.findings[0]
                .text
                .contains("\"peripheral\" is high from start to end")
        );
    }

    #[test]
    fn swapped_line_names_are_noticed() {
        let mut capture = capture(BitTime::NOMINAL);
        capture.lines[0].name = "peripheral".into();
        capture.lines[1].name = "master".into();
        assert_eq!(rules(&decode(&capture)), [("lines-swapped", false)]);
    }

    #[test]
    fn a_line_that_is_not_there_is_an_error() {
        let capture = capture(BitTime::NOMINAL);
        let mut lines = BusLines::of(&capture);
        lines.master = Some("masterr".into());
        let error = decode_bus(&capture, &lines).unwrap_err();
        assert!(error.to_string().contains("Did you mean \"master\"?"));
    }
}
