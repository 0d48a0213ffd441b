//! Universal satellite device, addresses 40H, 48H and 50H (MDB/ICP 4.3, section 9).

use super::known::{Known, fixed, more, open};

/// The command in a block that starts with these bytes, after the address's five bits.
pub(super) const fn command(bytes: &[u8]) -> Option<Known> {
    match *bytes {
        [first, ref rest @ ..] => match (first & 7, rest) {
            (0, _) => fixed("RESET", 2),
            (1, _) => fixed("SETUP", 7),
            (2, _) => fixed("POLL", 2),
            (3, [0x00, ..]) => fixed("VEND approved", 3),
            (3, [0x01, ..]) => fixed("VEND disapproved", 3),
            (3, [0x02, ..]) => fixed("VEND item", 5),
            (3, [0x03, ..]) => fixed("VEND home item", 5),
            (3, [0x04, ..]) => fixed("VEND status request", 5),
            (3, []) => more("VEND"),
            (4, [0x00, ..]) => fixed("FUNDS available", 5),
            (4, [0x01, ..]) => fixed("FUNDS item price", 9),
            (4, []) => more("FUNDS"),
            (5, [0x00, ..]) => fixed("CONTROL disable", 3),
            (5, [0x01, ..]) => fixed("CONTROL enable", 3),
            (5, []) => fixed("CONTROL", 3),
            (7, [0x00, ..]) => fixed("EXPANSION identification", 3),
            (7, [0x01, ..]) => fixed("EXPANSION feature enable", 7),
            (7, [0x02, ..]) => fixed("EXPANSION number of data blocks", 4),
            (7, [0x03, ..]) => open("EXPANSION data block"),
            (7, [0x04, ..]) => fixed("EXPANSION request data block", 4),
            (7, [0x05, ..]) => open("EXPANSION single data block"),
            (7, [0xFF, ..]) => open("EXPANSION diagnostics"),
            (7, []) => more("EXPANSION"),
            _ => None,
        },
        [] => None,
    }
}

/// The response that starts with these bytes.
pub(super) const fn response(_command: &[u8], bytes: &[u8]) -> Option<&'static str> {
    let Some((first, rest)) = bytes.split_first() else {
        return None;
    };
    match (*first, rest.len()) {
        (0x00, 0) => Some("JUST RESET"),
        (0x01, 4) => Some("VEND REQUEST"),
        (0x02, 0) => Some("VEND OR HOME SUCCESS"),
        (0x03, 4) => Some("VEND OR HOME FAIL"),
        (0x04, 6) => Some("SETUP DATA"),
        (0x05, 2) => Some("ITEM PRICE REQUEST"),
        (0x06, 2) => Some("ERROR CODES"),
        // The tables of 9.3.3 count 34 bytes; the fields of 9.3.7 add up to 33.
        (0x07, 33 | 34) => Some("PERIPHERAL ID"),
        (0x08, 4) => Some("STATUS"),
        (0x09, 2..) => Some("DATA BLOCK TRANSFER"),
        (0x0A, _) => Some("SINGLE DATA BLOCK"),
        (0xFF, _) => Some("DIAGNOSTICS"),
        _ => None,
    }
}
