//! An emulated bill validator / recycler (MDB/ICP 4.3, section 6).
//!
//! [`BillValidator`] is a [`crate::Device`]: commands and times in, answers, movements of money
//! and deadlines out. What a person does at it are methods of [`BillValidator`] (`insert_bill`,
//! `jam`, `remove_cash_box`, `customer_takes_bill`, ...), all of them taking `now`. What it is
//! comes from a [`BillConfig`]; where it shall deviate from the standard, from [`Quirks`].
//!
//! A bill's way: the customer's hand, the path up to the escrow position (both are
//! [`payrig_units::Place::Escrow`]), then the stacker, a recycler store, or the inlet and the
//! customer again. Every step is one [`payrig_units::Movement`].
//!
//! ```
//! use payrig_mdb::bill::{BillTypes, Command};
//! use payrig_peripherals::bill::{BillConfig, BillValidator, Insertion, Quirks};
//! use payrig_peripherals::{Device, Reply};
//! use payrig_units::Micros;
//!
//! let mut validator = BillValidator::new(BillConfig::default(), Quirks::default())?;
//! validator.wake(Micros::secs(1));
//! let accept = Command::BillType { enable: BillTypes::ALL, escrow: BillTypes::ALL };
//! assert_eq!(validator.command(Micros::secs(1), &accept.emit()), Reply::Ack);
//! assert_eq!(validator.insert_bill(Micros::secs(2), 0), Insertion::DrawnIn);
//! validator.wake(Micros::secs(8));
//! assert!(validator.holds_in_escrow());
//! # Ok::<(), payrig_peripherals::bill::BillConfigError>(())
//! ```

mod acts;
mod commands;
mod config;
mod device;
mod faults;
mod holdings;
mod motion;
mod path;
mod payout;
mod quirks;
mod reports;
mod service;
mod validator;

#[cfg(test)]
mod tests;

pub use acts::{Insertion, Refusal};
pub use config::{BillConfig, BillConfigError, BillKind, RecyclerStore, Travel, WhileMoving};
pub use faults::{DispenserFault, Fault};
pub use quirks::Quirks;
pub use validator::BillValidator;
