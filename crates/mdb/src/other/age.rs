//! Age verification device, address 68H (MDB/ICP 4.3, section 11).

use super::known::{Known, fixed, more, open};

/// The command in a block that starts with these bytes, after the address's five bits.
pub(super) const fn command(bytes: &[u8]) -> Option<Known> {
    match *bytes {
        [first, ref rest @ ..] => match (first & 7, rest) {
            (0, _) => fixed("RESET", 2),
            (1, [0x00, ..]) => fixed("SETUP configuration data", 7),
            (1, []) => more("SETUP"),
            (2, _) => fixed("POLL", 2),
            (7, [0x00, ..]) => fixed("EXPANSION request ID", 32),
            (7, [0x03, ..]) => fixed("EXPANSION write time/date file", 13),
            // Section 11.2.1 to 11.2.3: two diagnostics whose data end in their own name. Without
            // all of it they may be a maker's own.
            (7, [0xFF, 0x05, 0x06, _, b'D', b'R', b'A', b'V', b'P', ..]) => {
                fixed("EXPANSION diagnostics DRAVP, age verification on/off", 11)
            }
            (7, [0xFF, 0x06, 0x06, _, b'D', b'R', b'A', b'V', b'S', ..]) => {
                fixed("EXPANSION diagnostics DRAVS, age verification status", 11)
            }
            (7, [0xFF, ..]) => open("EXPANSION diagnostics"),
            (7, []) => more("EXPANSION"),
            _ => None,
        },
        [] => None,
    }
}

/// The response that starts with these bytes.
pub(super) const fn response(_command: &[u8], bytes: &[u8]) -> Option<&'static str> {
    let (Some(first), len) = (bytes.first(), bytes.len()) else {
        return None;
    };
    match (*first, len) {
        (0x00, 1) => Some("JUST RESET"),
        (0x01, 8) => Some("READER CONFIG INFO"),
        (0x02, 3..) => Some("DISPLAY REQUEST"),
        (0x09, 34) => Some("PERIPHERAL ID"),
        (0x0A, 2) => Some("MALFUNCTION/ERROR"),
        (0x11, 1) => Some("TIME/DATE REQUEST"),
        (0xFF, _) => match bytes {
            [_, 0x05, 0x06, _, b'D', b'R', b'A', b'V', b'P'] => Some("DRAVP"),
            [_, 0x06, 0x07, _, _, b'D', b'R', b'A', b'V', b'S'] => Some("DRAVS"),
            _ => Some("DIAGNOSTICS"),
        },
        _ => None,
    }
}
