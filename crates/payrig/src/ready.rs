//! When what is to be connected can be connected: for a person a sentence, for a program a line of JSON, or a
//! file that is there from then on.

use crate::Failure;
use crate::json::common::Line;
pub(crate) use crate::json::common::{OpenPort, Ready};
use crate::lines;
use crate::outputs::write_whole;
use std::io::{self, Write};
use std::path::Path;

impl Ready {
    /// With these ports.
    pub(crate) fn new(ports: Vec<OpenPort>) -> Self {
        Self {
            pid: std::process::id(),
            ports,
        }
    }

    /// A line on standard output.
    ///
    /// # Errors
    /// When it cannot be written.
    pub(crate) fn line(&self) -> io::Result<()> {
        let line = Line::Ready(self.clone());
        match lines::are_wanted() {
            true => lines::put(&line).and_then(|()| lines::flush()),
            false => {
                let mut out = lines::screen();
                lines::json_line(&mut out, &line)?;
                out.flush()
            }
        }
    }

    /// A file that is there, whole, from now on.
    ///
    /// # Errors
    /// When it cannot be written.
    pub(crate) fn file(&self, path: &Path) -> Result<(), Failure> {
        write_whole(path, |out| {
            serde_json::to_writer(out, &Line::Ready(self.clone()))
        })
    }
}
