//! Who is there: the identification both sides exchange (7.4.4 PERIPHERAL ID, 7.4.20).

use super::{Level, Mode, Options};
use crate::prelude::*;
use crate::{ParseError, Reader};

/// Maker, serial number, model and software version: 29 bytes in both directions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Identification {
    /// Three ASCII letters.
    pub maker: [u8; 3],
    /// Twelve ASCII characters.
    pub serial: [u8; 12],
    /// Twelve ASCII characters.
    pub model: [u8; 12],
    /// Packed BCD.
    pub version: [u8; 2],
}

impl Identification {
    /// From text; longer text is cut, shorter is padded with spaces, other than ASCII becomes `?`.
    #[must_use]
    pub fn new(maker: &str, serial: &str, model: &str, version: [u8; 2]) -> Self {
        fn field<const N: usize>(text: &str) -> [u8; N] {
            let mut bytes = [b' '; N];
            for (slot, c) in bytes.iter_mut().zip(text.chars()) {
                *slot = if c.is_ascii() { c as u8 } else { b'?' };
            }
            bytes
        }
        Self {
            maker: field(maker),
            serial: field(serial),
            model: field(model),
            version,
        }
    }

    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        Ok(Self {
            maker: r.array("manufacturer code, 3 ASCII characters (7.4.20)")?,
            serial: r.array("serial number, 12 ASCII characters (7.4.20)")?,
            model: r.array("model number, 12 ASCII characters (7.4.20)")?,
            version: r.array("software version, 2 BCD bytes (7.4.20)")?,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>) {
        out.extend(self.maker);
        out.extend(self.serial);
        out.extend(self.model);
        out.extend(self.version);
    }
}

/// PERIPHERAL ID (7.4.4, 7.4.20).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct PeripheralId {
    /// Who the reader is.
    pub id: Identification,
    /// Z31-Z34: what the reader could do. Sent at common level 03 only; `None` sends no bits set.
    pub options: Option<Options>,
}

impl PeripheralId {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        let id = Identification::parse(r)?;
        let options = if mode.level >= Level::THREE {
            Some(Options(r.u32("optional feature bits (7.4.4)")?))
        } else {
            None
        };
        Ok(Self { id, options })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        self.id.put(out);
        if mode.level >= Level::THREE {
            out.extend(self.options.unwrap_or_default().0.to_be_bytes());
        }
    }
}
