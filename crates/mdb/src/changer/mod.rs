//! Coin changer, address 08H (MDB/ICP 4.3, section 5), feature levels 2 and 3.
//!
//! [`Command`] is what the VMC says, [`Response`] what the changer answers with data; a changer
//! with nothing to say answers with a bare ACK, which is not a block and so not a `Response`.
//!
//! ```
//! use payrig_mdb::changer::{CoinType, Command, DispenseCount, Report, Response, Routing, Status};
//!
//! // Board to changer: pay out two coins of type 1. A block is without its CHK.
//! let dispense = Command::Dispense { coin_type: CoinType::of(1), coins: DispenseCount::saturating(2) };
//! assert_eq!(dispense.emit().bytes(), [0x0D, 0x21]);
//! assert_eq!(Command::parse(&[0x0D, 0x21]), Ok(dispense));
//!
//! // Changer to board, in answer to POLL.
//! let answer = Response::parse(&Command::Poll, &[0x01, 0x52, 0x1A])?;
//! let lever = Report::Status(Status::EscrowRequest);
//! let coin = Report::CoinsDeposited { coin_type: CoinType::of(2), routing: Routing::Tubes, in_tube: 26 };
//! assert_eq!(answer, Response::Poll(vec![lever, coin]));
//! assert_eq!(answer.emit().bytes(), [0x01, 0x52, 0x1A]);
//! # Ok::<(), payrig_mdb::ParseError>(())
//! ```

mod command;
mod diagnostic;
mod features;
mod identification;
mod per_type;
mod report;
mod response;
mod setup;
mod tube_status;
mod types;

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;

pub use command::{Command, length};
pub use diagnostic::DiagnosticCode;
pub use features::Features;
pub use identification::Identification;
pub use per_type::PerType;
pub use report::{Report, Routing, Status};
pub use response::Response;
pub use setup::{CoinCredit, Setup, TOKEN};
pub use tube_status::TubeStatus;
pub use types::{CoinType, CoinTypes, DispenseCount, ManualCount, SlugCount, UpTo};

use payrig_units::Micros;

/// How long a changer may leave the VMC without an answer (section 5.4).
pub const NON_RESPONSE: Micros = Micros::secs(2);

/// How long some changers in the field need between a reset and the first TUBE STATUS (section
/// 5.3, RESET, note 1).
pub const TUBE_STATUS_DELAY: Micros = Micros::ms(500);

/// The most bytes a POLL answer or a diagnostic answer may have, CHK not included (section 5.3).
pub const MAX_ACTIVITY: usize = 16;
