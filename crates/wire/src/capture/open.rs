//! Opening a file: what it is, by its content first and by its extension where that shows nothing.

use super::{Capture, CaptureError, CaptureProblem, read_csv, read_vcd};
use crate::bounded::{self, Input};
use std::path::Path;

/// What a file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum FileKind {
    /// A value change dump.
    Vcd,
    /// Comma separated values with a time column.
    Csv,
    /// A recording of a bench ([`crate::recording`]).
    Recording,
}

impl FileKind {
    /// By the first bytes, and where they show nothing by the extension (without its dot).
    #[must_use]
    pub fn of(extension: &str, head: &[u8]) -> Option<Self> {
        let text = head.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(head);
        let text = text.trim_ascii_start();
        if text.starts_with(b"$") {
            return Some(Self::Vcd);
        }
        if text.starts_with(b"{") {
            return Some(Self::Recording);
        }
        if text
            .get(..4)
            .is_some_and(|t| t.eq_ignore_ascii_case(b"time"))
        {
            return Some(Self::Csv);
        }
        match extension.to_ascii_lowercase().as_str() {
            "vcd" => Some(Self::Vcd),
            "csv" => Some(Self::Csv),
            "jsonl" => Some(Self::Recording),
            _ => None,
        }
    }
}

/// Reads a capture of either format.
///
/// # Errors
/// As [`read_vcd`] and [`read_csv`]; also when the file does not open, or is no capture.
pub fn read_path(path: &Path) -> Result<Capture, CaptureError> {
    let extension = extension(path);
    read_bytes(path, open(path, &extension)?)
}

pub(crate) fn extension(path: &Path) -> String {
    path.extension()
        .map(|e| e.to_string_lossy().into_owned())
        .unwrap_or_default()
}

/// Reads a file once, and no further than it takes to see that it is of no known kind.
pub(crate) fn open(path: &Path, extension: &str) -> Result<Input, CaptureError> {
    bounded::read(path, |head| FileKind::of(extension, head).is_some()).map_err(|e| {
        let file = path.display().to_string();
        CaptureError::new(&file, None, CaptureProblem::Io(e.to_string()))
    })
}

/// A capture from what was read of a file.
pub(crate) fn read_bytes(path: &Path, input: Input) -> Result<Capture, CaptureError> {
    let file = path.display().to_string();
    let fail = |problem| Err(CaptureError::new(&file, None, problem));
    if input.too_large {
        return fail(CaptureProblem::TooLarge);
    }
    let bytes = input.bytes;
    let extension = extension(path);
    let known = FileKind::of(&extension, &bytes);
    if bytes.trim_ascii().is_empty() && known.is_some() {
        return fail(CaptureProblem::Empty("the file has no content".into()));
    }
    match known {
        Some(FileKind::Vcd) => whole_or_torn(&bytes, |bytes| read_vcd(&file, bytes)),
        Some(FileKind::Csv) => whole_or_torn(&bytes, |bytes| read_csv(&file, bytes)),
        Some(FileKind::Recording) => fail(CaptureProblem::IsRecording),
        None => fail(CaptureProblem::UnknownKind {
            extension: if extension.is_empty() {
                "none".into()
            } else {
                format!(".{extension}")
            },
        }),
    }
}

/// A capture whose writer was stopped in the middle of a line is read up to there: nothing already
/// recorded is lost.
fn whole_or_torn(
    bytes: &[u8],
    read: impl Fn(&[u8]) -> Result<Capture, CaptureError>,
) -> Result<Capture, CaptureError> {
    let whole = read(bytes);
    let last_line = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
    match (&whole, bytes.split_at_checked(last_line)) {
        (Err(_), Some((lines, rest))) if !rest.is_empty() && !lines.is_empty() => match read(lines)
        {
            Ok(capture) => Ok(Capture {
                torn: true,
                ..capture
            }),
            Err(_) => whole,
        },
        _ => whole,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn content_goes_before_extension() {
        assert_eq!(FileKind::of("csv", b"$timescale"), Some(FileKind::Vcd));
        assert_eq!(FileKind::of("txt", b"Time [s],a"), Some(FileKind::Csv));
        assert_eq!(FileKind::of("VCD", b""), Some(FileKind::Vcd));
        assert_eq!(FileKind::of("sr", b"PK"), None);
    }

    #[test]
    fn a_file_cut_anywhere_is_read_up_to_there_or_refused_with_a_reason() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../captures/clean-1.vcd");
        let bytes = std::fs::read(path).unwrap();
        let whole = read_vcd("whole", &bytes[..]).unwrap();
        for cut in (400..bytes.len()).step_by(97) {
            let part = whole_or_torn(&bytes[..cut], |bytes| read_vcd("cut", bytes)).unwrap();
            for (part, whole) in part.lines.iter().zip(&whole.lines) {
                let common = part.edges.len().saturating_sub(1);
                assert_eq!(part.edges[..common], whole.edges[..common], "cut at {cut}");
            }
        }
    }

    #[test]
    fn a_missing_file_is_named() {
        let e = read_path(Path::new("/no/such/bus.vcd")).unwrap_err();
        assert!(
            e.to_string()
                .starts_with("/no/such/bus.vcd: cannot be read")
        );
    }
}
