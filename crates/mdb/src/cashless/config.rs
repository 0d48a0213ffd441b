//! SETUP: what VMC and reader tell each other first (sections 7.4.2, 7.4.3).

use super::{Level, Mode, money};
use crate::prelude::*;
use crate::{CurrencyCode, ParseError, Reader, Scaling};

/// SETUP config data: the VMC (7.4.2, Y2-Y5).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct VmcConfig {
    /// Y2.
    pub level: Level,
    /// Y3: columns of the display; 0 when the reader may not use it.
    pub columns: u8,
    /// Y4: rows of the display.
    pub rows: u8,
    /// Y5: low three bits 0 for numbers and capitals, 1 for full ASCII.
    pub display: u8,
}

impl VmcConfig {
    /// Characters of a DISPLAY REQUEST: columns times rows, at most 32 (7.4.4).
    #[must_use]
    pub fn display_size(&self) -> u8 {
        self.columns.saturating_mul(self.rows).min(32)
    }

    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        Ok(Self {
            level: Level(r.u8("VMC feature level (7.4.2)")?),
            columns: r.u8("columns on display (7.4.2)")?,
            rows: r.u8("rows on display (7.4.2)")?,
            display: r.u8("display information (7.4.2)")?,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>) {
        out.extend([self.level.0, self.columns, self.rows, self.display]);
    }
}

/// READER CONFIGURATION DATA (7.4.2, Z2-Z8).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReaderConfig {
    /// Z2.
    pub level: Level,
    /// Z3-Z4; FFFFH when not known.
    pub currency: CurrencyCode,
    /// Z5: minor units per count, 1-255.
    pub scale: u8,
    /// Z6.
    pub decimals: u8,
    /// Z7: Application Maximum Response Time, seconds; supersedes the default of 5 s when greater
    /// (7.5).
    pub response_time: u8,
    /// Z8: see the constants of this type.
    pub misc: u8,
}

impl ReaderConfig {
    /// Z8 b0: funds can be restored; refunds may be requested.
    pub const RESTORES_FUNDS: u8 = 1;
    /// Z8 b1: several vends in one session.
    pub const MULTIVEND: u8 = 2;
    /// Z8 b2: the reader has a display.
    pub const DISPLAY: u8 = 4;
    /// Z8 b3: the reader takes CASH SALE.
    pub const CASH_SALE: u8 = 8;

    /// Scale factor and decimals as a [`Scaling`].
    #[must_use]
    pub fn scaling(&self) -> Scaling {
        Scaling {
            factor: u16::from(self.scale),
            decimals: self.decimals,
        }
    }

    /// The non-response time that holds, in seconds: Z7, or 5 when that is greater (7.5).
    #[must_use]
    pub fn non_response_seconds(&self) -> u8 {
        self.response_time.max(5)
    }

    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        Ok(Self {
            level: Level(r.u8("reader feature level (7.4.2)")?),
            currency: CurrencyCode(r.array("country / currency code (7.4.2)")?),
            scale: r.u8("scale factor (7.4.2)")?,
            decimals: r.u8("decimal places (7.4.2)")?,
            response_time: r.u8("application maximum response time (7.4.2)")?,
            misc: r.u8("miscellaneous options (7.4.2)")?,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>) {
        out.push(self.level.0);
        out.extend(self.currency.0);
        out.extend([self.scale, self.decimals, self.response_time, self.misc]);
    }
}

/// SETUP max / min prices (7.4.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PriceRange {
    /// The highest price, scaled; `None` when the VMC does not know it.
    pub max: Option<u32>,
    /// The lowest price, scaled; 0 when the VMC does not know it.
    pub min: u32,
    /// In EXPANDED CURRENCY MODE only: the currency of the prices; `None` for FFFFH.
    pub currency: Option<CurrencyCode>,
}

impl PriceRange {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        Ok(Self {
            max: money::read_known(r, mode, "maximum price (7.4.3)")?,
            min: money::read(r, mode, "minimum price (7.4.3)")?,
            currency: if mode.expanded() {
                read_currency(r, "currency code (7.4.3)")?
            } else {
                None
            },
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        money::put_known(out, mode, self.max);
        money::put(out, mode, self.min);
        if mode.expanded() {
            put_currency(out, self.currency);
        }
    }
}

pub(super) fn read_currency(
    r: &mut Reader<'_>,
    expected: &'static str,
) -> Result<Option<CurrencyCode>, ParseError> {
    let code = r.array(expected)?;
    Ok((code != [0xFF, 0xFF]).then_some(CurrencyCode(code)))
}

pub(super) fn put_currency(out: &mut Vec<u8>, code: Option<CurrencyCode>) {
    out.extend(code.map_or([0xFF, 0xFF], |c| c.0));
}
