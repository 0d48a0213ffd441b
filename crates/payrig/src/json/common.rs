//! The lines that every command may write: the first, the last, and what people are told on standard error.

use crate::advice;
use payrig_units::{Decimals, ParseMoneyError};
use payrig_wire::capture::CaptureError;
use payrig_wire::reading::ReadError;
use payrig_wire::recording::{self, HeaderType, RecordingError};
use schemars::JsonSchema;
use serde::Serialize;
use std::fmt;
use std::path::Path;

/// A schema by name and version.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Named {
    pub(crate) name: &'static str,
    pub(crate) version: u32,
}

/// What `run` and `read` write: a recording, and the lines of every command.
pub(crate) const RECORDING: Named = Named {
    name: recording::SCHEMA,
    version: recording::VERSION,
};

const fn first(name: &'static str) -> Named {
    Named { name, version: 1 }
}

/// What `examine` and `report` write.
pub(crate) const EXAMINE: Named = first("payrig-examine");
/// What the commands of `pulse` write.
pub(crate) const PULSE: Named = first("payrig-pulse");
/// What `float` writes.
pub(crate) const FLOAT: Named = first("payrig-float");
/// What `ports` writes.
pub(crate) const PORTS: Named = first("payrig-ports");
/// What the commands of `tickets` write.
pub(crate) const TICKETS: Named = first("payrig-tickets");
/// What `new` and `sheet` write.
pub(crate) const WRITTEN: Named = first("payrig-written");
/// What a command line that was not understood ends with.
pub(crate) const USAGE: Named = first("payrig-usage");

/// What wrote a line, with its version.
pub(crate) const TOOL: &str = concat!("payrig ", env!("CARGO_PKG_VERSION"));

/// The first line of everything but a recording, which has [`recording::Header`].
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Header {
    /// "header".
    #[serde(rename = "type")]
    pub(crate) kind: HeaderType,
    /// Name of the schema.
    pub(crate) schema: &'static str,
    /// Its version: another one where a line or field means something else, or is gone.
    pub(crate) version: u32,
    /// What wrote it, with its version.
    pub(crate) tool: &'static str,
    /// Decimals of all amounts, where there are any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) decimals: Option<Decimals>,
    /// The letters of the currency in ISO 4217, where a rig says one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) currency: Option<String>,
}

impl Header {
    pub(crate) fn of(named: Named) -> Self {
        Self {
            kind: HeaderType::Header,
            schema: named.name,
            version: named.version,
            tool: TOOL,
            decimals: None,
            currency: None,
        }
    }

    /// With how amounts are written.
    pub(crate) fn money(self, decimals: Decimals, currency: Option<String>) -> Self {
        Self {
            decimals: Some(decimals),
            currency,
            ..self
        }
    }
}

/// A line that any command may write.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(tag = "type", rename_all = "kebab-case")]
#[schemars(deny_unknown_fields)]
pub(crate) enum Line {
    /// What was wrong: with the command, a file, the link or an output.
    Error(Problem),
    /// What does not stop it, and should be known.
    Warning(Problem),
    /// What goes on, in words.
    Notice {
        /// In words.
        text: String,
    },
    /// What is to be connected can be connected.
    Ready(Ready),
    /// A file was written.
    Wrote {
        /// What it is: "recording", "html", "junit", "json", "csv", "rig", "labels".
        what: &'static str,
        /// Its name, as it was given.
        file: String,
    },
    /// The last line: how the command ended.
    End {
        /// The exit code.
        exit: u8,
        /// The same in words.
        ended: Ended,
    },
}

impl Line {
    pub(crate) fn wrote(what: &'static str, file: &Path) -> Self {
        Self::Wrote {
            what,
            file: file.display().to_string(),
        }
    }
}

/// What is open.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct Ready {
    /// The number of the process.
    pub(crate) pid: u32,
    /// What can be connected.
    pub(crate) ports: Vec<OpenPort>,
}

/// A port that is open.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(crate) struct OpenPort {
    /// What is on it: `bus`, `bus of NAME`, `lines of NAME`.
    pub(crate) of: String,
    /// The path that a program opens, or that an adapter has.
    pub(crate) port: String,
}

/// How a command ended.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Ended {
    /// 0: all passed.
    Passed,
    /// 1: something under test fell short, or was ended before its end.
    FellShort,
    /// 2: the command, rig or file was wrong.
    Wrong,
    /// 3: the link failed.
    LinkFailed,
}

/// What was wrong, and what to do.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct Problem {
    /// What is wrong.
    message: String,
    /// In which file, as it was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
    /// In which line of it, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    line: Option<u64>,
    /// What was expected there.
    #[serde(skip_serializing_if = "Option::is_none")]
    expected: Option<String>,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    advice: Option<String>,
    /// The whole of it as people read it.
    #[serde(skip)]
    text: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl Problem {
    /// What is wrong with a file, as text: "cannot be read: ...".
    pub(crate) fn of_file(file: &Path, what: impl fmt::Display) -> Self {
        let file = file.display().to_string();
        let what = what.to_string();
        let text = format!("{file}: {what}");
        Self {
            file: Some(file),
            text,
            ..Self::split(&what)
        }
    }

    /// In a line of its file.
    pub(crate) fn in_line(mut self, line: impl Into<Option<u64>>) -> Self {
        self.line = line.into();
        self
    }

    /// With what to do; the text has it already.
    pub(crate) fn advise(mut self, advice: Option<&str>) -> Self {
        self.advice = advice.map(str::to_owned).or(self.advice);
        self
    }

    /// With what the command line can do about it, beside what a library said.
    pub(crate) fn beside(mut self, here: Option<impl fmt::Display>) -> Self {
        if let Some(here) = here {
            self.text = advice::beside(&self.text, Some(&here));
            self.advice = Some(match self.advice {
                Some(advice) => advice::beside(advice, Some(here)),
                None => here.to_string(),
            });
        }
        self
    }

    /// With what was expected; the text has it already.
    pub(crate) fn expecting(mut self, expected: Option<String>) -> Self {
        self.expected = expected.or(self.expected);
        self
    }

    /// With the whole of it as people read it.
    pub(crate) fn shown_as(mut self, text: impl fmt::Display) -> Self {
        self.text = text.to_string();
        self
    }

    /// Messages of this house say what is wrong, what was expected, and what to do: "...; expected ...". What
    /// follows the expected is what to do.
    fn split(what: &str) -> Self {
        let text = what.to_owned();
        let Some((message, rest)) = ["; expected ", ", expected ", ": expected "]
            .iter()
            .find_map(|mark| what.split_once(mark))
        else {
            return Self {
                message: text.clone(),
                text,
                ..Self::default()
            };
        };
        let (expected, advice) = match rest.split_once(". ").or_else(|| rest.split_once("; ")) {
            Some((expected, advice)) => (expected, Some(advice.to_owned())),
            None => (rest, None),
        };
        Self {
            message: message.to_owned(),
            expected: Some(expected.to_owned()),
            advice,
            text,
            ..Self::default()
        }
    }
}

impl From<String> for Problem {
    fn from(text: String) -> Self {
        Self::split(&text)
    }
}

impl From<&str> for Problem {
    fn from(text: &str) -> Self {
        Self::split(text)
    }
}

impl From<payrig_rig::RigError> for Problem {
    fn from(error: payrig_rig::RigError) -> Self {
        let line = u64::try_from(error.line).ok().filter(|line| *line > 0);
        Self::of_file(&error.file, &error.message)
            .in_line(line)
            .advise(error.hint.as_deref())
            .shown_as(&error)
    }
}

impl From<RecordingError> for Problem {
    fn from(error: RecordingError) -> Self {
        Self::of_file(Path::new(&error.file), &error.problem)
            .in_line(error.line)
            .shown_as(&error)
    }
}

impl From<CaptureError> for Problem {
    fn from(error: CaptureError) -> Self {
        Self::of_file(Path::new(&error.file), &error.problem)
            .in_line(error.line)
            .shown_as(&error)
    }
}

impl From<ReadError> for Problem {
    fn from(error: ReadError) -> Self {
        match error {
            ReadError::Capture(error) => error.into(),
            ReadError::Recording(error) => error.into(),
            ReadError::NoLines { ref file, .. } => {
                let text = error.to_string();
                let what = text.strip_prefix(&format!("{file}: ")).unwrap_or(&text);
                Self::of_file(Path::new(file), what)
            }
            other => other.to_string().into(),
        }
    }
}

impl From<ParseMoneyError> for Problem {
    fn from(error: ParseMoneyError) -> Self {
        error.to_string().into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_expected_and_what_to_do_are_fields_and_the_text_is_whole() {
        let text = "no header (x); expected a line with a schema. Cut the file there";
        let problem = Problem::of_file(Path::new("a.jsonl"), text).in_line(3);
        assert_eq!(problem.to_string(), format!("a.jsonl: {text}"));
        let json = serde_json::to_value(&problem).unwrap();
        let expected = serde_json::json!({
            "message": "no header (x)", "file": "a.jsonl", "line": 3,
            "expected": "a line with a schema", "advice": "Cut the file there",
        });
        assert_eq!(json, expected);
        let plain = Problem::from("all is wrong");
        let json = serde_json::to_value(&plain).unwrap();
        assert_eq!(json, serde_json::json!({"message": "all is wrong"}));
    }
}
