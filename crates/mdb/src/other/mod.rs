//! Devices that are recognised but not emulated: sections 8 to 11 to the level of commands,
//! sub-commands and responses; the remaining addresses of section 2.3 by name. Data stay raw.

mod age;
mod gateway;
mod hopper;
mod message;
mod satellite;

pub use message::{Command, Response, command_name, length, response_name};

use crate::Length;

/// A command's name and what the section says of the block's length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Known {
    name: &'static str,
    length: Length,
}

/// A command whose block has `bytes` bytes, CHK included.
const fn fixed(name: &'static str, bytes: usize) -> Option<Known> {
    let length = Length::Known(bytes);
    Some(Known { name, length })
}

/// A command whose length the section leaves open.
const fn open(name: &'static str) -> Option<Known> {
    let length = Length::Unknown;
    Some(Known { name, length })
}

/// A command whose sub-command has not come yet.
const fn more(name: &'static str) -> Option<Known> {
    let length = Length::NeedMore;
    Some(Known { name, length })
}
