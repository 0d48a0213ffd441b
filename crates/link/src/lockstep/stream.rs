//! Where a peer is: a program that payrig starts, on its standard input and output, or one that listens at
//! a Unix socket.

use super::error::PeerError;
use std::fmt;
use std::io;
use std::process::Child;
use std::str::FromStr;
use std::time::Duration;

/// How long a peer may be silent in its turn before it is called dead: by the clock, and long enough for a
/// program that is being looked at in a debugger's absence.
pub const SILENCE: Duration = Duration::from_secs(60);

/// How often it is looked, while a peer is waited for, whether the run is to end.
#[cfg(unix)]
const LOOK: Duration = Duration::from_millis(100);

/// How long a peer has to end after `Q` before it is ended.
const LEAVE: Duration = Duration::from_secs(2);

/// The two ways of a peer.
pub trait PeerStream: fmt::Debug + Send {
    /// Reads some; `WouldBlock` or `TimedOut` when nothing came for a moment.
    ///
    /// # Errors
    /// As of [`io::Read`].
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize>;

    /// Writes all.
    ///
    /// # Errors
    /// As of [`io::Write`].
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;
}

/// Where a peer is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PeerAddress {
    /// A command, for the shell.
    Command(String),
    /// The path of a Unix socket at which it listens.
    Socket(String),
}

impl FromStr for PeerAddress {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text.strip_prefix("unix:") {
            Some("") => Err("a path must follow unix:"),
            Some(path) => Ok(Self::Socket(path.to_owned())),
            None if text.trim().is_empty() => Err("a command, or unix:PATH"),
            None => Ok(Self::Command(text.to_owned())),
        }
    }
}

impl fmt::Display for PeerAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Command(command) => f.write_str(command),
            Self::Socket(path) => write!(f, "unix:{path}"),
        }
    }
}

/// A peer that was started or reached.
#[derive(Debug)]
pub struct Started {
    /// What messages call it.
    pub(super) name: String,
    pub(super) stream: Box<dyn PeerStream>,
    /// The program, where it is ours.
    child: Option<Child>,
}

impl Started {
    /// A peer at the other end of a stream.
    #[must_use]
    pub fn over(name: &str, stream: Box<dyn PeerStream>) -> Self {
        Self {
            name: name.to_owned(),
            stream,
            child: None,
        }
    }

    /// Starts a program, or reaches one. A program gets a process group of its own, so that Ctrl-C at the
    /// terminal ends the run in order, and its standard error is ours.
    ///
    /// # Errors
    /// When it cannot be started or reached.
    #[cfg(unix)]
    pub fn at(address: &PeerAddress) -> Result<Self, PeerError> {
        use std::os::fd::OwnedFd;
        use std::os::unix::net::UnixStream;
        use std::os::unix::process::CommandExt;
        use std::process::{Command, Stdio};

        let name = format!("the peer '{address}'");
        let failed = |why: io::Error| PeerError::Start {
            peer: name.clone(),
            why: why.to_string(),
        };
        let (stream, child) = match address {
            PeerAddress::Socket(path) => (UnixStream::connect(path).map_err(failed)?, None),
            PeerAddress::Command(command) => {
                let (own, its) = UnixStream::pair().map_err(failed)?;
                let input = OwnedFd::from(its.try_clone().map_err(failed)?);
                let child = Command::new("sh")
                    .arg("-c")
                    .arg(command)
                    .stdin(Stdio::from(input))
                    .stdout(Stdio::from(OwnedFd::from(its)))
                    .process_group(0)
                    .spawn()
                    .map_err(failed)?;
                (own, Some(child))
            }
        };
        stream.set_read_timeout(Some(LOOK)).map_err(failed)?;
        stream.set_write_timeout(Some(SILENCE)).map_err(failed)?;
        Ok(Self {
            name: name.clone(),
            stream: Box::new(stream),
            child,
        })
    }

    /// # Errors
    /// On a system without Unix sockets: always.
    #[cfg(not(unix))]
    pub fn at(address: &PeerAddress) -> Result<Self, PeerError> {
        Err(PeerError::Start {
            peer: format!("the peer '{address}'"),
            why: "lock-step needs a system with Unix sockets".to_owned(),
        })
    }

    /// How it ended, for a message: it has closed its side, and its exit code follows at once or never.
    pub(super) fn ending(&mut self) -> String {
        let Some(child) = &mut self.child else {
            return String::new();
        };
        match left(child, LEAVE) {
            Some(status) => format!(", with {status}"),
            None => ", or at least closed its output".to_owned(),
        }
    }

    /// It has been told that it is over: it ends, or is ended.
    pub(super) fn leave(&mut self) {
        if let Some(mut child) = self.child.take()
            && left(&mut child, LEAVE).is_none()
        {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    /// It hangs: nobody waits for it.
    pub(super) fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// Waits a while for a program to end.
fn left(child: &mut Child, patience: Duration) -> Option<std::process::ExitStatus> {
    let pause = Duration::from_millis(5);
    let mut waited = Duration::ZERO;
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return Some(status),
            Ok(None) if waited < patience => {
                std::thread::sleep(pause);
                waited += pause;
            }
            Ok(None) | Err(_) => return None,
        }
    }
}

#[cfg(unix)]
impl PeerStream for std::os::unix::net::UnixStream {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        io::Read::read(self, buffer)
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        io::Write::write_all(self, bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_or_a_socket() {
        let read = |text: &str| text.parse::<PeerAddress>();
        assert_eq!(
            read("./board -v"),
            Ok(PeerAddress::Command("./board -v".to_owned()))
        );
        assert_eq!(
            read("unix:/tmp/b"),
            Ok(PeerAddress::Socket("/tmp/b".to_owned()))
        );
        assert!(read("unix:").is_err() && read("  ").is_err());
        assert_eq!(read("unix:/tmp/b").unwrap().to_string(), "unix:/tmp/b");
    }
}
