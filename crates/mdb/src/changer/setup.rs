//! SETUP, the changer's configuration (section 5.3, 09H; STATUS in versions 1.0 and 2.0).

use super::{CoinType, CoinTypes, PerType};
use crate::prelude::*;
use crate::{CurrencyCode, ParseError, Reader, Scaling};
use core::fmt;
use payrig_units::Money;

/// The credit byte of a vend token (section 5.3, SETUP, Z8-Z23).
pub const TOKEN: u8 = 0xFF;

/// What a coin type is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CoinCredit {
    /// The coin type is not used (00H, or not sent).
    Unused,
    /// Money.
    Worth(Money),
    /// A token worth one vend (FFH).
    Token,
}

/// What a changer is set up for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Setup {
    /// Z1: feature level, 2 or 3.
    pub level: u8,
    /// Z2-Z3: country or currency.
    pub currency: CurrencyCode,
    /// Z4: minor units per count of credit.
    pub scaling_factor: u8,
    /// Z5: decimal places of a credit display.
    pub decimals: u8,
    /// Z6-Z7: coin types that can go to a tube.
    pub routing: CoinTypes,
    /// Z8-Z23: counts of the scaling factor per coin type; 00H unused, FFH a vend token.
    pub credits: PerType,
}

impl Setup {
    /// Scaling factor and decimals together.
    #[must_use]
    pub fn scaling(&self) -> Scaling {
        Scaling {
            factor: u16::from(self.scaling_factor),
            decimals: self.decimals,
        }
    }

    /// What a coin type is worth.
    #[must_use]
    pub fn credit(&self, coin_type: CoinType) -> CoinCredit {
        match self.credits.get(coin_type) {
            0 => CoinCredit::Unused,
            TOKEN => CoinCredit::Token,
            n => CoinCredit::Worth(Money(self.scaling().to_minor(u32::from(n)))),
        }
    }

    pub(super) fn parse(bytes: &[u8]) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        Ok(Self {
            level: r.u8("changer feature level (5.3, SETUP, Z1)")?,
            currency: CurrencyCode(r.array("country / currency code (5.3, SETUP, Z2-Z3)")?),
            scaling_factor: r.u8("coin scaling factor (5.3, SETUP, Z4)")?,
            decimals: r.u8("decimal places (5.3, SETUP, Z5)")?,
            routing: CoinTypes(r.u16("coin type routing (5.3, SETUP, Z6-Z7)")?),
            credits: PerType::parse(&mut r)?,
        })
    }

    pub(super) fn emit(&self, out: &mut Vec<u8>) {
        out.push(self.level);
        out.extend(self.currency.0);
        out.extend([self.scaling_factor, self.decimals]);
        out.extend(self.routing.0.to_be_bytes());
        out.extend(self.credits.bytes());
    }
}

impl fmt::Display for Setup {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "level {}, {}, scaling factor {}, {} decimals, tubes for coin types {}, credits ",
            self.level, self.currency, self.scaling_factor, self.decimals, self.routing
        )?;
        let mut any = false;
        for (coin_type, n) in self.credits.nonzero() {
            let comma = if any { ", " } else { "" };
            any = true;
            if n == TOKEN {
                write!(f, "{comma}{coin_type}: token")?;
            } else {
                write!(f, "{comma}{coin_type}: {n}")?;
            }
        }
        if any { Ok(()) } else { f.write_str("none") }
    }
}
