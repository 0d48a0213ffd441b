//! One byte per coin type, as many as were sent (section 5.3: not all sixteen need be).

use super::CoinType;
use crate::{ParseError, Reader};
use core::fmt;

/// One byte for each of the first 0 to 16 coin types. What was not sent is remembered as not sent,
/// so that a block can be emitted again as it was.
#[derive(Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct PerType {
    bytes: [u8; 16],
    len: u8,
}

impl PerType {
    /// The first bytes of the list, sixteen at most; what follows is dropped.
    #[must_use]
    pub fn new(bytes: &[u8]) -> Self {
        let mut all = Self::default();
        for (room, byte) in all.bytes.iter_mut().zip(bytes) {
            *room = *byte;
        }
        all.len = bytes.len().min(16) as u8;
        all
    }

    /// All sixteen.
    #[must_use]
    pub const fn full(bytes: [u8; 16]) -> Self {
        Self { bytes, len: 16 }
    }

    /// The bytes that were sent.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        self.bytes.get(..usize::from(self.len)).unwrap_or_default()
    }

    /// The byte of a coin type; zero when it was not sent (section 5.3, SETUP, TUBE STATUS and
    /// PAYOUT STATUS).
    #[must_use]
    pub fn get(&self, coin_type: CoinType) -> u8 {
        self.sent(coin_type).unwrap_or(0)
    }

    /// The byte of a coin type where it was sent. In the manual fill and payout reports a byte
    /// that was not sent means "unchanged", not zero (section 5.3).
    #[must_use]
    pub fn sent(&self, coin_type: CoinType) -> Option<u8> {
        self.bytes().get(coin_type.index()).copied()
    }

    /// Coin types with a byte other than zero, ascending.
    pub fn nonzero(&self) -> impl Iterator<Item = (CoinType, u8)> + '_ {
        CoinType::all()
            .map(|t| (t, self.get(t)))
            .filter(|(_, n)| *n != 0)
    }

    /// Reads what is left of a block.
    pub(super) fn parse(reader: &mut Reader<'_>) -> Result<Self, ParseError> {
        let at = reader.at();
        let rest = reader.take_rest();
        match rest.len() {
            0..=16 => Ok(Self::new(rest)),
            n => Err(ParseError::Long {
                at: at + 16,
                extra: n - 16,
            }),
        }
    }
}

/// `0: 12, 2: 30`, or `none`.
impl fmt::Display for PerType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut any = false;
        for (coin_type, n) in self.nonzero() {
            let comma = if any { ", " } else { "" };
            write!(f, "{comma}{coin_type}: {n}")?;
            any = true;
        }
        if any { Ok(()) } else { f.write_str("none") }
    }
}

impl fmt::Debug for PerType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self.bytes()).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prelude::*;

    #[test]
    fn what_was_not_sent_is_zero_but_known_as_not_sent() {
        let counts = PerType::new(&[12, 0, 30]);
        assert_eq!(counts.get(CoinType::of(2)), 30);
        assert_eq!(counts.get(CoinType::of(9)), 0);
        assert_eq!(counts.sent(CoinType::of(1)), Some(0));
        assert_eq!(counts.sent(CoinType::of(9)), None);
        assert_eq!(counts.to_string(), "0: 12, 2: 30");
        assert_eq!(PerType::default().to_string(), "none");
        assert_eq!(PerType::new(&[1; 20]).bytes().len(), 16);
    }
}
