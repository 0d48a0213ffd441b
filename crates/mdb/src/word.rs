//! The nine bits that travel between start and stop bit (MDB/ICP 4.3, section 2.1).

use core::fmt;
use serde::{Deserialize, Serialize};

/// ACK: acknowledgment, checksum correct (section 2.2, response codes).
pub const ACK: u8 = 0x00;
/// RET: the master asks for the previous data again (section 2.2, response codes).
pub const RET: u8 = 0xAA;
/// NAK: negative acknowledgment (section 2.2, response codes).
pub const NAK: u8 = 0xFF;

/// One MDB word: eight data bits and the mode bit.
///
/// From the master, a set mode bit marks an address byte. From a peripheral, it marks the last
/// byte of a transmission (section 2.1).
///
/// ```
/// use payrig_mdb::Word;
///
/// let address = Word::marked(0x0B);
/// assert_eq!(address.bits(), 0x10B);
/// assert_eq!(address.to_string(), "0B*");
/// assert_eq!(Word::from_bits(0x0B), Word::plain(0x0B));
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(
    feature = "schema",
    derive(schemars::JsonSchema),
    schemars(deny_unknown_fields)
)]
pub struct Word {
    /// The data bits.
    pub byte: u8,
    /// The mode bit.
    pub mode: bool,
}

impl Word {
    /// Bits on the wire per word: start, eight data, mode, stop (section 2.1).
    pub const BITS: u32 = 11;

    /// A word with its mode bit set.
    #[must_use]
    pub const fn marked(byte: u8) -> Self {
        Self { byte, mode: true }
    }

    /// A word with its mode bit clear.
    #[must_use]
    pub const fn plain(byte: u8) -> Self {
        Self { byte, mode: false }
    }

    /// The nine bits as a number, mode bit on top: 0 to 1FFH.
    #[must_use]
    pub const fn bits(self) -> u16 {
        self.byte as u16 | ((self.mode as u16) << 8)
    }

    /// From nine bits, mode bit on top; higher bits are ignored.
    #[must_use]
    pub const fn from_bits(bits: u16) -> Self {
        Self {
            byte: (bits & 0xFF) as u8,
            mode: bits & 0x100 != 0,
        }
    }
}

/// The byte in hex, with `*` where the mode bit is set, as the standard's diagrams mark it (2.5).
impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X}{}", self.byte, if self.mode { "*" } else { "" })
    }
}

impl fmt::Debug for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nine_bits_round_trip() {
        for bits in 0..=0x1FF {
            assert_eq!(Word::from_bits(bits).bits(), bits);
        }
    }
}
