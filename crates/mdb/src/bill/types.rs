//! Small values that several commands of section 6.3 share.

use crate::prelude::*;
use core::fmt;

/// A set of bill types 0 to 15, one bit each, bit 0 being type 0 (section 6.3: SECURITY, BILL
/// TYPE, RECYCLER SETUP, RECYCLER ENABLE, BILL DISPENSE STATUS).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct BillTypes(pub u16);

impl BillTypes {
    /// No bill type.
    pub const NONE: Self = Self(0);
    /// All sixteen.
    pub const ALL: Self = Self(0xFFFF);

    /// True when `bill_type` (0-15) is in the set; false for any number above 15.
    #[must_use]
    pub const fn contains(self, bill_type: u8) -> bool {
        bill_type < 16 && self.0 & (1 << bill_type) != 0
    }

    /// The set with `bill_type` added; numbers above 15 change nothing.
    #[must_use]
    pub const fn with(self, bill_type: u8) -> Self {
        if bill_type < 16 {
            Self(self.0 | (1 << bill_type))
        } else {
            self
        }
    }

    /// True for the empty set.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The types in the set, ascending.
    pub fn iter(self) -> impl Iterator<Item = u8> {
        (0..16).filter(move |t| self.contains(*t))
    }
}

impl FromIterator<u8> for BillTypes {
    fn from_iter<I: IntoIterator<Item = u8>>(types: I) -> Self {
        types.into_iter().fold(Self::NONE, Self::with)
    }
}

/// `none`, `all`, or the types separated by commas.
impl fmt::Display for BillTypes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NONE => f.write_str("none"),
            Self::ALL => f.write_str("all"),
            _ => {
                let types: Vec<String> = self.iter().map(|t| t.to_string()).collect();
                f.write_str(&types.join(","))
            }
        }
    }
}

/// What to do with the bill in escrow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EscrowAction {
    /// Give it back to the customer.
    Return,
    /// Stack it (or route it to the recycler).
    Stack,
}

/// Byte Y1 of ESCROW (section 6.3): 0 returns the bill, any odd value stacks it; even values other
/// than 0 are not defined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct EscrowStatus(pub u8);

impl EscrowStatus {
    /// Return the bill.
    pub const RETURN: Self = Self(0);
    /// Stack the bill, all bits the standard leaves open being 0.
    pub const STACK: Self = Self(1);

    /// What is ordered; `None` for a value the standard does not define.
    #[must_use]
    pub const fn action(self) -> Option<EscrowAction> {
        match self.0 {
            0 => Some(EscrowAction::Return),
            n if n & 1 == 1 => Some(EscrowAction::Stack),
            _ => None,
        }
    }
}

impl fmt::Display for EscrowStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.action() {
            Some(EscrowAction::Return) => f.write_str("return"),
            Some(EscrowAction::Stack) => f.write_str("stack"),
            None => write!(f, "undefined status {:02X}H", self.0),
        }
    }
}

/// Which bills of a type go to the recycler: one byte of RECYCLER ENABLE (section 6.3, 37H-04H).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum RecyclerUse {
    /// 0: none.
    #[default]
    Disabled,
    /// 1: bills of high quality only.
    High,
    /// 2: bills of high and medium quality.
    HighAndMedium,
    /// 3: all the recycler itself finds fit; the setting the standard recommends.
    All,
    /// Not defined by the standard.
    Other(u8),
}

impl RecyclerUse {
    /// From its byte.
    #[must_use]
    pub const fn of(byte: u8) -> Self {
        match byte {
            0 => Self::Disabled,
            1 => Self::High,
            2 => Self::HighAndMedium,
            3 => Self::All,
            n => Self::Other(n),
        }
    }

    /// Its byte.
    #[must_use]
    pub const fn byte(self) -> u8 {
        match self {
            Self::Disabled => 0,
            Self::High => 1,
            Self::HighAndMedium => 2,
            Self::All => 3,
            Self::Other(n) => n,
        }
    }
}

impl fmt::Display for RecyclerUse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Disabled => f.write_str("off"),
            Self::High => f.write_str("high quality"),
            Self::HighAndMedium => f.write_str("high and medium quality"),
            Self::All => f.write_str("all"),
            Self::Other(n) => write!(f, "undefined {n:02X}H"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Section 6.3, BILL TYPE: bit 0 of Y2 is type 0, bit 15 (b7 of Y1) is type 15.
    #[test]
    fn bits_are_types() {
        let types = BillTypes(u16::from_be_bytes([0x80, 0x05]));
        assert_eq!(types.iter().collect::<Vec<_>>(), [0, 2, 15]);
        assert_eq!([15, 0, 2].into_iter().collect::<BillTypes>(), types);
        assert!(!types.contains(16) && !types.contains(255));
        assert_eq!(BillTypes::NONE.with(16), BillTypes::NONE);
        assert_eq!(types.to_string(), "0,2,15");
        assert_eq!(BillTypes::NONE.to_string(), "none");
        assert_eq!(BillTypes::ALL.to_string(), "all");
    }

    /// Section 6.3, ESCROW: Y1 = 0 returns, xxxxxxx1 stacks.
    #[test]
    fn escrow_status() {
        for byte in 0..=255u8 {
            let expected = match byte {
                0 => Some(EscrowAction::Return),
                n if n % 2 == 1 => Some(EscrowAction::Stack),
                _ => None,
            };
            assert_eq!(EscrowStatus(byte).action(), expected);
        }
    }

    #[test]
    fn recycler_use_round_trips() {
        for byte in 0..=255 {
            assert_eq!(RecyclerUse::of(byte).byte(), byte);
        }
    }
}
