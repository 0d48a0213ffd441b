//! Who made the validator and what it can do beyond the basics (section 6.3, 37H-00H and 37H-02H).

use crate::prelude::*;
use crate::{ParseError, Reader};
use core::fmt;

/// Optional features of a level 2 validator: bytes Z30-Z33 of its identification, Y1-Y4 of FEATURE
/// ENABLE (section 6.3, 37H-01H and 37H-02H). Bits 2 to 31 are kept as they are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Options(pub u32);

impl Options {
    /// No option.
    pub const NONE: Self = Self(0);
    /// b0: file transport layer.
    pub const FTL: Self = Self(1);
    /// b1: bill recycling.
    pub const RECYCLING: Self = Self(2);

    /// True when every option of `other` is set.
    #[must_use]
    pub const fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// The options set in both.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// The options set in either.
    #[must_use]
    pub const fn or(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

impl fmt::Display for Options {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut words = Vec::new();
        if self.contains(Self::FTL) {
            words.push("FTL".to_owned());
        }
        if self.contains(Self::RECYCLING) {
            words.push("bill recycling".to_owned());
        }
        for bit in (2..32).filter(|bit| self.0 & (1 << bit) != 0) {
            words.push(format!("undefined b{bit}"));
        }
        match words.is_empty() {
            true => f.write_str("none"),
            false => f.write_str(&words.join(", ")),
        }
    }
}

/// The identification of a validator, bytes Z1-Z29 (section 6.3, 37H-00H). The texts should be
/// ASCII; what was sent is kept as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Identification {
    /// Z1-Z3: manufacturer code.
    pub manufacturer: [u8; 3],
    /// Z4-Z15: serial number.
    pub serial: [u8; 12],
    /// Z16-Z27: model number / tuning revision.
    pub model: [u8; 12],
    /// Z28-Z29: software version, packed BCD.
    pub version: [u8; 2],
}

impl Identification {
    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        Ok(Self {
            manufacturer: r.array("Z1-Z3, the manufacturer code")?,
            serial: r.array("Z4-Z15, the serial number")?,
            model: r.array("Z16-Z27, the model number")?,
            version: r.array("Z28-Z29, the software version")?,
        })
    }

    pub(super) fn emit(&self) -> Vec<u8> {
        let mut out = self.manufacturer.to_vec();
        out.extend(self.serial);
        out.extend(self.model);
        out.extend(self.version);
        out
    }
}

/// Printable ASCII as it is, anything else as `?`.
fn text(bytes: &[u8]) -> String {
    let shown = |b: &u8| match b {
        0x20..=0x7E => char::from(*b),
        _ => '?',
    };
    bytes.iter().map(shown).collect()
}

impl fmt::Display for Identification {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [high, low] = self.version;
        write!(
            f,
            "maker {}, serial {}, model {}, software {high:02X}.{low:02X}",
            text(&self.manufacturer),
            text(&self.serial),
            text(&self.model),
        )
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// captures/clean-1.expect.json, at 869472 us: the answer to 37H 00H.
    pub(crate) const CAPTURED: [u8; 29] = *b"ZZZ000000000042TESTUNIT-001\x01\x23";

    #[test]
    fn captured_identification() {
        let mut reader = Reader::new(&CAPTURED);
        let id = Identification::parse(&mut reader).unwrap();
        assert!(reader.is_empty());
        assert_eq!(&id.manufacturer, b"ZZZ");
        assert_eq!(id.emit(), CAPTURED);
        assert_eq!(
            id.to_string(),
            "maker ZZZ, serial 000000000042, model TESTUNIT-001, software 01.23"
        );
        assert_eq!(text(&[0x41, 0x07, 0xFF]), "A??");
    }

    /// Section 6.3, 37H-02H: b0 is FTL, b1 is bill recycling.
    #[test]
    fn option_bits() {
        assert!(Options(3).contains(Options::RECYCLING) && Options(3).contains(Options::FTL));
        assert!(!Options(1).contains(Options::RECYCLING));
        assert_eq!(
            Options(0x8000_0002).to_string(),
            "bill recycling, undefined b31"
        );
        assert_eq!(Options::NONE.to_string(), "none");
        assert_eq!(Options(3).and(Options(6)), Options::RECYCLING);
        assert_eq!(Options::FTL.or(Options::RECYCLING), Options(3));
    }
}
