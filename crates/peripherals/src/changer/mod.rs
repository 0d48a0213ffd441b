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
//!
//! ```
//! use payrig_mdb::changer::{CoinType, Command, DispenseCount};
//! use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
//! use payrig_peripherals::{Device, Reply};
//! use payrig_units::{Micros, Place};
//!
//! let mut changer = Changer::new(ChangerConfig::demo(), Quirks::default())?;
//! let (coin_type, coins) = (CoinType::of(1), DispenseCount::saturating(2));
//! let before = changer.tube(coin_type).unwrap().coins;
//! changer.wake(Micros::secs(1));
//! changer.take_movements(); // the opening fill
//!
//! let dispense = Command::Dispense { coin_type, coins };
//! assert_eq!(changer.command(Micros::secs(2), &dispense.emit()), Reply::Ack);
//! changer.wake(Micros::secs(3));
//! assert_eq!(changer.tube(coin_type).unwrap().coins, before - 2);
//! assert!(changer.take_movements().iter().all(|m| m.to == Place::Customer));
//! # Ok::<(), payrig_peripherals::changer::ConfigError>(())
//! ```

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
