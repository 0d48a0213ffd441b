//! The answer to SETUP: what a validator is and which bills it takes (section 6.3, 31H).

use super::BillTypes;
use crate::prelude::*;
use crate::{CurrencyCode, ParseError, Reader, Scaling};
use core::fmt;

/// The most bill types there are (section 6.3, Z12-Z27).
pub(super) const TYPES: usize = 16;
/// The credit byte of a vend token (section 6.3, Z12-Z27).
const TOKEN: u8 = 0xFF;

/// Byte Z11: can the validator hold a bill until told what to do with it?
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EscrowCapability {
    /// 00H: no escrow, bills are stacked at once.
    None,
    /// FFH: it can.
    Capable,
    /// Not defined by the standard.
    Other(u8),
}

impl EscrowCapability {
    const fn of(byte: u8) -> Self {
        match byte {
            0x00 => Self::None,
            0xFF => Self::Capable,
            n => Self::Other(n),
        }
    }

    const fn byte(self) -> u8 {
        match self {
            Self::None => 0x00,
            Self::Capable => 0xFF,
            Self::Other(n) => n,
        }
    }
}

/// What a bill type is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum BillValue {
    /// The type is not used (credit 00H, or not sent).
    Unused,
    /// A vend token (credit FFH).
    Token,
    /// Minor units: the credit byte times the scaling factor.
    Minor(i64),
}

/// The SETUP data (bytes Z1-Z27; Z12-Z27 may end early).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Setup {
    /// Z1: feature level, 1 or 2 as of 4.3.
    pub level: u8,
    /// Z2-Z3.
    pub currency: CurrencyCode,
    /// Z4-Z6: bill scaling factor and decimal places.
    pub scaling: Scaling,
    /// Z7-Z8: how many bills the stacker holds.
    pub stacker_capacity: u16,
    /// Z9-Z10: types at the high security level. A validator with one level only reports all high.
    pub security: BillTypes,
    /// Z11.
    pub escrow: EscrowCapability,
    /// Z12-Z27: credit per bill type, ascending from type 0: value divided by the scaling factor,
    /// 00H unused, FFH a vend token. At most 16 are emitted; those not sent count as 00H.
    pub credits: Vec<u8>,
}

impl Setup {
    /// What a bill type (0-15) is worth; above 15 nothing is.
    #[must_use]
    pub fn value(&self, bill_type: u8) -> BillValue {
        let credit = self.credits.iter().take(TYPES).nth(usize::from(bill_type));
        match credit.copied().unwrap_or(0) {
            0 => BillValue::Unused,
            TOKEN => BillValue::Token,
            n => BillValue::Minor(self.scaling.to_minor(u32::from(n))),
        }
    }

    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        let level = r.u8("Z1, the feature level")?;
        let currency = CurrencyCode(r.array("Z2-Z3, the country / currency code")?);
        let factor = r.u16("Z4-Z5, the bill scaling factor")?;
        let decimals = r.u8("Z6, the decimal places")?;
        let stacker_capacity = r.u16("Z7-Z8, the stacker capacity")?;
        let security = BillTypes(r.u16("Z9-Z10, the bill security levels")?);
        let escrow = EscrowCapability::of(r.u8("Z11, the escrow capability")?);
        let extra = r.rest().len().saturating_sub(TYPES);
        if extra > 0 {
            let at = r.at() + TYPES;
            return Err(ParseError::Long { at, extra });
        }
        Ok(Self {
            level,
            currency,
            scaling: Scaling { factor, decimals },
            stacker_capacity,
            security,
            escrow,
            credits: r.take_rest().to_vec(),
        })
    }

    pub(super) fn emit(&self) -> Vec<u8> {
        let mut out = vec![self.level];
        out.extend(self.currency.0);
        out.extend(self.scaling.factor.to_be_bytes());
        out.push(self.scaling.decimals);
        out.extend(self.stacker_capacity.to_be_bytes());
        out.extend(self.security.0.to_be_bytes());
        out.push(self.escrow.byte());
        out.extend(self.credits.iter().take(TYPES));
        out
    }
}

impl fmt::Display for Setup {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Scaling { factor, decimals } = self.scaling;
        write!(
            f,
            "level {}, {}, scaling factor {factor}, {decimals} decimals, stacker holds {}, high security {}, ",
            self.level, self.currency, self.stacker_capacity, self.security
        )?;
        match self.escrow {
            EscrowCapability::None => f.write_str("no escrow")?,
            EscrowCapability::Capable => f.write_str("escrow")?,
            EscrowCapability::Other(n) => write!(f, "undefined escrow {n:02X}H")?,
        }
        f.write_str(", bills")?;
        let mut any = false;
        for (bill_type, credit) in self.credits.iter().take(TYPES).enumerate() {
            match *credit {
                0 => continue,
                TOKEN => write!(f, " {bill_type}=token")?,
                n => write!(f, " {bill_type}={}", u32::from(n) * u32::from(factor))?,
            }
            any = true;
        }
        f.write_str(if any { "" } else { " none" })
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// captures/clean-1.expect.json, at 822704 us: the answer to 31H.
    pub(crate) const CAPTURED: [u8; 27] = [
        0x01, 0x18, 0x40, 0x00, 0x64, 0x02, 0x01, 0x90, 0xFF, 0xFF, 0xFF, 0x01, 0x05, 0x0A, 0x14,
        0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    ];

    #[test]
    fn captured_setup() {
        let setup = Setup::parse(&mut Reader::new(&CAPTURED)).unwrap();
        assert_eq!((setup.level, setup.stacker_capacity), (1, 400));
        assert_eq!(setup.currency, CurrencyCode::USD);
        assert_eq!(setup.escrow, EscrowCapability::Capable);
        assert_eq!(setup.security, BillTypes::ALL);
        assert_eq!(setup.value(0), BillValue::Minor(100));
        assert_eq!(setup.value(3), BillValue::Minor(2_000));
        assert_eq!(setup.value(4), BillValue::Unused);
        assert_eq!(setup.value(16), BillValue::Unused);
        assert_eq!(setup.emit(), CAPTURED);
        assert_eq!(
            setup.to_string(),
            "level 1, USD (ISO 4217 840), scaling factor 100, 2 decimals, stacker holds 400, \
             high security all, escrow, bills 0=100 1=500 2=1000 3=2000"
        );
    }

    /// Section 6.3, Z12-Z27: types not sent count as zero; FFH is a vend token.
    #[test]
    fn short_setup_and_tokens() {
        let bytes = [
            0x02, 0x00, 0x01, 0x00, 0x64, 0x02, 0x01, 0x90, 0, 0, 0, 0x01, 0xFF,
        ];
        let setup = Setup::parse(&mut Reader::new(&bytes)).unwrap();
        assert_eq!(setup.value(1), BillValue::Token);
        assert_eq!(setup.value(2), BillValue::Unused);
        assert_eq!(setup.escrow, EscrowCapability::None);
        assert_eq!(setup.currency.telephone(), Some(1));
        assert_eq!(setup.emit(), bytes);
    }

    #[test]
    fn a_byte_too_many_and_one_too_few_are_named() {
        let mut long = CAPTURED.to_vec();
        long.push(0);
        assert_eq!(
            Setup::parse(&mut Reader::new(&long)),
            Err(ParseError::Long { at: 27, extra: 1 })
        );
        let error = Setup::parse(&mut Reader::new(&CAPTURED[..10])).unwrap_err();
        assert!(error.to_string().contains("Z11"), "{error}");
    }
}
