//! File transport layer, shared by all devices (MDB/ICP 4.3, section 2.6).
//!
//! - [`Message`]: the five messages, as sub-commands of EXPANSION (address | 7, FAH-FEH) and as
//!   responses (1BH-1FH), 2.6.4.

mod fields;
mod message;

pub use fields::{Chunk, Control, FileId};
pub use message::{Message, RETRY_NEVER, RETRY_UNSUPPORTED, command_length};
