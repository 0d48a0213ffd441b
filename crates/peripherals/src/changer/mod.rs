//! An emulated coin changer (MDB/ICP 4.3, section 5), feature levels 2 and 3.
//!
//! [`Changer`] is a [`Device`](crate::Device): commands in, replies out. What a person does at it
//! (put a coin in, press the lever, fill a tube) are methods that take the time. Every coin that
//! goes from one place to another is a [`Movement`](payrig_units::Movement):
//!
//! - a customer's coin goes from `Customer` to `Tube` or `CashBox`; one that is refused, or is
//!   still falling, has not moved;
//! - DISPENSE and PAYOUT move coins from `Tube` to `Customer`;
//! - service work (opening fill, manual fill and payout, inventory switches, hands) moves coins
//!   between `Supply` and `Tube` or `CashBox`.
//!
//! A [`Quirks`] value makes it misbehave in named ways.

mod acts;
mod answers;
mod choose;
mod config;
mod device;
mod events;
mod falling;
mod landing;
mod payout;
mod quirks;
mod service;
mod state;
mod tubes;

#[cfg(test)]
mod tests;

pub use config::{ChangerConfig, CoinConfig, CoinWorth, ConfigError, TubeConfig, WhilePaying};
pub use quirks::Quirks;
pub use state::{Changer, TubeView};
