//! The recording of an examination, and its hash for the reports.

use crate::Failure;
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

/// How the name of the bench begins in the recording of an examination.
pub(crate) const EXAMINATION: &str = "examination of the ";

/// A recording being written: complete after every check, whatever comes after.
pub(crate) struct Recording {
    path: PathBuf,
    writer: RecordingWriter<BufWriter<File>>,
}

impl Recording {
    /// Begins a file.
    pub(crate) fn begin(path: &Path, subject: &str) -> Result<Self, Failure> {
        let wrong = |error: io::Error| {
            let path = path.display();
            Failure::Wrong(format!("{path}: the recording cannot be written: {error}"))
        };
        let tool = concat!("payrig ", env!("CARGO_PKG_VERSION"));
        let header = Header::new(tool, &format!("{EXAMINATION}{subject}"), None);
        let file = BufWriter::new(File::create(path).map_err(wrong)?);
        let writer = RecordingWriter::start(file, &header).map_err(wrong)?;
        let path = path.to_owned();
        Ok(Self { path, writer })
    }

    /// A check is over.
    pub(crate) fn check(&mut self, entries: &[Entry]) -> io::Result<()> {
        entries
            .iter()
            .try_for_each(|entry| self.writer.entry(entry))
    }

    /// Ends the file; its SHA-256 in hex.
    pub(crate) fn end(self) -> io::Result<String> {
        self.writer.into_inner().flush()?;
        let mut hash = Sha256::new();
        let mut file = BufReader::new(File::open(&self.path)?);
        loop {
            let bytes = file.fill_buf()?;
            if bytes.is_empty() {
                break;
            }
            hash.update(bytes);
            let read = bytes.len();
            file.consume(read);
        }
        let bytes = hash.finalize();
        Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
    }
}
