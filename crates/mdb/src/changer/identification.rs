//! IDENTIFICATION of a level 3 changer (section 5.3, 0FH 00H).

use super::Features;
use crate::prelude::*;
use crate::{ParseError, Reader};
use core::fmt;

/// Who made the changer, which one it is, and what it offers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identification {
    /// Z1-Z3: manufacturer code, ASCII.
    pub maker: [u8; 3],
    /// Z4-Z15: serial number, ASCII.
    pub serial: [u8; 12],
    /// Z16-Z27: model number and tuning revision, ASCII.
    pub model: [u8; 12],
    /// Z28-Z29: software version, packed BCD.
    pub version: [u8; 2],
    /// Z30-Z33: what the changer offers.
    pub features: Features,
}

impl Identification {
    /// From texts. A text shorter than its field is filled up with blanks, a longer one is cut,
    /// and what is not printable ASCII becomes `?`.
    #[must_use]
    pub fn new(
        maker: &str,
        serial: &str,
        model: &str,
        version: [u8; 2],
        features: Features,
    ) -> Self {
        Self {
            maker: field(maker),
            serial: field(serial),
            model: field(model),
            version,
            features,
        }
    }

    pub(super) fn parse(bytes: &[u8]) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        let id = Self {
            maker: r.array("manufacturer code (5.3, 0FH 00H, Z1-Z3)")?,
            serial: r.array("serial number (5.3, 0FH 00H, Z4-Z15)")?,
            model: r.array("model and tuning revision (5.3, 0FH 00H, Z16-Z27)")?,
            version: r.array("software version (5.3, 0FH 00H, Z28-Z29)")?,
            features: Features(r.u32("optional features (5.3, 0FH 00H, Z30-Z33)")?),
        };
        r.end()?;
        Ok(id)
    }

    pub(super) fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.maker);
        out.extend(self.serial);
        out.extend(self.model);
        out.extend(self.version);
        out.extend(self.features.0.to_be_bytes());
    }
}

impl fmt::Display for Identification {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [major, minor] = self.version;
        write!(
            f,
            "maker {}, serial {}, model {}, version {major:02X}{minor:02X}, offers {}",
            text(&self.maker),
            text(&self.serial),
            text(&self.model),
            self.features
        )
    }
}

/// A field of printable ASCII, filled up with blanks.
fn field<const N: usize>(text: &str) -> [u8; N] {
    let mut out = [b' '; N];
    for (room, c) in out.iter_mut().zip(text.chars()) {
        *room = u8::try_from(c)
            .ok()
            .filter(|b| matches!(b, 0x20..=0x7E))
            .unwrap_or(b'?');
    }
    out
}

/// ASCII as text, blanks at the end left out, what is not printable as `?`.
fn text(bytes: &[u8]) -> String {
    let text: String = bytes
        .iter()
        .map(|b| match b {
            0x20..=0x7E => char::from(*b),
            _ => '?',
        })
        .collect();
    text.trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_cut_or_filled_up() {
        let id = Identification::new("ZZZX", "41", "HARBOUR\u{e9}LOOP", [1, 0x23], Features::NONE);
        assert_eq!(&id.maker, b"ZZZ");
        assert_eq!(&id.serial, b"41          ");
        assert_eq!(&id.model, b"HARBOUR?LOOP");
        assert_eq!(
            id.to_string(),
            "maker ZZZ, serial 41, model HARBOUR?LOOP, version 0123, offers none"
        );
    }
}
