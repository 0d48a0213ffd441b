//! Devices that are recognised but not emulated: sections 8 to 11 to the level of commands,
//! sub-commands and responses; the remaining addresses of section 2.3 by name. Data stay raw.
//!
//! ```
//! use payrig_mdb::{Address, other};
//!
//! let command = other::Command::parse(&[0x5A])?;
//! assert_eq!(command.address(), Address::of(0x58));
//! assert_eq!(command.name(), "DISPENSER STATUS");
//! # Ok::<(), payrig_mdb::ParseError>(())
//! ```

mod age;
mod gateway;
mod hopper;
mod known;
mod message;
mod satellite;

pub use message::{Command, Response, command_name, length, response_name};
