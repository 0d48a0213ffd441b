//! An examination saved as JSON, and read again.

use crate::ReportError;
use payrig_exam::{CheckResult, Examination};
use serde::{Deserialize, Serialize};
use std::io::{Read, Write};

/// What the file says it is.
pub const FORMAT: &str = "payrig examination";
/// The version of the format this crate writes, and the newest it reads.
pub const VERSION: u64 = 1;

#[derive(Serialize)]
struct Written<'a> {
    format: &'static str,
    format_version: u64,
    #[serde(flatten)]
    examination: &'a Examination,
}

#[derive(Deserialize)]
struct Head {
    #[serde(default)]
    format: Option<serde_json::Value>,
    #[serde(default)]
    format_version: Option<u64>,
}

/// Writes an examination as one JSON object, indented.
///
/// # Errors
/// When `out` fails.
pub fn write_json(examination: &Examination, mut out: impl Write) -> Result<(), ReportError> {
    let written = Written {
        format: FORMAT,
        format_version: VERSION,
        examination,
    };
    serde_json::to_writer_pretty(&mut out, &written).map_err(|error| match error.is_io() {
        true => ReportError::Io(error.into()),
        false => ReportError::Unwritable(error),
    })?;
    out.write_all(b"\n")?;
    Ok(out.flush()?)
}

/// Reads an examination as [`write_json`] writes it.
///
/// # Errors
/// When `from` fails, is no JSON, is JSON of something else, or of a newer version.
pub fn read_json(mut from: impl Read) -> Result<Examination, ReportError> {
    let mut bytes = Vec::new();
    from.read_to_end(&mut bytes)?;
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&bytes);
    let at = |error: serde_json::Error| ReportError::Json {
        line: error.line(),
        column: error.column(),
        why: error.to_string(),
    };
    let head: Head = serde_json::from_slice(bytes).map_err(at)?;
    match head.format {
        Some(serde_json::Value::String(format)) if format == FORMAT => {}
        Some(other) => {
            return Err(ReportError::Foreign {
                found: format!("its format is {other}"),
            });
        }
        None => {
            return Err(ReportError::Foreign {
                found: "it names no format".to_owned(),
            });
        }
    }
    match head.format_version {
        Some(version) if version > VERSION => {
            return Err(ReportError::Version { found: version });
        }
        _ => {}
    }
    let mut read: Examination = serde_json::from_slice(bytes).map_err(at)?;
    read.checks = read.checks.into_iter().map(CheckResult::restored).collect();
    Ok(read)
}
