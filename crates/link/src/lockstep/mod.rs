//! Lock-step: a bench and a peer that knows nothing of real time take turns, and both run as fast as they
//! can. Nobody waits for a clock; times are exact.
//!
//! The lines they say to each other are in `docs/src/lockstep.md`, byte for byte. A [`Session`] holds the two
//! together: it moves a wire between them along in bench time, and gives the peer its turns. [`run_lockstep`]
//! drives a whole bench over one; an examination takes it as a cable.

mod error;
mod line;
mod run;
mod session;
mod stream;

pub use error::PeerError;
pub use line::{MAX_LINE, PeerLine, VERSION, WrongLine, parse_line};
pub use run::{PeerLines, run_lockstep, run_lockstep_attended};
pub use session::{AHEAD, Answer, Happened, MOST_QUIET, Session, TURN_BYTES};
pub use stream::{PeerAddress, PeerStream, SILENCE, Started};

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod tests;
