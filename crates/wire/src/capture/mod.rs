//! Logic captures: named lines with their edges, read from VCD or CSV and written as either.
//!
//! ```
//! use payrig_units::Micros;
//! use payrig_wire::capture::{read_csv, write_vcd};
//!
//! let csv = "Time [ms],credit\n0,1\n100,0\n150,1\n300,1\n";
//! let capture = read_csv("line.csv", csv.as_bytes())?;
//! let credit = capture.line("credit")?;
//! assert_eq!(credit.edges.len(), 2);
//! assert_eq!(credit.edges[0].at, Micros::ms(100));
//! assert!(capture.line("credits").unwrap_err().to_string().contains("\"credit\""));
//!
//! let mut vcd = Vec::new();
//! write_vcd(&capture, &mut vcd)?;
//! assert!(String::from_utf8(vcd)?.contains("$var"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod csv_file;
mod decimal;
mod error;
mod open;
mod vcd_file;

pub use csv_file::{read_csv, write_csv};
pub use error::{CaptureError, CaptureProblem};
pub use open::{FileKind, read_path};
pub(crate) use open::{extension, open, read_bytes};
pub use vcd_file::{read_vcd, write_vcd};

use crate::Edge;
use payrig_units::Micros;

/// One line of a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaptureLine {
    /// Its name in the file.
    pub name: String,
    /// Its level at the start of the capture, true for high.
    pub initial: bool,
    /// Its level changes, strictly in order of time.
    pub edges: Vec<Edge>,
}

impl CaptureLine {
    /// True when the level never changes.
    #[must_use]
    pub fn never_moves(&self) -> bool {
        self.edges.is_empty()
    }

    /// Adds a level; one that is already there is no edge. A pulse that begins and ends within the
    /// same microsecond leaves no edges, so that edges are strictly in order of time; a change at
    /// the start of the capture is its initial level.
    pub(crate) fn level(&mut self, at: Micros, high: bool, start: Micros) {
        let now = self.edges.last().map_or(self.initial, |e| e.high);
        if now == high {
            return;
        }
        if self.edges.pop_if(|e| e.at == at).is_some() {
            return;
        }
        if at <= start && self.edges.is_empty() {
            self.initial = high;
            return;
        }
        self.edges.push(Edge { at, high });
    }
}

/// A logic capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Capture {
    /// The file as it was named, for messages.
    pub file: String,
    /// Its lines, in the order of the file.
    pub lines: Vec<CaptureLine>,
    /// When it starts.
    pub start: Micros,
    /// When it ends.
    pub end: Micros,
    /// The file stops in the middle of its last line, which was left out.
    pub torn: bool,
    /// How far an edge may be off, either way: half the step of its time stamps, at least 1 us.
    pub uncertainty: Micros,
    /// How far the file's own times were moved so that none is below zero, in microseconds. Zero
    /// unless the file starts before its trigger.
    pub shifted: Micros,
}

impl Capture {
    /// The line of that name.
    ///
    /// # Errors
    /// [`CaptureProblem::NoSuchLine`], which lists the names there are and the nearest.
    pub fn line(&self, name: &str) -> Result<&CaptureLine, CaptureError> {
        if let Some(line) = self.lines.iter().find(|l| l.name == name) {
            return Ok(line);
        }
        let mut same = self
            .lines
            .iter()
            .filter(|l| l.name.eq_ignore_ascii_case(name));
        if let (Some(line), None) = (same.next(), same.next()) {
            return Ok(line);
        }
        let names: Vec<String> = self.lines.iter().map(|l| l.name.clone()).collect();
        let wanted = name.to_lowercase();
        let nearest = names
            .iter()
            .map(|n| (strsim::jaro_winkler(&n.to_lowercase(), &wanted), n))
            .filter(|(score, _)| *score > 0.7)
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, n)| n.clone());
        Err(CaptureError::new(
            &self.file,
            None,
            CaptureProblem::NoSuchLine {
                wanted: name.to_owned(),
                names,
                nearest,
            },
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_line_is_answered_with_the_names_there_are() {
        let capture = Capture {
            file: "bus.csv".into(),
            lines: ["master", "peripheral"]
                .map(|name| CaptureLine {
                    name: name.into(),
                    initial: true,
                    edges: vec![],
                })
                .to_vec(),
            start: Micros::ZERO,
            end: Micros(1),
            uncertainty: Micros(1),
            torn: false,
            shifted: Micros::ZERO,
        };
        assert!(capture.line("Master").is_ok());
        assert_eq!(
            capture.line("mster").unwrap_err().to_string(),
            "bus.csv: there is no line \"mster\"; the capture has \"master\", \"peripheral\". Did \
             you mean \"master\"?"
        );
        assert!(
            !capture
                .line("zz")
                .unwrap_err()
                .to_string()
                .contains("Did you mean")
        );
    }
}
