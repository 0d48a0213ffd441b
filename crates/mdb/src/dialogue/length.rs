//! Where a master's block ends (sections 5 to 11; 2.6.4 for blocks without a length).

use crate::{Address, Role, bill, cashless, changer, other};

/// What is known of the length of a master's block from its first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// The whole block has this many bytes, CHK included.
    Known(usize),
    /// More bytes are needed to tell.
    NeedMore,
    /// The standard does not say; the block ends where its sender pauses (section 2.6.4).
    Unknown,
}

/// The length of a command block, from its first bytes (the address byte first). Cashless
/// commands whose length depends on what was agreed are [`Length::Unknown`]:
/// [`crate::Dialogue::command_length`] knows those.
#[must_use]
pub fn command_length(bytes: &[u8]) -> Length {
    let Some(first) = bytes.first() else {
        return Length::NeedMore;
    };
    match Address::of(*first).role() {
        Role::Changer => changer::length(bytes),
        Role::BillValidator => bill::length(bytes),
        Role::Cashless(_) => cashless::length(bytes),
        _ => other::length(bytes),
    }
}
