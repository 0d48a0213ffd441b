//! Coin hopper or tube dispenser, addresses 58H and 70H (MDB/ICP 4.3, section 10).

use super::known::{Known, fixed, more, open};

/// The command in a block that starts with these bytes, after the address's five bits.
pub(super) const fn command(bytes: &[u8]) -> Option<Known> {
    match *bytes {
        [first, ref rest @ ..] => match (first & 7, rest) {
            (0, _) => fixed("RESET", 2),
            (1, _) => fixed("SETUP", 2),
            (2, _) => fixed("DISPENSER STATUS", 2),
            (3, _) => fixed("POLL", 2),
            (4, _) => fixed("MANUAL DISPENSE ENABLE", 4),
            (5, [0x00, ..]) => fixed("DISPENSE COINS", 6),
            (5, [0x01, ..]) => fixed("DISPENSE VALUE", 5),
            (5, []) => more("DISPENSE"),
            (6, [0x00, ..]) => fixed("PAYOUT STATUS", 3),
            (6, [0x01, ..]) => fixed("PAYOUT VALUE POLL", 3),
            (6, []) => fixed("PAYOUT", 3),
            (7, [0x00, ..]) => fixed("EXPANSION identification", 3),
            (7, [0x01, ..]) => fixed("EXPANSION feature enable", 7),
            (7, [0xFF, ..]) => open("EXPANSION diagnostics"),
            (7, []) => more("EXPANSION"),
            _ => None,
        },
        [] => None,
    }
}

/// What these bytes answer. A dispenser's responses carry no code of their own, so the command
/// decides; of several reports to a POLL, the first is named.
pub(super) const fn response(command: &[u8], bytes: &[u8]) -> Option<&'static str> {
    match (command, bytes) {
        (_, []) => None,
        ([0x59 | 0x71, ..], [_, rest @ ..]) if rest.len() >= 9 => Some("SETUP DATA"),
        ([0x5A | 0x72, ..], [_, _, ..]) => Some("DISPENSER STATUS"),
        ([0x5E | 0x76, 0x00, ..], _) => Some("PAYOUT STATUS"),
        ([0x5E | 0x76, 0x01, ..], [_] | [_, _]) => Some("PAYOUT VALUE"),
        ([0x5F | 0x77, 0x00, ..], [_, rest @ ..]) if rest.len() == 32 => Some("IDENTIFICATION"),
        ([0x5F | 0x77, 0xFF, ..], _) => Some("DIAGNOSTICS"),
        ([0x5B | 0x73, ..], [first, ..]) => match first {
            0x01 => Some("ESCROW REQUEST"),
            0x02 => Some("DISPENSER PAYOUT BUSY"),
            0x04 => Some("DEFECTIVE DISPENSER SENSOR"),
            0x06 => Some("DISPENSER DID NOT START"),
            0x07 => Some("DISPENSER JAM"),
            0x08 => Some("ROM CHECKSUM ERROR"),
            0x0B => Some("JUST RESET"),
            0x0F => Some("FILLED KEY PRESSED"),
            0x80..=0xBF if bytes.len() >= 5 => Some("COINS DISPENSED"),
            _ => None,
        },
        _ => None,
    }
}
