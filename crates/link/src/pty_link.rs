//! A path of one's choosing for a pseudo-terminal: a symbolic link to the one that the system gave, there as
//! long as the port is.

use crate::{BlockingPort, Clock, LinkError, PortEvent, Waker};
use payrig_units::Micros;
use payrig_wire::Transmission;
use std::io;
use std::path::{Path, PathBuf};

/// Where the system's pseudo-terminals are: a link to there may be one that was left behind.
const TERMINALS: &str = "/dev/pts/";

/// The link. It is removed when this goes, unless it is another one by then.
#[derive(Debug)]
struct PtyLink {
    path: PathBuf,
    target: PathBuf,
}

impl PtyLink {
    /// Puts a link to a terminal at a path. One that was left behind there is replaced: it leads to a terminal
    /// that is no more, or to this very one, whose number was given again. Nothing else is.
    fn make(path: &Path, target: &Path) -> io::Result<Self> {
        if let Ok(before) = std::fs::read_link(path)
            && before.starts_with(TERMINALS)
            && (before == target || !before.exists())
        {
            std::fs::remove_file(path)?;
        }
        symlink(target, path)?;
        Ok(Self {
            path: path.to_owned(),
            target: target.to_owned(),
        })
    }
}

impl Drop for PtyLink {
    fn drop(&mut self) {
        if std::fs::read_link(&self.path).is_ok_and(|target| target == self.target) {
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

#[cfg(unix)]
fn symlink(target: &Path, path: &Path) -> io::Result<()> {
    std::os::unix::fs::symlink(target, path)
}

#[cfg(not(unix))]
fn symlink(_: &Path, _: &Path) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

/// A pseudo-terminal that goes by the path of a link to it.
pub(crate) struct AtPath {
    name: String,
    port: Box<dyn BlockingPort>,
    _link: PtyLink,
}

impl AtPath {
    /// Puts a link to a port at a path.
    ///
    /// # Errors
    /// When something is there already that is none of ours, or the folder cannot be written.
    pub(crate) fn new(port: Box<dyn BlockingPort>, path: &Path) -> Result<Self, LinkError> {
        let target = port.name().to_owned();
        let name = path.to_string_lossy().into_owned();
        let link = PtyLink::make(path, Path::new(&target)).map_err(|source| LinkError::LinkAt {
            path: name.clone(),
            why: match source.kind() {
                io::ErrorKind::AlreadyExists => {
                    "something is there already, and it is left alone: remove it, or take another path"
                        .to_owned()
                }
                _ => source.to_string(),
            },
        })?;
        Ok(Self {
            name,
            port,
            _link: link,
        })
    }
}

impl BlockingPort for AtPath {
    fn name(&self) -> &str {
        &self.name
    }

    fn clock(&self) -> Clock {
        self.port.clock()
    }

    fn send(&mut self, transmission: Transmission, spent: Micros) {
        self.port.send(transmission, spent);
    }

    fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<PortEvent>, LinkError> {
        self.port.wait(until, waker)
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn only_what_was_left_behind_is_replaced_and_only_ours_is_removed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bus");
        let target = Path::new("/dev/pts/424242");
        // Left behind: to a terminal that is no more, and to this very one.
        for before in ["/dev/pts/424241", "/dev/pts/424242"] {
            symlink(Path::new(before), &path).unwrap();
            let link = PtyLink::make(&path, target).unwrap();
            assert_eq!(std::fs::read_link(&path).unwrap(), target);
            drop(link);
            assert!(std::fs::symlink_metadata(&path).is_err(), "removed");
        }
        // Somebody else's: a file, a link elsewhere, a terminal that is there.
        std::fs::write(&path, "a file").unwrap();
        assert!(PtyLink::make(&path, target).is_err());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "a file");
        for other in [
            folder.path(),
            Path::new("/dev/pts/ptmx"),
            Path::new("/nowhere"),
        ] {
            std::fs::remove_file(&path).unwrap();
            symlink(other, &path).unwrap();
            assert!(PtyLink::make(&path, target).is_err(), "{other:?}");
            assert_eq!(std::fs::read_link(&path).unwrap(), other);
        }
        // Made by us, and another one's by the time that we go.
        std::fs::remove_file(&path).unwrap();
        let link = PtyLink::make(&path, target).unwrap();
        std::fs::remove_file(&path).unwrap();
        symlink(Path::new("/nowhere"), &path).unwrap();
        drop(link);
        assert_eq!(std::fs::read_link(&path).unwrap(), Path::new("/nowhere"));
    }
}
