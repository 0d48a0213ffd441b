//! Where a master's block ends (sections 5 to 11; 2.6.4 for blocks without a length).

use crate::{Address, Length, Role, bill, cashless, changer, other};

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
