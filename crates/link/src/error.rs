//! What can go wrong with a link, and what to do about it.

use payrig_units::Micros;
use std::io;

/// A link failed. Every message says what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LinkError {
    /// There is no such port.
    #[error("there is no port '{port}': plug the adapter in, or choose one that is there")]
    NotFound {
        /// As given.
        port: String,
    },
    /// Another program holds the port.
    #[error("port '{port}' is in use by another program: close that program, then try again")]
    Busy {
        /// As given.
        port: String,
    },
    /// The user may not open the port.
    #[error(
        "no permission to open port '{port}': add yourself to the group that owns it \
         ('ls -l {port}' shows it, often dialout), then log in again"
    )]
    NoPermission {
        /// As given.
        port: String,
    },
    /// The path is something else.
    #[error("'{port}' is not a serial port: choose one that is")]
    NotASerialPort {
        /// As given.
        port: String,
    },
    /// The system has a name for it and nothing behind it.
    #[error("port '{port}' has a name but no hardware behind it: choose another")]
    NoHardware {
        /// As given.
        port: String,
    },
    /// The adapter was unplugged, or its driver gave up.
    #[error(
        "port '{port}' has vanished: check plug and cable; a link that is to reconnect (`reconnect` in a rig) \
         goes on when the same adapter is back"
    )]
    Vanished {
        /// As given.
        port: String,
    },
    /// The program at the other end of a pseudo-terminal has closed it.
    #[error(
        "the program at the other end of '{port}' has closed it: find out why there, then run again"
    )]
    Left {
        /// As given.
        port: String,
    },
    /// Nobody opened the other end of a pseudo-terminal.
    #[error("nobody opened '{port}' within {within}: connect the subject there, then run again")]
    Nobody {
        /// As given.
        port: String,
        /// How long it was waited for.
        within: Micros,
    },
    /// The same adapter did not come back in time.
    #[error("the adapter of port '{port}' did not come back: check plug and cable, then run again")]
    NotBack {
        /// As given.
        port: String,
    },
    /// The adapter or its driver cannot do what a nine-bit bus needs.
    #[error(
        "port '{port}' cannot {what}: take another adapter; a probe of this one says what it can do"
    )]
    Incapable {
        /// As given.
        port: String,
        /// "switch parity between words".
        what: &'static str,
    },
    /// This build cannot do it.
    #[error("{what} is not built in on this operating system: {instead}")]
    NotOnThisSystem {
        /// What was asked for.
        what: &'static str,
        /// What to do instead.
        instead: &'static str,
    },
    /// The port's thread is gone.
    #[error("the thread serving port '{port}' has ended: open the link again")]
    Ended {
        /// As given.
        port: String,
    },
    /// The path of one's choosing for a pseudo-terminal cannot be had.
    #[error("no link to the pseudo-terminal can be put at '{path}': {why}")]
    LinkAt {
        /// As given.
        path: String,
        /// What the system says, or what is there.
        why: String,
    },
    /// A peer in lock-step failed.
    #[error(transparent)]
    Peer(#[from] crate::lockstep::PeerError),
    /// Anything else the system says.
    #[error("port '{port}': {doing} failed: {source}")]
    Io {
        /// As given.
        port: String,
        /// "reading".
        doing: &'static str,
        /// The system's words.
        source: io::Error,
    },
}

impl LinkError {
    /// From what the system said while `doing` something with `port`.
    #[must_use]
    pub fn from_io(port: &str, doing: &'static str, source: io::Error) -> Self {
        let port = port.to_owned();
        // Numbers of errno(3) that std has no kind for; they are the same on every Linux.
        match (source.kind(), source.raw_os_error()) {
            (io::ErrorKind::NotFound, _) => Self::NotFound { port },
            (io::ErrorKind::PermissionDenied, _) => Self::NoPermission { port },
            (io::ErrorKind::ResourceBusy, _) => Self::Busy { port },
            (io::ErrorKind::NotConnected, _) => Self::Vanished { port },
            #[cfg(all(target_os = "linux", feature = "linux"))]
            (_, Some(code)) if crate::linux::means_vanished(code) => Self::Vanished { port },
            #[cfg(all(target_os = "linux", feature = "linux"))]
            (_, Some(code)) if crate::linux::means_no_terminal(code) => {
                Self::NotASerialPort { port }
            }
            _ => Self::Io {
                port,
                doing,
                source,
            },
        }
    }

    /// True when the adapter is gone and may come back.
    #[must_use]
    pub const fn is_vanished(&self) -> bool {
        matches!(self, Self::Vanished { .. })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the system says becomes what to do.
    #[test]
    fn each_error_names_the_port_and_what_to_do() {
        for (kind, says) in [
            (io::ErrorKind::NotFound, "choose one that is there"),
            (io::ErrorKind::PermissionDenied, "group"),
            (io::ErrorKind::ResourceBusy, "another program"),
            (io::ErrorKind::NotConnected, "reconnect"),
            (io::ErrorKind::TimedOut, "reading failed"),
        ] {
            let error = LinkError::from_io("/dev/ttyX", "reading", kind.into());
            let text = error.to_string();
            assert!(
                text.contains("/dev/ttyX") && text.contains(says),
                "{kind}: {text}"
            );
            let vanished = kind == io::ErrorKind::NotConnected;
            assert_eq!(error.is_vanished(), vanished);
        }
    }
}
