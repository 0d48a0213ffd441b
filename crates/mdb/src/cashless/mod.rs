//! Cashless device messages (MDB/ICP 4.3, section 7): what travels between the VMC and cashless
//! device 1 (10H) or 2 (60H).
//!
//! The same code means different byte counts at different levels and options, so everything that
//! parses or emits takes a [`Mode`]; [`Negotiation`] follows a conversation and knows the mode.
//!
//! - [`Command`] = which [`Unit`] and which [`Kind`] of command;
//! - [`Response`] = one or more [`Report`]s in one block (7.3.1); the codes are the same whether
//!   the device answers at once or at a later POLL;
//! - amounts are counts as they travel (scaled, 7.4.2), `u32` in every mode. A field that is
//!   "not known" when all its bits are set is an `Option`, `None` for all bits set, whatever its
//!   width. In 16 bit modes an amount too large for the field is sent as the largest that fits
//!   and is not "not known": FFFEH for such a field, FFFFH otherwise.
//!
//! ```
//! use payrig_mdb::cashless::{Command, Kind, Level, Mode, Report, Response, Unit};
//!
//! let mode = Mode::level(Level::ONE);
//! let poll = Command::new(Unit::One, Kind::Poll);
//! assert_eq!(poll.emit(&mode).bytes(), [0x12]);
//!
//! // 75 counts of the scaling factor are deducted.
//! let answer = Response::parse(&poll, &[0x05, 0x00, 0x4B], &mode)?;
//! assert_eq!(answer.reports(), [Report::VendApproved { amount: Some(75), options_amount: None }]);
//! // All bits set: a token pays.
//! let token = Response::parse(&poll, &[0x05, 0xFF, 0xFF], &mode)?;
//! assert_eq!(token.reports(), [Report::VendApproved { amount: None, options_amount: None }]);
//! # Ok::<(), payrig_mdb::ParseError>(())
//! ```

mod command;
mod config;
mod identity;
mod item_options;
mod length;
mod mode;
mod money;
mod negotiation;
mod report;
mod response;
mod session;
mod show;
mod time;
mod vend;

#[cfg(test)]
mod samples;
#[cfg(test)]
mod tests;

pub use command::{Command, Kind};
pub use config::{PriceRange, ReaderConfig, VmcConfig};
pub use identity::{Identification, PeripheralId};
pub use item_options::ItemOptions;
pub use length::{length, length_in};
pub use mode::{Level, Mode, Options, Unit};
pub use negotiation::Negotiation;
pub use report::{Malfunction, Report, State};
pub use response::Response;
pub use session::{BeginSession, CouponReport, PaymentMedia, SelectionRequest, UserSettings};
pub use time::TimeDate;
pub use vend::{
    BasketRequest, BasketResult, CashSale, CashSaleDetail, CouponReply, Dispensed, FailureDetail,
    Reason, VendFailure, VendRequest, VendSuccess,
};
