//! What a section says of a command.

use crate::Length;

/// A command's name and what the section says of the block's length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Known {
    pub(super) name: &'static str,
    pub(super) length: Length,
}

/// A command whose block has `bytes` bytes, CHK included.
pub(super) const fn fixed(name: &'static str, bytes: usize) -> Option<Known> {
    let length = Length::Known(bytes);
    Some(Known { name, length })
}

/// A command whose length the section leaves open.
pub(super) const fn open(name: &'static str) -> Option<Known> {
    let length = Length::Unknown;
    Some(Known { name, length })
}

/// A command whose sub-command has not come yet.
pub(super) const fn more(name: &'static str) -> Option<Known> {
    let length = Length::NeedMore;
    Some(Known { name, length })
}
