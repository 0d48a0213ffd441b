//! Captures as value change dumps (VCD, IEEE 1364), read and written with the crate `vcd`.

use super::{Capture, CaptureError, CaptureLine, CaptureProblem};
use payrig_units::Micros;
use std::collections::BTreeMap;
use std::io;
use vcd::{Command, IdCode, TimescaleUnit, Value};

/// Reads a VCD capture. Every one-bit variable is a line; wider ones, reals and texts are left
/// out. Times of any timescale are converted with integers; what is finer than a microsecond is
/// rounded. A line whose level is unknown (x, z) at first takes the first level it has.
///
/// # Errors
/// With the line of the file: text that is no VCD, time that goes back, a line that becomes x or z
/// after it had a level, no lines, no levels.
pub fn read_vcd(file: &str, input: impl io::BufRead) -> Result<Capture, CaptureError> {
    // The parser wants white space after the last token; not every file ends with a line break.
    let mut parser = vcd::Parser::new(input.chain(&b"\n"[..]));
    let mut reading = Reading {
        file,
        scopes: Vec::new(),
        lines: Vec::new(),
        by_code: BTreeMap::new(),
        femtos: 1_000_000_000_000_000,
        time: None,
        started: false,
    };
    while let Some(command) = parser.next() {
        let command = command.map_err(|e| broken(file, &e, parser.line()))?;
        reading.take(command, parser.line())?;
    }
    reading.finish()
}

/// A line under construction: its name, its scope, and its level as far as known.
struct Line {
    line: CaptureLine,
    scope: String,
    known: bool,
}

struct Reading<'a> {
    file: &'a str,
    scopes: Vec<String>,
    lines: Vec<Line>,
    by_code: BTreeMap<IdCode, Vec<usize>>,
    /// Length of a tick in femtoseconds.
    femtos: u128,
    /// First and last time stamp, in ticks.
    time: Option<(u64, u64)>,
    started: bool,
}

impl Reading<'_> {
    fn take(&mut self, command: Command, at_line: u64) -> Result<(), CaptureError> {
        match command {
            Command::Timescale(..) | Command::VarDef(..) | Command::ScopeDef(..)
                if self.time.is_some() || self.started =>
            {
                return Err(CaptureError::new(
                    self.file,
                    Some(at_line),
                    CaptureProblem::Syntax {
                        found: "a declaration after the first time or level".into(),
                        expected:
                            "all of them before. Was the file put together from two captures?"
                                .into(),
                    },
                ));
            }
            Command::Timescale(count, unit) => {
                self.femtos =
                    u128::from(count.max(1)) * (1_000_000_000_000_000 / u128::from(unit.divisor()));
            }
            Command::ScopeDef(_, name) => self.scopes.push(name),
            Command::Upscope => {
                self.scopes.pop();
            }
            Command::VarDef(_, 1, code, name, index) => {
                let name = match index {
                    Some(index) => format!("{name}{index}"),
                    None => name,
                };
                self.by_code.entry(code).or_default().push(self.lines.len());
                self.lines.push(Line {
                    line: CaptureLine {
                        name,
                        initial: true,
                        edges: Vec::new(),
                    },
                    scope: self.scopes.join("."),
                    known: false,
                });
            }
            Command::Timestamp(tick) => {
                if let Some((_, before)) = self.time.filter(|(_, last)| *last > tick) {
                    return Err(CaptureError::new(
                        self.file,
                        Some(at_line),
                        CaptureProblem::TimeGoesBack {
                            before: i128::from(self.micros(before).0),
                            after: i128::from(self.micros(tick).0),
                        },
                    ));
                }
                self.time = Some((self.time.map_or(tick, |(first, _)| first), tick));
            }
            Command::ChangeScalar(code, value) => self.change(code, value, at_line)?,
            Command::ChangeVector(code, vector) if vector.len() == 1 => {
                if let Some(value) = vector.get(0) {
                    self.change(code, value, at_line)?;
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn change(&mut self, code: IdCode, value: Value, at_line: u64) -> Result<(), CaptureError> {
        let now = self.time.map_or(0, |(_, last)| last);
        let at = self.micros(now);
        let start = self.micros(self.time.map_or(0, |(first, _)| first));
        for index in self.by_code.get(&code).into_iter().flatten() {
            let Some(Line { line, known, .. }) = self.lines.get_mut(*index) else {
                continue;
            };
            let high = match value {
                Value::V0 => false,
                Value::V1 => true,
                Value::X | Value::Z if !*known => continue,
                Value::X | Value::Z => {
                    return Err(CaptureError::new(
                        self.file,
                        Some(at_line),
                        CaptureProblem::BadLevel {
                            name: line.name.clone(),
                            level: value.to_string(),
                            hint: ". The analyser lost the level: check its threshold and the \
                                   ground wire, and record again",
                        },
                    ));
                }
            };
            self.started = true;
            if !*known {
                line.initial = high;
                *known = true;
            } else {
                line.level(at, high, start);
            }
        }
        Ok(())
    }

    fn micros(&self, tick: u64) -> Micros {
        let us = (u128::from(tick) * self.femtos + 500_000_000) / 1_000_000_000;
        Micros(u64::try_from(us).unwrap_or(u64::MAX))
    }

    fn finish(self) -> Result<Capture, CaptureError> {
        let empty = |why: &str| {
            Err(CaptureError::new(
                self.file,
                None,
                CaptureProblem::Empty(why.to_owned()),
            ))
        };
        if self.lines.is_empty() {
            return empty("it declares no line of one bit ($var)");
        }
        let (first, last) = match self.time {
            Some(time) if self.started => time,
            _ => return empty("it declares lines, but no level follows"),
        };
        let step = u64::try_from(self.femtos / 2_000_000_000).unwrap_or(u64::MAX);
        let mut capture = Capture {
            file: self.file.to_owned(),
            start: self.micros(first),
            end: self.micros(last),
            uncertainty: Micros(step.max(1)),
            torn: false,
            shifted: Micros::ZERO,
            lines: Vec::new(),
        };
        let mut count = BTreeMap::new();
        for line in &self.lines {
            *count.entry(line.line.name.clone()).or_insert(0) += 1;
        }
        for Line {
            mut line, scope, ..
        } in self.lines
        {
            if count.get(&line.name).is_some_and(|n| *n > 1) {
                line.name = format!("{scope}.{}", line.name);
            }
            capture.lines.push(line);
        }
        Ok(capture)
    }
}

/// Writes a capture as VCD with a timescale of 1 us.
///
/// # Errors
/// When `output` does, or when the capture has more lines than VCD can name.
pub fn write_vcd(capture: &Capture, output: impl io::Write) -> io::Result<()> {
    let mut writer = vcd::Writer::new(output);
    writer.timescale(1, TimescaleUnit::US)?;
    writer.add_module("bench")?;
    let mut codes = Vec::new();
    for line in &capture.lines {
        let name: String = line
            .name
            .chars()
            .map(|c| if c.is_whitespace() { '_' } else { c })
            .collect();
        codes.push(writer.add_wire(1, &name)?);
    }
    writer.upscope()?;
    writer.enddefinitions()?;
    writer.timestamp(capture.start.0)?;
    writer.begin(vcd::SimulationCommand::Dumpvars)?;
    for (code, line) in codes.iter().zip(&capture.lines) {
        writer.change_scalar(*code, line.initial)?;
    }
    writer.end()?;
    let mut now = capture.start;
    for (at, index, high) in changes(capture) {
        if at != now {
            writer.timestamp(at.0)?;
            now = at;
        }
        if let Some(code) = codes.get(index) {
            writer.change_scalar(*code, high)?;
        }
    }
    if capture.end != now {
        writer.timestamp(capture.end.0)?;
    }
    writer.flush()
}

/// Every edge of every line in order of time: when, which line, the level after it.
pub(super) fn changes(capture: &Capture) -> Vec<(Micros, usize, bool)> {
    let mut all: Vec<(Micros, usize, bool)> = Vec::new();
    for (index, line) in capture.lines.iter().enumerate() {
        all.extend(line.edges.iter().map(|e| (e.at, index, e.high)));
    }
    all.sort_by_key(|(at, _, _)| *at);
    all
}

fn broken(file: &str, error: &io::Error, line: u64) -> CaptureError {
    let inner = error
        .get_ref()
        .and_then(|e| e.downcast_ref::<vcd::ParseError>());
    let problem = match (inner, error.kind()) {
        (Some(e), _) => match e.kind() {
            vcd::ParseErrorKind::InvalidUtf8 => CaptureProblem::NotUtf8,
            kind => CaptureProblem::Syntax {
                found: kind.to_string(),
                expected: "a value change dump: $timescale, $var and $enddefinitions, then \
                           #time and levels such as 0! or 1!"
                    .into(),
            },
        },
        (None, io::ErrorKind::UnexpectedEof) => CaptureProblem::Syntax {
            found: "the file ends in the middle of a command".into(),
            expected: "the rest of it. Was the file copied whole?".into(),
        },
        (None, _) => CaptureProblem::Io(error.to_string()),
    };
    CaptureError::new(file, Some(line), problem)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const HEAD: &str = "$timescale 1 us $end\n$var wire 1 ! a $end\n$enddefinitions $end\n";

    fn read(text: &str) -> Result<Capture, CaptureError> {
        read_vcd("x.vcd", text.as_bytes())
    }

    fn says(text: &str) -> String {
        read(text).unwrap_err().to_string()
    }

    #[test]
    fn errors_point() {
        assert!(says("").contains("the capture is empty"));
        assert!(says(HEAD).contains("no level follows"));
        assert!(says(&format!("{HEAD}#5\n1!\n#3\n")).starts_with("x.vcd:6: time goes back"));
        assert!(says(&format!("{HEAD}#5\n1!\n#7\nx!\n")).starts_with("x.vcd:7: line \"a\""));
        let twice = format!("{HEAD}#5\n1!\n{HEAD}#6\n0!\n");
        assert!(says(&twice).starts_with("x.vcd:6: a declaration after"));
        assert!(says("hello").starts_with("x.vcd:1: unexpected character"));
    }

    #[test]
    fn other_timescales_are_converted_exactly() {
        for (scale, tick, us) in [
            ("1 ns", 1_500u64, 2),
            ("1 ns", 1_499, 1),
            ("10 ns", 12_345_678_901, 123_456_789),
            ("1 ms", 7, 7_000),
            ("100 ps", 25_000, 3),
            ("1 s", 2, 2_000_000),
        ] {
            let text = HEAD.replace("1 us", scale) + &format!("#0\n1!\n#{tick}\n0!\n");
            assert_eq!(read(&text).unwrap().lines[0].edges[0].at, Micros(us));
        }
    }

    #[test]
    fn the_first_known_level_is_the_initial_one() {
        let capture = read(&format!("{HEAD}#0\nx!\n#5\n1!\n#9\n0!\n")).unwrap();
        assert!(capture.lines[0].initial);
        assert_eq!(capture.lines[0].edges.len(), 1);
    }

    #[test]
    fn a_pulse_shorter_than_a_microsecond_leaves_no_edges() {
        let head = HEAD.replace("1 us", "1 ns");
        let text = format!("{head}#0\n1!\n#9000\n0!\n#9100\n1!\n#20000\n0!\n#20600\n1!\n");
        let edges: Vec<u64> = read(&text).unwrap().lines[0]
            .edges
            .iter()
            .map(|e| e.at.0)
            .collect();
        assert_eq!(edges, [20, 21]);
    }

    #[test]
    fn lines_of_the_same_name_carry_their_scope() {
        let text = "$scope module m $end $var wire 1 ! a $end $upscope $end $scope module n $end \
                    $var wire 1 # a $end $upscope $end $enddefinitions $end #0 1! 0# #1";
        let names: Vec<String> = read(text)
            .unwrap()
            .lines
            .into_iter()
            .map(|l| l.name)
            .collect();
        assert_eq!(names, ["m.a", "n.a"]);
    }

    #[test]
    fn deep_scopes_do_not_exhaust_the_stack() {
        let _ = read(&"$scope module m $end\n".repeat(100_000));
    }

    proptest! {
        #[test]
        fn any_text_never_panics(text in ".*", body in "([#01xzbr$!\" a-z0-9\n]){0,80}") {
            let _ = read(&text);
            let _ = read(&format!("{HEAD}{body}"));
        }

        #[test]
        fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = read_vcd("x", &bytes[..]);
        }

        #[test]
        fn written_captures_read_back(
            steps in proptest::collection::vec((1u64..5_000, 0usize..2), 0..50),
            initial in any::<[bool; 2]>(),
        ) {
            let mut capture = Capture {
                file: "x".into(),
                lines: vec![
                    CaptureLine { name: "master".into(), initial: initial[0], edges: vec![] },
                    CaptureLine { name: "peripheral".into(), initial: initial[1], edges: vec![] },
                ],
                start: Micros(7), end: Micros(7), torn: false,
                uncertainty: Micros(1), shifted: Micros::ZERO,
            };
            for (step, line) in steps {
                capture.end += Micros(step);
                let high = capture.lines[line].edges.last().map_or(initial[line], |e| e.high);
                let (at, start) = (capture.end, capture.start);
                capture.lines[line].level(at, !high, start);
            }
            capture.end += Micros(10);
            let mut text = Vec::new();
            write_vcd(&capture, &mut text).unwrap();
            prop_assert_eq!(&read_vcd("x", &text[..]).unwrap(), &capture);
            let mut text = Vec::new();
            crate::capture::write_csv(&capture, &mut text).unwrap();
            prop_assert_eq!(&crate::capture::read_csv("x", &text[..]).unwrap(), &capture);
        }
    }
}
