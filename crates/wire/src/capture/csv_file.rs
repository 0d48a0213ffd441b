//! Captures as comma separated values: `Time [s],name,...`, one row per change (or per sample).

use super::decimal::parse_time;
use super::{Capture, CaptureError, CaptureLine, CaptureProblem};
use payrig_units::Micros;
use std::io;

const HEADER: &str = "a header \"Time [s],name,...\" (or [ms], [us], [ns])";

/// Reads a CSV capture. The first column is the time in the unit its heading names; every other
/// column is a line with levels 0 and 1. Rows may be changes only, or samples. Times are exact
/// decimals; what is finer than a microsecond is rounded.
///
/// # Errors
/// With the line of the file: a wrong header, a time that is no number or goes back, a level other
/// than 0 or 1, a row with another number of columns, text that is not UTF-8, no rows.
pub fn read_csv(file: &str, input: impl io::Read) -> Result<Capture, CaptureError> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b';'))
        .from_reader(input);
    let header = reader.headers().map_err(|e| broken(file, &e))?.clone();
    let mut cells = header.iter();
    let unit = match cells.next().map(|c| c.trim_start_matches('\u{feff}')) {
        None | Some("") if header.len() <= 1 => {
            return Err(empty(file, "there is no text in it"));
        }
        heading => time_unit(heading.unwrap_or_default()).ok_or_else(|| {
            syntax(
                file,
                1,
                format!("the first column is headed \"{}\"", heading.unwrap_or("")),
                HEADER,
            )
        })?,
    };
    let mut lines: Vec<CaptureLine> = cells
        .map(|name| CaptureLine {
            name: name.to_owned(),
            initial: true,
            edges: Vec::new(),
        })
        .collect();
    if lines.is_empty() {
        return Err(syntax(
            file,
            1,
            "there is no column after the time".into(),
            HEADER,
        ));
    }

    let mut record = csv::StringRecord::new();
    let mut times: Option<(i128, i128)> = None;
    let mut finest = 0;
    while reader
        .read_record(&mut record)
        .map_err(|e| broken(file, &e))?
    {
        let row = record.position().map_or(0, csv::Position::line);
        let text = record.get(0).unwrap_or_default();
        let time = parse_time(text, unit).ok_or_else(|| {
            syntax(
                file,
                row,
                format!("\"{text}\" is no time"),
                "a decimal number, as in 0.005",
            )
        })?;
        finest = finest.min(time.last_digit);
        let before = times.map(|(_, last)| last);
        if let Some(before) = before.filter(|b| *b > time.us) {
            return Err(CaptureError::new(
                file,
                Some(row),
                CaptureProblem::TimeGoesBack {
                    before,
                    after: time.us,
                },
            ));
        }
        let first = times.map_or(time.us, |(first, _)| first);
        times = Some((first, time.us));
        let at = position(time.us, first);
        for (line, cell) in lines.iter_mut().zip(record.iter().skip(1)) {
            let high = match cell {
                "0" => false,
                "1" => true,
                other => {
                    return Err(CaptureError::new(
                        file,
                        Some(row),
                        CaptureProblem::BadLevel {
                            name: line.name.clone(),
                            level: other.to_owned(),
                            hint: ". Export digital channels, not analogue ones",
                        },
                    ));
                }
            };
            if before.is_none() {
                line.initial = high;
            } else {
                line.level(at, high, position(first, first));
            }
        }
    }
    let Some((first, last)) = times else {
        return Err(empty(
            file,
            "there is a header, but not one row of levels after it",
        ));
    };
    Ok(Capture {
        file: file.to_owned(),
        lines,
        start: position(first, first),
        end: position(last, first),
        uncertainty: uncertainty(finest),
        torn: false,
        shifted: Micros(u64::try_from(-first).unwrap_or(0)),
    })
}

/// Writes a capture as changes, times to the microsecond.
///
/// # Errors
/// When `output` does.
pub fn write_csv(capture: &Capture, output: impl io::Write) -> io::Result<()> {
    let mut writer = csv::Writer::from_writer(output);
    let names = capture.lines.iter().map(|l| l.name.as_str());
    writer.write_record(std::iter::once("Time [s]").chain(names))?;
    let mut levels: Vec<bool> = capture.lines.iter().map(|l| l.initial).collect();
    let mut row = |at: Micros, levels: &[bool]| {
        let time = format!("{}.{:06}", at.0 / 1_000_000, at.0 % 1_000_000);
        let cells = levels.iter().map(|h| if *h { "1" } else { "0" }.to_owned());
        writer.write_record(std::iter::once(time).chain(cells))
    };
    row(capture.start, &levels)?;
    let changes = super::vcd_file::changes(capture);
    let mut changes = changes.into_iter().peekable();
    while let Some((at, index, high)) = changes.next() {
        if let Some(level) = levels.get_mut(index) {
            *level = high;
        }
        if changes.peek().is_none_or(|(t, _, _)| *t != at) {
            row(at, &levels)?;
        }
    }
    row(capture.end, &levels)?;
    writer.flush()
}

/// Time on the capture's own line: files that start before their trigger are moved to zero.
fn position(us: i128, first: i128) -> Micros {
    Micros(u64::try_from(us - first.min(0)).unwrap_or(u64::MAX))
}

/// Half a step of the last digit written (a power of ten of a second), at least a microsecond.
fn uncertainty(last_digit: i32) -> Micros {
    let steps = 10u64.checked_pow((last_digit + 6).max(0).unsigned_abs());
    Micros(steps.map_or(u64::MAX, |s| (s / 2).max(1)))
}

fn time_unit(heading: &str) -> Option<i32> {
    let (time, unit) = heading.split_once('[')?;
    let unit = unit.trim().strip_suffix(']')?.trim();
    if !time.trim().eq_ignore_ascii_case("time") {
        return None;
    }
    match unit {
        "s" => Some(0),
        "ms" => Some(-3),
        "us" => Some(-6),
        "ns" => Some(-9),
        _ => None,
    }
}

fn empty(file: &str, why: &str) -> CaptureError {
    CaptureError::new(file, None, CaptureProblem::Empty(why.to_owned()))
}

fn syntax(file: &str, line: u64, found: String, expected: &str) -> CaptureError {
    CaptureError::new(
        file,
        Some(line),
        CaptureProblem::Syntax {
            found,
            expected: expected.to_owned(),
        },
    )
}

fn broken(file: &str, error: &csv::Error) -> CaptureError {
    let line = error.position().map(csv::Position::line);
    let problem = match error.kind() {
        csv::ErrorKind::Utf8 { .. } => CaptureProblem::NotUtf8,
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => CaptureProblem::Syntax {
            found: format!("{len} columns"),
            expected: format!("{expected_len}, as in the header"),
        },
        csv::ErrorKind::Io(e) => CaptureProblem::Io(e.to_string()),
        other => CaptureProblem::Syntax {
            found: format!("{other:?}"),
            expected: "comma separated values".into(),
        },
    };
    CaptureError::new(file, line, problem)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(text: &str) -> Result<Capture, CaptureError> {
        read_csv("x.csv", text.as_bytes())
    }

    fn says(text: &str) -> String {
        read(text).unwrap_err().to_string()
    }

    #[test]
    fn errors_point() {
        assert!(says("").contains("x.csv: the capture is empty"));
        assert!(says("Time [s],a\n").contains("not one row"));
        assert!(says("t,a\n0,1\n").starts_with("x.csv:1: the first column is headed \"t\""));
        assert!(says("Time [s]\n0\n").contains("no column after the time"));
        assert!(says("Time [s],a\n0,1\n2,0\n1,1\n").starts_with("x.csv:4: time goes back"));
        assert!(says("Time [s],a\n0,1\n1,2\n").starts_with("x.csv:3: line \"a\" has level \"2\""));
        assert!(says("Time [s],a\n0,1\n1\n").starts_with("x.csv:3: 1 columns; expected 2"));
        assert!(says("Time [s],a\nzero,1\n").starts_with("x.csv:2: \"zero\" is no time"));
        let bytes = b"Time [s],a\n0,\xff\n";
        assert!(
            read_csv("x.csv", &bytes[..])
                .unwrap_err()
                .to_string()
                .starts_with("x.csv:2: not UTF-8")
        );
    }

    #[test]
    fn times_before_the_trigger_are_moved_to_zero() {
        let capture = read("Time [s],a\n-0.001,1\n0.001,0\n").unwrap();
        assert_eq!(capture.shifted, Micros(1_000));
        assert_eq!(capture.start, Micros::ZERO);
        assert_eq!(capture.lines[0].edges[0].at, Micros(2_000));
    }

    proptest! {
        #[test]
        fn any_text_never_panics(text in ".*") {
            let _ = read(&text);
            let _ = read(&format!("Time [s],a,b\n{text}"));
        }

        #[test]
        fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = read_csv("x", &bytes[..]);
        }

        #[test]
        fn any_rows_never_panic(text in "([0-9.e-]{1,9},[01x],[01]\n){0,20}") {
            let _ = read(&format!("Time [s],a,b\n{text}"));
        }
    }
}
