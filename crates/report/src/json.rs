//! An examination saved as JSON, and read again.

use crate::ReportError;
use payrig_exam::{CheckResult, Examination};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::io::{Read, Write};

/// What the file says it is.
pub const SCHEMA: &str = "payrig-examination";
/// What files of version 1 say they are, as `format`.
pub const FORMAT: &str = "payrig examination";
/// The version of the format this crate writes, and the newest it reads.
pub const VERSION: u32 = 2;

/// An examination as it is saved.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct SavedExamination<'a> {
    /// [`SCHEMA`].
    schema: Cow<'static, str>,
    /// [`VERSION`].
    version: u32,
    /// What was found.
    #[serde(flatten)]
    examination: Cow<'a, Examination>,
}

impl<'a> SavedExamination<'a> {
    /// An examination, to be saved.
    #[must_use]
    pub fn of(examination: &'a Examination) -> Self {
        Self {
            schema: SCHEMA.into(),
            version: VERSION,
            examination: Cow::Borrowed(examination),
        }
    }
}

#[derive(Deserialize)]
struct Head {
    #[serde(default)]
    schema: Option<serde_json::Value>,
    #[serde(default)]
    version: Option<u64>,
    /// Of version 1.
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
    let written = SavedExamination::of(examination);
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
    let is = |value: &Option<serde_json::Value>, name: &str| {
        value.as_ref().and_then(|v| v.as_str()) == Some(name)
    };
    let version = if is(&head.schema, SCHEMA) {
        head.version
    } else if is(&head.format, FORMAT) {
        head.format_version
    } else {
        let found = match (head.schema, head.format) {
            (Some(other), _) => format!("its schema is {other}"),
            (None, Some(other)) => format!("its format is {other}"),
            (None, None) => "it names no schema".to_owned(),
        };
        return Err(ReportError::Foreign { found });
    };
    if let Some(version) = version.filter(|v| *v > u64::from(VERSION)) {
        return Err(ReportError::Version { found: version });
    }
    let mut read: Examination = serde_json::from_slice(bytes).map_err(at)?;
    read.checks = read.checks.into_iter().map(CheckResult::restored).collect();
    Ok(read)
}
