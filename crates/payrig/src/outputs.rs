//! What a command reads and writes, held against each other before anything is opened: no output
//! replaces an input, the file of tickets or another output, by whatever path, link or relative name.
//! Reports are written beside their place and then put there, whole.

use crate::Failure;
use crate::json::common::Problem;
use std::fs::{self, File, Metadata};
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

/// As many links are followed from one to the next (as Linux does, path_resolution(7)).
const LINKS: usize = 40;

/// What an SQLite database begins with (its file format, section 1.3).
const SQLITE: &[u8] = b"SQLite format 3\0";

/// What a file is, whatever it is called.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Identity {
    /// Device and number on it: two hard links have the same.
    Number(u64, u64),
    /// It is not there yet, or this system has no numbers: its path without links.
    Path(PathBuf),
}

impl Identity {
    fn of(path: &Path) -> Self {
        match fs::metadata(path) {
            Ok(metadata) => numbered(&metadata).unwrap_or_else(|| Self::Path(without_links(path))),
            Err(_) => Self::Path(without_links(path)),
        }
    }
}

#[cfg(unix)]
fn numbered(metadata: &Metadata) -> Option<Identity> {
    use std::os::unix::fs::MetadataExt;
    Some(Identity::Number(metadata.dev(), metadata.ino()))
}

#[cfg(not(unix))]
fn numbered(_: &Metadata) -> Option<Identity> {
    None
}

/// The path itself, with all links followed, be there a file or not.
fn without_links(path: &Path) -> PathBuf {
    let mut path = path.to_owned();
    for _ in 0..LINKS {
        if let Ok(real) = path.canonicalize() {
            return real;
        }
        let folder = path.parent().filter(|f| !f.as_os_str().is_empty());
        let folder = folder.unwrap_or(Path::new(".")).to_owned();
        match fs::read_link(&path) {
            Ok(to) => path = folder.join(to),
            Err(_) => {
                let folder = folder.canonicalize().unwrap_or(folder);
                return folder.join(path.file_name().unwrap_or_default());
            }
        }
    }
    path
}

#[derive(Debug)]
struct Known {
    what: &'static str,
    path: PathBuf,
    identity: Identity,
}

/// What a command reads and writes.
#[derive(Debug, Default)]
pub(crate) struct Files(Vec<Known>);

impl Files {
    /// It reads this.
    pub(crate) fn read(&mut self, what: &'static str, path: Option<&Path>) {
        if let Some(path) = path.filter(|p| *p != Path::new("-")) {
            self.note(what, path.to_owned());
        }
    }

    /// It keeps its tickets here, and SQLite what it needs beside.
    pub(crate) fn tickets(&mut self, path: &Path) -> Result<(), Failure> {
        self.write("the file of tickets", Some(path))?;
        for beside in ["-journal", "-wal", "-shm"] {
            let mut name = path.as_os_str().to_owned();
            name.push(beside);
            self.note("what belongs to the file of tickets", PathBuf::from(name));
        }
        Ok(())
    }

    /// It writes this.
    ///
    /// # Errors
    /// When that would replace something it reads or writes.
    pub(crate) fn write(&mut self, what: &'static str, path: Option<&Path>) -> Result<(), Failure> {
        let Some(path) = path.filter(|p| *p != Path::new("-")) else {
            return Ok(());
        };
        let identity = Identity::of(path);
        // Nothing is replaced in /dev/null.
        let is_device = is_character_device(path);
        let other = self.0.iter().find(|k| k.identity == identity);
        if let Some(other) = other.filter(|_| !is_device) {
            let (path, known) = (path.display(), other.path.display());
            let is = match path.to_string() == known.to_string() {
                true => String::new(),
                false => format!(" (the same file as {known})"),
            };
            return Err(Failure::wrong(format!(
                "{path}{is}: {what} would replace {}: give each a file of its own",
                other.what
            )));
        }
        self.note(what, path.to_owned());
        Ok(())
    }

    fn note(&mut self, what: &'static str, path: PathBuf) {
        let identity = Identity::of(&path);
        self.0.push(Known {
            what,
            path,
            identity,
        });
    }
}

#[cfg(unix)]
fn is_character_device(path: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt;
    fs::metadata(path).is_ok_and(|m| m.file_type().is_char_device())
}

#[cfg(not(unix))]
fn is_character_device(_: &Path) -> bool {
    false
}

/// True for a file on a disk, not a pipe or a device.
pub(crate) fn is_plain_file(file: &File) -> bool {
    file.metadata().is_ok_and(|m| m.is_file())
}

fn begins_with(path: &Path, with: &[u8]) -> bool {
    let mut bytes = vec![0; with.len()];
    let read = File::open(path).and_then(|mut file| file.read_exact(&mut bytes));
    read.is_ok() && bytes == with
}

/// True for a file that is empty, or begins as a recording does.
pub(crate) fn holds_a_recording(path: &Path) -> bool {
    fs::metadata(path).is_ok_and(|m| m.is_file() && m.len() == 0)
        // Before 0.2 a header did not say that it is one.
        || begins_with(path, b"{\"type\":\"header\",\"schema\":\"payrig-recording\"")
        || begins_with(path, b"{\"schema\":\"payrig-recording\"")
}

/// What may not be replaced by a report, whoever asks.
fn is_precious(path: &Path) -> Option<&'static str> {
    match fs::metadata(path) {
        Ok(metadata) if metadata.is_file() && metadata.len() > 0 => {}
        _ => return None,
    }
    if begins_with(path, SQLITE) {
        Some("a database")
    } else if holds_a_recording(path) {
        Some("a recording")
    } else {
        None
    }
}

/// What is wrong with a file that cannot be written.
pub(crate) fn unwritable(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let advice = "check that the folder exists and may be written";
    let what = format_args!("cannot be written: {error}; {advice}");
    Failure::wrong(Problem::of_file(path, what).advise(Some(advice)))
}

/// Looks whether a report can be written, and leaves its file as it is: one that is not there is made
/// and taken away again.
///
/// # Errors
/// When it cannot be written, or holds what no report replaces.
pub(crate) fn can_be_written(path: &Path) -> Result<(), Failure> {
    let wrong = |error: io::Error| unwritable(path, &error);
    if let Some(what) = is_precious(path) {
        let path = path.display();
        return Err(Failure::wrong(format!(
            "{path}: is {what}, which no report replaces: name another file"
        )));
    }
    match File::create_new(path) {
        Ok(_) => fs::remove_file(path).map_err(wrong),
        // A pipe waits for whoever reads it: it is opened once there is something to write.
        Err(_) if fs::metadata(path).is_ok_and(|m| !m.is_file() && !m.is_dir()) => Ok(()),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            // A link to nowhere is there and is not.
            let open = File::options().append(true).open(path);
            match open {
                Err(error) if error.kind() == io::ErrorKind::NotFound => {
                    let real = without_links(path);
                    File::create_new(&real).map_err(wrong)?;
                    fs::remove_file(&real).map_err(wrong)
                }
                open => open.map(|_| ()).map_err(wrong),
            }
        }
        Err(error) => Err(wrong(error)),
    }
}

/// Writes a report: beside its place first, then there, so that what was there before is replaced by
/// a whole one or not at all.
///
/// # Errors
/// When it cannot be written; what was there before still is.
pub(crate) fn write_whole<E: std::fmt::Display>(
    path: &Path,
    writer: impl FnOnce(&mut BufWriter<File>) -> Result<(), E>,
) -> Result<(), Failure> {
    can_be_written(path)?;
    let wrong = |error: &dyn std::fmt::Display| unwritable(path, error);
    // Where links lead: the link stays what it is. That of a pipe (/dev/stdout) leads to no path.
    let place = match fs::metadata(path) {
        Ok(metadata) if !metadata.is_file() => path.to_owned(),
        _ => without_links(path),
    };
    let there = fs::metadata(&place).ok();
    let beside = match &there {
        // A pipe, a device.
        Some(metadata) if !metadata.is_file() => None,
        _ => beside(&place).map_err(|e| wrong(&e))?,
    };
    let Some((new, file)) = beside else {
        // In a folder that takes no new file, or through a pipe.
        let mut out = BufWriter::new(File::create(&place).map_err(|e| wrong(&e))?);
        writer(&mut out).map_err(|e| wrong(&e))?;
        return out.flush().map_err(|e| wrong(&e));
    };
    let put = || -> Result<(), Failure> {
        let mut out = BufWriter::new(file);
        writer(&mut out).map_err(|e| wrong(&e))?;
        let file = out.into_inner().map_err(|e| wrong(&e.into_error()))?;
        if let Some(there) = &there {
            file.set_permissions(there.permissions())
                .map_err(|e| wrong(&e))?;
        }
        file.sync_all().map_err(|e| wrong(&e))?;
        fs::rename(&new, &place).map_err(|e| wrong(&e))?;
        sync_name(&place);
        Ok(())
    };
    put().inspect_err(|_| {
        let _ = fs::remove_file(&new);
    })
}

/// Makes the name that a file has now last: after a power cut it would be without it, however often it
/// was synced itself. Not every file system can, or has to.
pub(crate) fn sync_name(path: &Path) {
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty());
    if let Ok(folder) = File::open(folder.unwrap_or(Path::new("."))) {
        let _ = folder.sync_all();
    }
}

/// A new file beside another; none where the folder takes none and the other is there.
fn beside(place: &Path) -> io::Result<Option<(PathBuf, File)>> {
    let name = place.file_name().unwrap_or_default().to_string_lossy();
    // A name has 255 bytes at most.
    let name: String = name.chars().take(50).collect();
    let process = std::process::id();
    for number in 0..1_000_u32 {
        let new = place.with_file_name(format!(".{name}.{process}-{number}.payrig"));
        match File::create_new(&new) {
            Ok(file) => return Ok(Some((new, file))),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) if error.kind() == io::ErrorKind::PermissionDenied && place.exists() => {
                return Ok(None);
            }
            Err(error) => return Err(error),
        }
    }
    Err(io::ErrorKind::AlreadyExists.into())
}

/// Opens a file to read it.
///
/// # Errors
/// What the system says.
pub(crate) fn reader(path: &Path) -> io::Result<BufReader<File>> {
    Ok(BufReader::new(File::open(path)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(files: &mut Files, path: &Path) -> bool {
        files.write("a report", Some(path)).is_err()
    }

    #[test]
    fn one_file_is_known_by_all_its_names() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::write(at("it"), "x").unwrap();
        fs::create_dir(at("sub")).unwrap();
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink("it", at("soft")).unwrap();
            std::os::unix::fs::symlink("soft", at("softer")).unwrap();
            std::os::unix::fs::symlink("not-yet", at("dangling")).unwrap();
        }
        fs::hard_link(at("it"), at("hard")).unwrap();
        for name in ["it", "./it", "sub/../it", "hard", "soft", "softer"] {
            let mut files = Files::default();
            files.read("the rig", Some(&at("it")));
            assert!(refused(&mut files, &at(name)), "{name}");
        }
        for name in ["not-yet", "sub/../not-yet", "dangling"] {
            let mut files = Files::default();
            assert!(!refused(&mut files, &at("not-yet")));
            assert!(refused(&mut files, &at(name)), "{name}");
        }
        let mut files = Files::default();
        files.tickets(&at("db")).unwrap();
        assert!(refused(&mut files, &at("db-wal")));
        assert!(!refused(&mut files, &at("other")));
        for _ in 0..2 {
            assert!(!refused(&mut files, Path::new("/dev/null")));
            assert!(!refused(&mut files, Path::new("-")));
        }
    }

    #[test]
    fn a_report_that_fails_leaves_what_was_there() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("it.html");
        let write = |text: &'static str, fails: bool| {
            write_whole(&path, |out| {
                out.write_all(text.as_bytes())?;
                match fails {
                    true => Err(io::Error::other("broken")),
                    false => Ok(()),
                }
            })
        };
        write("one", false).unwrap();
        assert!(write("two", true).is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), "one");
        write("three", false).unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "three");
        assert_eq!(
            fs::read_dir(folder.path()).unwrap().count(),
            1,
            "nothing left"
        );
        for precious in [
            &b"SQLite format 3\0"[..],
            b"{\"schema\":\"payrig-recording\",\"version\":1}",
            b"{\"type\":\"header\",\"schema\":\"payrig-recording\",\"version\":2}",
        ] {
            fs::write(&path, precious).unwrap();
            assert!(write("four", false).is_err());
            assert_eq!(fs::read(&path).unwrap(), precious);
        }
    }
}
