//! How long a command block is, by its first bytes (Table 1 and section 7.4).

use super::{Level, Mode, Options, Unit};
use crate::Length;

/// The length of a block to a cashless device from its first bytes (address byte first), CHK
/// included, for a listener that does not know the mode: [`Length::Unknown`] for sub-commands
/// whose form depends on it.
#[must_use]
pub fn length(bytes: &[u8]) -> Length {
    let plain = length_in(bytes, &Mode::default());
    let rich = Mode {
        options: Options::DEFINED,
        ..Mode::level(Level::THREE)
    };
    if plain == length_in(bytes, &rich) {
        plain
    } else {
        Length::Unknown
    }
}

/// The length of a block to a cashless device from its first bytes (address byte first), CHK
/// included. FTL SEND BLOCK and diagnostics have no length of their own (2.6.2, 7.4.30).
#[must_use]
pub fn length_in(bytes: &[u8], mode: &Mode) -> Length {
    let mut rest = bytes.iter().copied();
    let Some(first) = rest.next() else {
        return Length::NeedMore;
    };
    if Unit::of(first).is_none() {
        return Length::Unknown;
    }
    let command = first & 7;
    if matches!(command, 0 | 2) {
        return Length::Known(2);
    }
    if command == 6 {
        return Length::Unknown;
    }
    let Some(sub) = rest.next() else {
        return Length::NeedMore;
    };
    let money = usize::from(mode.money_bits() / 8);
    let expanded = usize::from(mode.expanded());
    let enhanced = usize::from(mode.has(Options::ENHANCED_ITEMS));
    let basket = usize::from(mode.has(Options::BASKET));
    // Bytes after the sub-command.
    let data = match (command, sub) {
        (1, 0x00) => 4,
        (1, 0x01) => 2 * money + 2 * expanded,
        (3, 0x00) => money + 2 + basket * (5 + money),
        (3, 0x01 | 0x04) => 0,
        (3, 0x02) => 2 + enhanced * 14 + basket * (2 * money + 1),
        (3, 0x03) => basket * (2 + 2 * money + 2),
        (3, 0x05) => money + 2 + 2 * expanded + enhanced * 15,
        (3, 0x06) => money + 2,
        (3, 0x07) => 3,
        (3, 0x08) => 3 + money,
        (4, 0x00..=0x02) => 0,
        (4, 0x03) => 8,
        (5, 0x00) => money,
        (5, 0x01) => 0,
        (7, 0x00) => 29,
        (7, 0x01) => 1,
        (7, 0x02) => match rest.nth(1) {
            Some(len) => 2 + usize::from(len),
            None => return Length::NeedMore,
        },
        (7, 0x03) => 10,
        (7, 0x04) => 4,
        (7, 0xFA | 0xFE) => 5,
        (7, 0xFB) => 3,
        (7, 0xFD) => 2,
        _ => return Length::Unknown,
    };
    Length::Known(3 + data)
}
