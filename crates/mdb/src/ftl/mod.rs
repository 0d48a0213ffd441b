//! File transport layer, shared by all devices (MDB/ICP 4.3, section 2.6).
//!
//! - [`Message`]: the five messages, as sub-commands of EXPANSION (address | 7, FAH-FEH) and as
//!   responses (1BH-1FH), 2.6.4;
//! - [`Transfer`]: one side of a transfer, sending or receiving, as a state machine (2.6.1, 2.6.3);
//! - [`Station`]: one end of transfers, one after the other: what is given, taken, denied;
//! - [`Router`]: the controller's mailbox between two peripherals (2.6.2).
//!
//! ```
//! use payrig_mdb::Address;
//! use payrig_mdb::ftl::{Control, FileId, Outcome, Transfer};
//!
//! // The board offers 40 bytes to the changer, which takes them.
//! let (board, changer) = (Address::VMC, Address::CHANGER);
//! let mut sender = Transfer::offer(board, changer, FileId::DTS, Control::default(), &[0x5A; 40])?;
//! let offer = sender.next().unwrap();
//! let mut receiver = Transfer::accept(&offer).unwrap();
//! sender.heard(&receiver.next().unwrap())?; // OK TO SEND
//! receiver.delivered();
//! while let Some(block) = sender.next() {
//!     receiver.heard(&block)?;
//!     sender.delivered();
//! }
//! assert_eq!(sender.outcome(), Some(Outcome::Complete));
//! assert_eq!(receiver.received(), [0x5A; 40]);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

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
