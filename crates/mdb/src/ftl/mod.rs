//! File transport layer, shared by all devices (MDB/ICP 4.3, section 2.6).
//!
//! - [`Message`]: the five messages, as sub-commands of EXPANSION (address | 7, FAH-FEH) and as
//!   responses (1BH-1FH), 2.6.4;
//! - [`Transfer`]: one side of a transfer, sending or receiving, as a state machine (2.6.1, 2.6.3);
//! - [`Station`]: one end of transfers, one after the other: what is given, taken, denied;
//! - [`Router`]: the controller's mailbox between two peripherals (2.6.2).

#[cfg(test)]
mod conversations;
mod fields;
mod message;
mod router;
mod station;
mod transfer;

pub use fields::{Chunk, Control, FileId};
pub use message::{Message, RETRY_NEVER, RETRY_UNSUPPORTED, command_length};
pub use router::{Routed, Router};
pub use station::{FileError, ReceivedFile, Station};
pub use transfer::{Outcome, TooLong, Transfer, Unexpected};

/// How often a refused message is tried in all before the transfer is aborted (section 2.6.2).
pub const ATTEMPTS: u8 = 5;

/// Blocks in the longest file of one session, numbered 0 to 255 (section 2.6.3).
pub const MAX_BLOCKS: usize = 256;
