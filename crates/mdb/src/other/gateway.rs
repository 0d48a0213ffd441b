//! Communications gateway, address 18H (MDB/ICP 4.3, section 8).

use super::known::{Known, fixed, more, open};

/// The command in a block that starts with these bytes, after the address's five bits.
pub(super) const fn command(bytes: &[u8]) -> Option<Known> {
    match *bytes {
        [first, ref rest @ ..] => match (first & 7, rest) {
            (0, _) => fixed("RESET", 2),
            (1, _) => fixed("SETUP", 5),
            (2, _) => fixed("POLL", 2),
            (3, [0x01, ..]) => fixed("REPORT transaction", 36),
            // The table of 8.2 has a terminal ID of 12 bytes that the text of 8.3 does not.
            (3, [0x02, ..]) => open("REPORT DTS event"),
            (3, [0x03]) => more("REPORT asset ID"),
            (3, [0x03, 0x80..=0xFF, ..]) => fixed("REPORT asset ID", 24),
            (3, [0x03, ..]) => fixed("REPORT asset ID", 33),
            (3, [0x04, ..]) => fixed("REPORT currency ID", 7),
            // Table of 8.2 and text of 8.3 differ by the item and product numbers.
            (3, [0x05, ..]) => open("REPORT product ID"),
            (3, []) => more("REPORT"),
            (4, [0x00, ..]) => fixed("CONTROL disabled", 3),
            (4, [0x01, ..]) => fixed("CONTROL enabled", 3),
            (4, [0x02, ..]) => fixed("CONTROL transmit", 3),
            (4, []) => fixed("CONTROL", 3),
            (7, [0x00, ..]) => fixed("EXPANSION identification", 3),
            (7, [0x01, ..]) => fixed("EXPANSION feature enable", 7),
            // The table of 8.2 has a byte after the sub-command that the text of 8.3 has not.
            (7, [0x02, ..]) => open("EXPANSION time/date request"),
            (7, [0xFF, ..]) => open("EXPANSION diagnostics"),
            (7, []) => more("EXPANSION"),
            _ => None,
        },
        [] => None,
    }
}

/// The response that starts with these bytes.
pub(super) const fn response(_command: &[u8], bytes: &[u8]) -> Option<&'static str> {
    match *bytes {
        [0x00] => Some("JUST RESET"),
        [0x01, _, _, _] => Some("COMMS GATEWAY CONFIGURATION"),
        [0x02] => Some("REQUEST TO TRANSMIT"),
        [0x03] => Some("DATA TRANSMITTED"),
        [0x04, _, ..] => Some("ERROR"),
        [0x05] => Some("DTS EVENT ACKNOWLEDGE"),
        [0x06, ref rest @ ..] if rest.len() == 33 => Some("PERIPHERAL ID"),
        // 07H is the signal strength (8.3) and, by the table of 8.2, the time and date too.
        [0x07, _] => Some("RADIO SIGNAL STRENGTH"),
        [0x07, ref rest @ ..] if rest.len() >= 9 && rest.len() <= 10 => Some("CG TIME/DATE"),
        [0xFF, ..] => Some("DIAGNOSTICS"),
        _ => None,
    }
}
