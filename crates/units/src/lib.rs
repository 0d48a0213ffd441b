//! Time, money and the ledger: the values every other crate counts in.
//!
//! Nothing here reads a clock or a file. Times are integer microseconds ([`Micros`]), money is
//! integer minor units ([`Money`]); neither is ever a float.

#![no_std]

extern crate alloc;
#[cfg(test)]
extern crate std;

mod ledger;
mod micros;
mod money;
mod prelude;
#[cfg(feature = "schema")]
pub mod schema;
mod visible;
pub mod words;

pub use ledger::{Ledger, LedgerEntry, LedgerError, Movement, Place};
pub use micros::Micros;
pub use money::{Amount, Decimals, Money, ParseMoneyError};
pub use visible::{Visible, is_hidden, visible};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
