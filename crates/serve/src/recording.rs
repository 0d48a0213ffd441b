//! The recording of a bench, where one was asked for: line by line into a file, as `payrig run` writes it.

use crate::problem::{Kind, Problem};
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// Where a recording is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Wanted {
    /// In a file of the server's own, which goes with the bench.
    Spool,
    /// In this one, which stays, and which must not be there yet.
    File(PathBuf),
}

/// A recording being written.
#[derive(Debug)]
pub(crate) struct Recording {
    path: PathBuf,
    file: Option<File>,
    writer: Option<RecordingWriter<File>>,
    /// The file goes with this.
    spool: Option<NamedTempFile>,
    failed: Option<String>,
}

impl Recording {
    pub(crate) fn begin(wanted: &Wanted, header: &Header) -> Result<Self, Problem> {
        let (path, file, spool) = match wanted {
            Wanted::Spool => {
                let spool = NamedTempFile::with_prefix("payrig-")
                    .map_err(|error| Problem::failed("a file for the recording", &error))?;
                let file = spool
                    .reopen()
                    .map_err(|error| Problem::failed("the recording", &error))?;
                (spool.path().to_owned(), file, Some(spool))
            }
            Wanted::File(path) => (path.clone(), create(path)?, None),
        };
        let failed = |error: io::Error| Problem::failed(&path.display().to_string(), &error);
        let own = file.try_clone().map_err(failed)?;
        let writer = RecordingWriter::start(file, header).map_err(failed)?;
        Ok(Self {
            file: Some(own),
            writer: Some(writer),
            spool,
            failed: None,
            path,
        })
    }

    /// The file.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// True when it stays after the bench.
    pub(crate) fn stays(&self) -> bool {
        self.spool.is_none()
    }

    /// Why not all of it is there, if it is not.
    pub(crate) fn failed(&self) -> Option<&str> {
        self.failed.as_deref()
    }

    /// Writes an entry. What goes wrong is kept, and disturbs no bench.
    pub(crate) fn entry(&mut self, entry: &Entry) {
        if let Some(writer) = &mut self.writer
            && let Err(error) = writer.entry(entry)
        {
            self.failed = Some(format!(
                "{}: the recording cannot be written any further: {error}",
                self.path.display()
            ));
            self.writer = None;
        }
    }

    /// Ends it. When this returns it is on the disk, as far as the system says.
    pub(crate) fn end(&mut self) {
        self.writer = None;
        if let Some(file) = self.file.take()
            && self.stays()
            && let Err(error) = file.sync_all()
        {
            self.failed = Some(format!("{}: {error}", self.path.display()));
        }
    }
}

fn create(path: &Path) -> Result<File, Problem> {
    File::create_new(path).map_err(|error| {
        let path = path.display();
        match error.kind() {
            io::ErrorKind::AlreadyExists => Problem::new(
                Kind::Refused,
                format!("{path}: there is such a file already, and a recording replaces none"),
            )
            .field("record")
            .advice("name another file"),
            _ => Problem::new(
                Kind::Refused,
                format!("{path}: the recording cannot be written: {error}"),
            )
            .field("record")
            .advice("name another file, or say true for one that goes with the bench"),
        }
    })
}
