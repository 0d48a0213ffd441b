//! An emulated cashless device (MDB/ICP 4.3, section 7).
//!
//! [`CashlessDevice`] is built from a [`CashlessConfig`], answers commands as a
//! [`Device`](crate::Device), and is acted on by the person at the machine: see its methods.
//!
//! ```
//! use payrig_mdb::cashless::{Command, Kind, Level, Mode, Report, Response, Unit};
//! use payrig_peripherals::cashless::{CashlessConfig, CashlessDevice, CashlessState};
//! use payrig_peripherals::{Device, Reply};
//! use payrig_units::Micros;
//!
//! let mut reader = CashlessDevice::new(CashlessConfig::default());
//! let mode = Mode::level(Level::ONE);
//! let poll = Command::new(Unit::One, Kind::Poll);
//! let Reply::Data(block) = reader.command(Micros::secs(1), &poll.emit(&mode)) else { panic!() };
//! let answer = Response::parse(&poll, block.bytes(), &mode)?;
//! assert_eq!(answer.reports(), [Report::JustReset]);
//! reader.acknowledged(Micros::secs(1));
//! assert_eq!(reader.state(), CashlessState::Inactive);
//! # Ok::<(), payrig_mdb::ParseError>(())
//! ```
//!
//! # Where the money is
//! - A card that is presented brings its balance: supply to card account. A card whose balance is
//!   not known brings nothing and its account goes below zero: it is billed later.
//! - A vend moves card account to receipts when VEND APPROVED is sent: section 7.4.5 calls its
//!   amount the amount deducted, and examples 5 and 5A of section 7.7 deduct before approving.
//!   VEND FAILURE (7.4.8), and VEND CANCEL when it crosses VEND APPROVED (7.4.6), move it back.
//!   A refund that cannot be made leaves the money in the receipts and is reported as
//!   MALFUNCTION/ERROR 1100yyyy.
//! - With the basket option, what was approved and not reported as dispensed goes back when the item
//!   count reaches zero (7.7, examples 15 to 17d).
//! - A reset, or loss of power or communication, after VEND APPROVED counts as VEND SUCCESS (7.4.7,
//!   note); of a basket, what was reported as failed goes back (7.4.8). A VEND APPROVED that no one
//!   acknowledged is taken back (7.4.1: credit adjustment where appropriate; the standard does not
//!   say more).
//! - A negative vend moves receipts to card account at VEND SUCCESS, never before (7.4.11), and so
//!   not at a reset. A revalue moves it when REVALUE APPROVED is sent (7.4.18).
//! - A coupon that was used is paid by its issuer: supply to customer to receipts.
//!
//! # When the VMC is out of step
//! COMMAND OUT OF SEQUENCE is the last resort (Appendix 3, section 4). A command repeated because
//! its ACK was lost does nothing twice. SESSION COMPLETE without a session is ignored. READER
//! ENABLE / DISABLE, max / min prices, time, CASH SALE and file transfers are taken in any state.

mod config;
mod device;
mod outbox;
mod quirks;
mod state;

#[cfg(test)]
mod tests;

pub use config::{Answers, CashlessConfig, Policy, WhileBusy};
pub use device::{Card, CashlessDevice, Coupon};
pub use quirks::Quirks;
pub use state::CashlessState;
