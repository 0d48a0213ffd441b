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
