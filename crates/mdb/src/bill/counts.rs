//! Numbers of bills per type, and payout values (section 6.3, 37H-05H, 37H-08H, 37H-09H).

use crate::prelude::*;
use crate::{ParseError, Reader};
use core::fmt;

/// Bytes of a full table: two per bill type (section 6.3, 37H-05H and 37H-08H).
const FULL: usize = 32;

/// How many bills of each type, two bytes per type from type 0 on. Bytes at the end may be left
/// out and count as zero, so the bytes are kept as they were sent.
///
/// Of PAYOUT STATUS the standard says that the first two bytes are "bill type 1" while it numbers
/// types from 0 everywhere else; here they are type 0, as in BILL DISPENSE STATUS.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct BillCounts {
    bytes: Vec<u8>,
}

impl BillCounts {
    /// Counts from type 0 on, all of them sent; what goes beyond type 15 is left out.
    #[must_use]
    pub fn new(counts: &[u16]) -> Self {
        let bytes = counts.iter().flat_map(|n| n.to_be_bytes());
        Self {
            bytes: bytes.take(FULL).collect(),
        }
    }

    /// One zero byte: the shortest way to say that no bills were paid out (section 6.3, 37H-08H,
    /// note 2).
    #[must_use]
    pub fn zero() -> Self {
        Self { bytes: vec![0] }
    }

    /// Bills of a type; zero for what was not sent and for types above 15.
    #[must_use]
    pub fn count(&self, bill_type: u8) -> u16 {
        let at = usize::from(bill_type) * 2;
        let byte = |i: usize| self.bytes.get(i).copied().unwrap_or(0);
        u16::from_be_bytes([byte(at), byte(at + 1)])
    }

    /// Types with at least one bill, and how many.
    pub fn iter(&self) -> impl Iterator<Item = (u8, u16)> + '_ {
        (0..16)
            .map(|t| (t, self.count(t)))
            .filter(|(_, count)| *count > 0)
    }

    /// As sent.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        let extra = r.rest().len().saturating_sub(FULL);
        if extra > 0 {
            let at = r.at() + FULL;
            return Err(ParseError::Long { at, extra });
        }
        Ok(Self {
            bytes: r.take_rest().to_vec(),
        })
    }
}

/// `3 of type 0, 1 of type 2`, or `none`.
impl fmt::Display for BillCounts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let counts: Vec<String> = self
            .iter()
            .map(|(t, n)| format!("{n} of type {t}"))
            .collect();
        match counts.is_empty() {
            true => f.write_str("none"),
            false => f.write_str(&counts.join(", ")),
        }
    }
}

/// What was paid out since the last PAYOUT VALUE POLL, divided by the scaling factor (section 6.3,
/// 37H-09H). Two bytes are defined; the note that "00H" means nothing paid lets a single byte pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PayoutValue {
    /// One byte.
    Byte(u8),
    /// Two bytes, as defined.
    Word(u16),
}

impl PayoutValue {
    /// The value divided by the scaling factor.
    #[must_use]
    pub const fn count(self) -> u16 {
        match self {
            Self::Byte(n) => n as u16,
            Self::Word(n) => n,
        }
    }

    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        match r.rest().len() {
            1 => Ok(Self::Byte(r.u8("the value paid out")?)),
            _ => Ok(Self::Word(r.u16("Z1-Z2, the value paid out")?)),
        }
    }

    pub(super) fn emit(self) -> Vec<u8> {
        match self {
            Self::Byte(n) => vec![n],
            Self::Word(n) => n.to_be_bytes().to_vec(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Section 6.3, 37H-05H: two bytes per type, unsent bytes are zero.
    #[test]
    fn unsent_counts_are_zero() {
        let counts = BillCounts::parse(&mut Reader::new(&[0, 3, 1, 0, 0])).unwrap();
        assert_eq!((counts.count(0), counts.count(1)), (3, 256));
        assert_eq!(
            (counts.count(2), counts.count(15), counts.count(255)),
            (0, 0, 0)
        );
        assert_eq!(counts.to_string(), "3 of type 0, 256 of type 1");
        assert_eq!(BillCounts::zero().to_string(), "none");
        assert_eq!(BillCounts::new(&[1; 20]).bytes().len(), 32);
        assert_eq!(
            BillCounts::parse(&mut Reader::new(&[0; 33])),
            Err(ParseError::Long { at: 32, extra: 1 })
        );
    }

    #[test]
    fn payout_value_of_one_or_two_bytes() {
        for bytes in [&[0x00][..], &[0x00, 0x0F], &[0x12, 0x34]] {
            let value = PayoutValue::parse(&mut Reader::new(bytes)).unwrap();
            assert_eq!(value.emit(), bytes);
        }
        assert_eq!(PayoutValue::Word(0x000F).count(), 15);
    }
}
