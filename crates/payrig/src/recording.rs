//! A recording as a command keeps it: never over another, locked while it is written, line by line,
//! and what cannot be kept there is reported and kept elsewhere.

use crate::Failure;
use crate::json::common::Problem;
use crate::outputs::{is_plain_file, sync_name, unwritable};
use payrig_units::Micros;
use payrig_wire::recording::at;
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use sha2::{Digest, Sha256};
use std::fs::{File, TryLockError};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// As many names are tried for a recording nobody named.
const NAMES: u32 = 10_000;

/// Where a recording is to go.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Wanted<'a> {
    /// To this file.
    Named(&'a Path),
    /// To `STEM.recording.jsonl` in this folder, or, where that is taken, to `STEM-2.recording.jsonl`
    /// and so on.
    Default(&'a str),
}

/// A recording being written.
#[derive(Debug)]
pub(crate) struct Recording {
    path: PathBuf,
    header: Header,
    /// None once it can be written nowhere.
    writer: Option<RecordingWriter<Kept>>,
    /// Where the rest is, once it could not be written any further.
    rest: Option<PathBuf>,
    last: Micros,
    wrong: Vec<Failure>,
}

/// What became of a recording.
#[derive(Debug)]
pub(crate) struct Recorded {
    /// SHA-256 of the file in hex; empty where it is not whole.
    pub(crate) sha256: String,
    /// What could not be kept, by name.
    pub(crate) wrong: Vec<Failure>,
}

impl Recording {
    /// Begins one. An earlier recording is replaced only with `overwrite`.
    ///
    /// # Errors
    /// When the file cannot be written, is another run's, or holds something already.
    pub(crate) fn begin(
        wanted: Wanted<'_>,
        overwrite: bool,
        header: Header,
    ) -> Result<Self, Failure> {
        let (path, file) = match wanted {
            Wanted::Named(path) => (path.to_owned(), open(path, overwrite)?),
            Wanted::Default(stem) => free(stem, overwrite)?,
        };
        let wrong = |error: io::Error| unwritable_recording(&path, &error);
        let kept = Kept::new(file);
        let plain = kept.is_plain();
        let synced = kept.file.try_clone().map_err(wrong)?;
        let writer = RecordingWriter::start(kept, &header).map_err(wrong)?;
        if plain {
            // A power cut leaves at least that it was begun.
            synced.sync_all().map_err(wrong)?;
            sync_name(&path);
        }
        Ok(Self {
            path,
            header,
            writer: Some(writer),
            rest: None,
            last: Micros::ZERO,
            wrong: Vec::new(),
        })
    }

    /// The file.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// When the last thing happened that it has.
    pub(crate) fn last(&self) -> Micros {
        self.last
    }

    /// Writes an entry. What goes wrong is reported at the end, and does not disturb the run.
    pub(crate) fn entry(&mut self, entry: &Entry) {
        let Some(writer) = &mut self.writer else {
            return;
        };
        match writer.entry(entry) {
            Ok(()) => {
                let at = Some(at(entry)).filter(|at| *at != Micros::NEVER);
                self.last = self.last.max(at.unwrap_or_default());
            }
            Err(error) => self.go_elsewhere(&error, entry),
        }
    }

    /// The file takes no more: it is cut to whole lines, and the rest goes to the folder for temporary
    /// files.
    fn go_elsewhere(&mut self, error: &io::Error, entry: &Entry) {
        let to_whole_lines = self.writer.take().map(|w| w.into_inner().cut());
        let path = self.rest.take().unwrap_or_else(|| self.path.clone());
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let again = elsewhere(&name).and_then(|(other, file)| {
            let mut writer = RecordingWriter::start(Kept::new(file), &self.header)?;
            writer.entry(entry)?;
            Ok((other, writer))
        });
        let up_to = match to_whole_lines {
            Some(Ok(())) => format!("what was recorded until {} is in it", self.last),
            _ => format!("what was recorded until {} may be in it", self.last),
        };
        let rest = match again {
            Ok((other, writer)) => {
                let text = format!("what follows is in {}", other.display());
                (self.rest, self.writer) = (Some(other), Some(writer));
                text
            }
            Err(_) => "what follows is lost".to_owned(),
        };
        self.wrong.push(Failure::wrong(format!(
            "{}: the recording cannot be written any further: {error}; {up_to}, {rest}",
            path.display()
        )));
    }

    /// Ends it. When this returns it is on the disk, as far as the system says.
    pub(crate) fn end(mut self) -> Recorded {
        let mut sha256 = String::new();
        if let Some(kept) = self.writer.take().map(RecordingWriter::into_inner) {
            if let Some(rest) = &self.rest {
                sync_name(rest);
            }
            match kept.end() {
                Ok(hash) if self.wrong.is_empty() => sha256 = hash,
                Ok(_) => {}
                Err(error) => self.wrong.push(unwritable_recording(&self.path, &error)),
            }
        }
        Recorded {
            sha256,
            wrong: self.wrong,
        }
    }
}

fn unwritable_recording(path: &Path, error: &io::Error) -> Failure {
    let advice = "name another file with --record";
    let what = format_args!("the recording cannot be written: {error}; {advice}");
    Failure::wrong(Problem::of_file(path, what).advise(Some(advice)))
}

/// A file by name.
fn open(path: &Path, overwrite: bool) -> Result<File, Failure> {
    let wrong = |error: io::Error| unwritable_recording(path, &error);
    let file = File::options()
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(wrong)?;
    if !file.metadata().is_ok_and(|m| m.is_file()) {
        return Ok(file);
    }
    lock(path, &file)?;
    let length = file.metadata().map_err(wrong)?.len();
    if length > 0 && !overwrite {
        let path = path.display();
        return Err(Failure::wrong(format!(
            "{path}: there is such a file already, and a recording replaces none: name another with \
             --record, or say --overwrite"
        )));
    }
    if length > 0 && !crate::outputs::holds_a_recording(path) {
        let path = path.display();
        return Err(Failure::wrong(format!(
            "{path}: is no recording, and --overwrite replaces recordings only: name another file"
        )));
    }
    file.set_len(0).map_err(wrong)?;
    Ok(file)
}

/// Two runs do not write to one file.
fn lock(path: &Path, file: &File) -> Result<(), Failure> {
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => {
            let path = path.display();
            Err(Failure::wrong(format!(
                "{path}: another run is writing this recording: let it end, or name another file with \
                 --record"
            )))
        }
        // A file system without locks has none to be broken.
        Ok(()) | Err(TryLockError::Error(_)) => Ok(()),
    }
}

/// A name that nobody has taken.
fn free(stem: &str, overwrite: bool) -> Result<(PathBuf, File), Failure> {
    for number in 1..NAMES {
        let path = PathBuf::from(match number {
            1 => format!("{stem}.recording.jsonl"),
            n => format!("{stem}-{n}.recording.jsonl"),
        });
        if number == 1 && overwrite && path.exists() {
            let file = open(&path, true)?;
            return Ok((path, file));
        }
        match File::create_new(&path) {
            Ok(file) => {
                lock(&path, &file)?;
                return Ok((path, file));
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => {
                let path = path.display();
                return Err(Failure::wrong(format!(
                    "{path}: the recording cannot be written: {error}; name another file with \
                     --record, or give --no-record"
                )));
            }
        }
    }
    Err(Failure::wrong(format!(
        "there are {NAMES} recordings of {stem} in this folder: put them away, or name a file with \
         --record"
    )))
}

/// A file for what a full or failing disk did not take.
pub(crate) fn elsewhere(name: &str) -> io::Result<(PathBuf, File)> {
    let folder = std::env::temp_dir();
    for number in 1..NAMES {
        let path = folder.join(format!("payrig-{number}-{name}"));
        match File::create_new(&path) {
            Ok(file) => return Ok((path, file)),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(io::ErrorKind::AlreadyExists.into())
}

/// A file, its hash, and how much of it is whole lines.
#[derive(Debug)]
struct Kept {
    file: File,
    hash: Sha256,
    whole: u64,
}

impl Kept {
    fn new(file: File) -> Self {
        Self {
            file,
            hash: Sha256::new(),
            whole: 0,
        }
    }

    /// Cuts off what is no whole line.
    fn cut(self) -> io::Result<()> {
        match self.is_plain() {
            true => self.file.set_len(self.whole),
            false => Ok(()),
        }
    }

    fn is_plain(&self) -> bool {
        is_plain_file(&self.file)
    }

    fn end(self) -> io::Result<String> {
        if self.is_plain() {
            self.file.sync_all()?;
        }
        let bytes = self.hash.finalize();
        Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
    }
}

impl Write for Kept {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.hash.update(bytes.get(..written).unwrap_or_default());
        Ok(written)
    }

    /// A line is written in one piece, then flushed: what is written until here is whole.
    fn write_all(&mut self, line: &[u8]) -> io::Result<()> {
        self.file.write_all(line)?;
        self.hash.update(line);
        self.whole += line.len() as u64;
        Ok(())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// Where an examination that could not be kept is put instead; by name.
pub(crate) fn put_elsewhere(name: &str, bytes: &[u8]) -> Result<PathBuf, Failure> {
    let (path, mut file) = elsewhere(name).map_err(|e| unwritable(Path::new(name), &e))?;
    file.write_all(bytes)
        .and_then(|()| file.sync_all())
        .map_err(|e| unwritable(&path, &e))?;
    sync_name(&path);
    Ok(path)
}
