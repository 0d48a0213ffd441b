//! What a peer can do wrong, and what to do about it.

use super::line::WrongLine;
use payrig_units::Micros;
use std::io;

/// A peer in lock-step failed. Every message says where, and what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PeerError {
    /// The command did not start, or nobody listens at the socket.
    #[error("{peer} cannot be started: {why}: check its command or path")]
    Start {
        /// Command or path.
        peer: String,
        /// What the system says.
        why: String,
    },
    /// It has ended, or closed its side.
    #[error(
        "{peer} ended at {at} of bench time{how}: it must answer every turn until it reads Q (see the guide, \
         \"Lock-step\")"
    )]
    Ended {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
        /// ", with exit code 1", ", in the middle of a line".
        how: String,
    },
    /// It has not said anything for too long.
    #[error(
        "{peer} has been silent for {seconds} s in its turn at {at} of bench time: it ends a turn with N or R, \
         and flushes its output then"
    )]
    Silent {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
        /// How long it was waited for, by the clock.
        seconds: u64,
    },
    /// The run was ended while it was waited for.
    #[error("{peer} was waited for at {at} of bench time when the end was asked for")]
    Stopped {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
    },
    /// It said more in one turn than anybody can mean.
    #[error(
        "{peer} said more than {bytes} bytes in its turn at {at} of bench time: it ends a turn with N or R"
    )]
    Floods {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
        /// The limit.
        bytes: usize,
    },
    /// A line that cannot be read.
    #[error("{peer}, turn at {at} of bench time, line '{line}': {why}")]
    Line {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
        /// The line, its control characters escaped.
        line: String,
        /// What was expected.
        why: WrongLine,
    },
    /// A line that can be read, and that says what cannot be.
    #[error("{peer}, turn at {at} of bench time, line '{line}': {why}")]
    Turn {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
        /// The line, its control characters escaped.
        line: String,
        /// What is wrong with it.
        why: String,
    },
    /// It ended its turn without answering what it was asked.
    #[error(
        "{peer} ended its turn at {at} of bench time without an answer to '{asked}': every A and every ? is \
         answered with = or !, in order, in the same turn"
    )]
    Unanswered {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
        /// What it was asked.
        asked: String,
    },
    /// It has a version of its own.
    #[error("{peer} speaks version {version} of lock-step, this tool speaks {ours}")]
    Version {
        /// Command or path.
        peer: String,
        /// Its version.
        version: u64,
        /// Ours.
        ours: u64,
    },
    /// Anything else the system says.
    #[error("{peer}: {doing} failed at {at} of bench time: {source}")]
    Io {
        /// Command or path.
        peer: String,
        /// Bench time.
        at: Micros,
        /// "writing".
        doing: &'static str,
        /// The system's words.
        source: io::Error,
    },
}
