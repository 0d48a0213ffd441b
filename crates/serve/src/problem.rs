//! What goes wrong, as everybody reports it: problem details (RFC 9457).

use payrig_bench::Refusal;
use payrig_rig::RigError;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Kinds of problems. Each has its HTTP status and the end of its `type`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// What came is no JSON, or too large a piece of it.
    NotJson,
    /// A field is missing, unknown, or not what it should be.
    BadField,
    /// There is no such verb or path.
    NoSuchVerb,
    /// There is no such bench.
    NoSuchBench,
    /// There is no such examination.
    NoSuchExamination,
    /// There is nothing of this kind to be had.
    NotThere,
    /// A step that this bench cannot do, or that is none.
    BadStep,
    /// A rig that cannot be read or cannot work.
    BadRig,
    /// It could be done, but not now.
    Refused,
    /// The bench has ended.
    Ended,
    /// Bench time stands.
    Paused,
    /// The link failed, or could not be opened.
    LinkFailed,
    /// No token, or not the right one.
    NotAllowed,
    /// From a page or under a name that is not served.
    Foreign,
    /// The server was started without leave to do this.
    Forbidden,
    /// The method is not one of this path.
    WrongMethod,
    /// The body is larger than what is taken.
    TooLarge,
    /// More requests, benches or streams than the server takes.
    TooMany,
    /// The server ends.
    Ending,
    /// Something of the machine failed: a file, the disk.
    Failed,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 20] = [
        Self::NotJson,
        Self::BadField,
        Self::NoSuchVerb,
        Self::NoSuchBench,
        Self::NoSuchExamination,
        Self::NotThere,
        Self::BadStep,
        Self::BadRig,
        Self::Refused,
        Self::Ended,
        Self::Paused,
        Self::LinkFailed,
        Self::NotAllowed,
        Self::Foreign,
        Self::Forbidden,
        Self::WrongMethod,
        Self::TooLarge,
        Self::TooMany,
        Self::Ending,
        Self::Failed,
    ];

    /// Its name, status and title.
    #[must_use]
    pub const fn row(self) -> (&'static str, u16, &'static str) {
        match self {
            Self::NotJson => ("not-json", 400, "Not JSON"),
            Self::BadField => ("bad-field", 422, "A field is not what it should be"),
            Self::NoSuchVerb => ("no-such-verb", 404, "There is no such verb"),
            Self::NoSuchBench => ("no-such-bench", 404, "There is no such bench"),
            Self::NoSuchExamination => ("no-such-examination", 404, "There is no such examination"),
            Self::NotThere => ("not-there", 404, "There is nothing of this kind"),
            Self::BadStep => ("bad-step", 422, "This bench cannot do that"),
            Self::BadRig => ("bad-rig", 422, "The rig cannot be used"),
            Self::Refused => ("refused", 409, "It cannot be done now"),
            Self::Ended => ("ended", 409, "It has ended"),
            Self::Paused => ("paused", 409, "Bench time stands"),
            Self::LinkFailed => ("link-failed", 409, "The link failed"),
            Self::NotAllowed => ("not-allowed", 401, "No token, or not the right one"),
            Self::Foreign => ("foreign", 403, "Not from here"),
            Self::Forbidden => (
                "forbidden",
                403,
                "The server was started without leave to do this",
            ),
            Self::WrongMethod => ("wrong-method", 405, "Not with this method"),
            Self::TooLarge => ("too-large", 413, "Too large"),
            Self::TooMany => ("too-many", 429, "Too many"),
            Self::Ending => ("ending", 503, "The server ends"),
            Self::Failed => ("failed", 500, "Something of the machine failed"),
        }
    }
}

/// How the `type` of every problem begins.
pub const TYPE: &str = "urn:payrig:problem:";

/// A problem, as JSON has it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Problem {
    /// Which kind it is: `urn:payrig:problem:` and a name.
    pub r#type: Box<str>,
    /// The kind in words.
    pub title: Box<str>,
    /// The HTTP status.
    #[schemars(range(min = 400, max = 599))]
    pub status: u16,
    /// What is wrong, and what was expected.
    pub detail: Box<str>,
    /// The field it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field: Option<Box<str>>,
    /// The file it is in, as on the terminal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<Box<str>>,
    /// The line of that file, from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// What to do about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub advice: Option<Box<str>>,
}

impl Problem {
    /// A problem of a kind.
    #[must_use]
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        let (name, status, title) = kind.row();
        Self {
            r#type: format!("{TYPE}{name}").into(),
            title: title.into(),
            status,
            detail: detail.into().into(),
            field: None,
            file: None,
            line: None,
            advice: None,
        }
    }

    /// With what to do about it.
    #[must_use]
    pub fn advice(mut self, advice: impl Into<String>) -> Self {
        self.advice = Some(advice.into().into());
        self
    }

    /// About a field.
    #[must_use]
    pub fn field(mut self, field: impl Into<String>) -> Self {
        self.field = Some(field.into().into());
        self
    }

    /// True for one of this kind.
    #[must_use]
    pub fn is(&self, kind: Kind) -> bool {
        self.r#type.strip_prefix(TYPE) == Some(kind.row().0)
    }

    /// What is wrong with a rig.
    #[must_use]
    pub fn of_rig(error: &RigError) -> Self {
        let mut problem = Self::new(Kind::BadRig, &error.message);
        problem.file = Some(error.file.display().to_string().into());
        problem.line = u64::try_from(error.line).ok().filter(|line| *line > 0);
        problem.advice = error.hint.as_deref().map(Into::into);
        problem
    }

    /// What is wrong with a step that came as JSON: it has no file and no line.
    #[must_use]
    pub fn of_step(error: &RigError) -> Self {
        let mut problem = Self::new(Kind::BadStep, &error.message);
        problem.advice = error.hint.as_deref().map(Into::into);
        problem
    }

    /// Why something was not done.
    #[must_use]
    pub fn refused(refusal: &Refusal) -> Self {
        Self::new(Kind::Refused, refusal.to_string())
    }

    /// Something of the machine failed.
    #[must_use]
    pub fn failed(what: &str, error: &dyn fmt::Display) -> Self {
        Self::new(Kind::Failed, format!("{what}: {error}"))
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(file) = &self.file {
            write!(f, "{file}:")?;
            if let Some(line) = self.line {
                write!(f, "{line}:")?;
            }
            f.write_str(" ")?;
        }
        f.write_str(&self.detail)?;
        match &self.advice {
            Some(advice) => write!(f, "\n  {advice}"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for Problem {}
