//! Bill validator / recycler messages (MDB/ICP 4.3, section 6).
//!
//! - [`Command`]: what the VMC says, with every sub-command of EXPANSION (6.2, 6.3);
//! - [`Response`]: the data a validator answers with ([`Setup`], [`Stacker`], [`Identification`],
//!   [`BillCounts`] ...); POLL is answered with up to 16 [`Report`]s;
//! - [`length`]: how long a command block is, from its first bytes.
//!
//! A validator's bare ACK carries no data and is [`crate::PeripheralFrame::Ack`], not a response.
//! No message of this section depends on a mode: levels and options only decide which of them may
//! be sent (2.4.4).
//!
//! ```
//! use payrig_mdb::bill::{BillTypes, Command, Report, Response, Routing};
//!
//! // Board to validator: accept types 0 and 2, hold type 2 in escrow.
//! let accept = Command::BillType {
//!     enable: BillTypes::NONE.with(0).with(2),
//!     escrow: BillTypes::NONE.with(2),
//! };
//! assert_eq!(accept.emit().bytes(), [0x34, 0x00, 0x05, 0x00, 0x04]);
//!
//! // Validator to board, in answer to POLL.
//! let answer = Response::parse(&Command::Poll, &[0x92])?;
//! assert_eq!(answer, Response::Poll(vec![Report::bill(Routing::EscrowPosition, 2)]));
//! assert!(!Routing::EscrowPosition.is_secure());
//! # Ok::<(), payrig_mdb::ParseError>(())
//! ```

mod command;
mod counts;
mod identification;
mod length;
mod report;
mod response;
mod setup;
mod types;

pub use command::Command;
pub use counts::{BillCounts, PayoutValue};
pub use identification::{Identification, Options};
pub use length::length;
pub use report::{MAX_REPORTS, Report, Routing};
pub use response::{Response, Stacker};
pub use setup::{BillValue, EscrowCapability, Setup};
pub use types::{BillTypes, EscrowAction, EscrowStatus, RecyclerUse};
