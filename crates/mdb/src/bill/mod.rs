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
