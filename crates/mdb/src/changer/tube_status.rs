//! TUBE STATUS: full tubes and coins known to be in them (section 5.3, 0AH).

use super::{CoinType, CoinTypes, PerType};
use crate::prelude::*;
use crate::{ParseError, Reader};
use core::fmt;

/// Which tubes are full, and how many coins are surely in each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TubeStatus {
    /// Z1-Z2: tubes that are full, or (with a count of zero) defective.
    pub full: CoinTypes,
    /// Z3-Z18: coins per tube; 255 stands for 255 or more.
    pub counts: PerType,
}

impl TubeStatus {
    /// True when the tube is reported as jammed or its sensor as defective: full, yet empty
    /// (section 5.3, TUBE STATUS, note).
    #[must_use]
    pub fn is_defective(&self, coin_type: CoinType) -> bool {
        self.full.contains(coin_type) && self.counts.get(coin_type) == 0
    }

    pub(super) fn parse(bytes: &[u8]) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        Ok(Self {
            full: CoinTypes(r.u16("tube full status (5.3, TUBE STATUS, Z1-Z2)")?),
            counts: PerType::parse(&mut r)?,
        })
    }

    pub(super) fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.full.0.to_be_bytes());
        out.extend(self.counts.bytes());
    }
}

impl fmt::Display for TubeStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bad: CoinTypes = self.full.iter().filter(|t| self.is_defective(*t)).collect();
        let full = CoinTypes(self.full.0 & !bad.0);
        write!(f, "coins in tubes {}, full {full}", self.counts)?;
        if !bad.is_empty() {
            write!(f, ", defective {bad}")?;
        }
        Ok(())
    }
}
