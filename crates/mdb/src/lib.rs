//! MDB/ICP 4.3 (July 2019) words, blocks and typed messages.
//!
//! This crate does no I/O and takes no time from the system: values in, values out. Layers, from
//! the wire up:
//!
//! - [`Word`]: a byte and its mode bit (section 2.1);
//! - [`Block`], [`MasterFrame`], [`PeripheralFrame`]: data with its CHK, or ACK/NAK/RET (2.2);
//! - [`Address`]: who is spoken to (2.3);
//! - one module per device with its typed commands and responses: [`changer`] (5),
//!   [`bill`] (6), [`cashless`] (7); [`ftl`] (2.6) is shared by all; [`other`] names the
//!   commands of sections 8 to 11.
//! - [`Dialogue`] follows a conversation and says what each block means.

#![no_std]

extern crate alloc;
#[cfg(test)]
extern crate std;

mod address;
#[cfg(feature = "bill")]
pub mod bill;
mod block;
#[cfg(feature = "cashless")]
pub mod cashless;
#[cfg(feature = "changer")]
pub mod changer;
#[cfg(feature = "dialogue")]
mod dialogue;
pub mod ftl;
mod length;
mod money;
pub mod other;
mod parse;
mod prelude;
mod word;

pub use address::{Address, Role};
pub use block::{Block, BlockError, MAX_BLOCK, MasterFrame, PeripheralFrame, chk};
#[cfg(feature = "dialogue")]
pub use dialogue::{Decoded, Dialogue, Typed, command_length};
pub use length::Length;
pub use money::{CurrencyCode, Scaling, ScalingError};
pub use parse::{ParseError, Reader};
pub use word::{ACK, NAK, RET, Word};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
