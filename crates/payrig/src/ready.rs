//! When what is to be connected can be connected: for a person a sentence, for a program a line of JSON, or a
//! file that is there from then on.

use crate::Failure;
use crate::outputs::write_whole;
use crate::terminal;
use serde::Serialize;
use std::io::{self, Write};
use std::path::Path;

/// What is open, as programs read it.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Ready {
    #[serde(rename = "type")]
    kind: &'static str,
    /// The number of the process.
    pid: u32,
    /// What can be connected.
    ports: Vec<OpenPort>,
}

/// A port that is open.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct OpenPort {
    /// What is on it: `bus`, `bus of NAME`, `lines of NAME`.
    pub(crate) of: String,
    /// The path that a program opens, or that an adapter has.
    pub(crate) port: String,
}

impl Ready {
    /// With these ports.
    pub(crate) fn new(ports: Vec<OpenPort>) -> Self {
        Self {
            kind: "ready",
            pid: std::process::id(),
            ports,
        }
    }

    /// A line on standard output.
    ///
    /// # Errors
    /// When it cannot be written.
    pub(crate) fn line(&self) -> io::Result<()> {
        let mut out = terminal::screen();
        terminal::json_line(&mut out, self)?;
        out.flush()
    }

    /// A file that is there, whole, from now on.
    ///
    /// # Errors
    /// When it cannot be written.
    pub(crate) fn file(&self, path: &Path) -> Result<(), Failure> {
        write_whole(path, |out| serde_json::to_writer(out, self))
    }
}
