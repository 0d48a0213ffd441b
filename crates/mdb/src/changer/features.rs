//! Optional features: offered in IDENTIFICATION, switched on by FEATURE ENABLE (section 5.3).

use core::fmt;
use core::ops::BitAnd;

/// 32 feature bits, bit 0 being the last bit sent (section 5.3, 0FH 00H, Z30-Z33).
#[derive(Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Features(pub u32);

impl Features {
    /// None; the state after every reset.
    pub const NONE: Self = Self(0);
    /// b0: the changer chooses the coins (PAYOUT, PAYOUT STATUS, PAYOUT VALUE POLL).
    pub const ALTERNATIVE_PAYOUT: Self = Self(1);
    /// b1: SEND DIAGNOSTIC STATUS.
    pub const EXTENDED_DIAGNOSTIC: Self = Self(1 << 1);
    /// b2: controlled manual fill and payout reports.
    pub const MANUAL_FILL_PAYOUT: Self = Self(1 << 2);
    /// b3: file transport layer.
    pub const FTL: Self = Self(1 << 3);

    const NAMES: [(Self, &'static str); 4] = [
        (Self::ALTERNATIVE_PAYOUT, "alternative payout"),
        (Self::EXTENDED_DIAGNOSTIC, "extended diagnostic"),
        (
            Self::MANUAL_FILL_PAYOUT,
            "controlled manual fill and payout",
        ),
        (Self::FTL, "file transport layer"),
    ];

    /// True when every bit of `other` is set here.
    #[must_use]
    pub const fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Both together.
    #[must_use]
    pub const fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

impl BitAnd for Features {
    type Output = Self;
    fn bitand(self, rhs: Self) -> Self {
        Self(self.0 & rhs.0)
    }
}

/// `alternative payout, extended diagnostic`, or `none`; undefined bits in hex.
impl fmt::Display for Features {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 == 0 {
            return f.write_str("none");
        }
        let mut rest = self.0;
        let mut comma = "";
        for (feature, name) in Self::NAMES {
            if self.contains(feature) {
                write!(f, "{comma}{name}")?;
                comma = ", ";
                rest &= !feature.0;
            }
        }
        if rest != 0 {
            write!(f, "{comma}undefined bits {rest:08X}H")?;
        }
        Ok(())
    }
}

impl fmt::Debug for Features {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "features {self}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prelude::*;

    #[test]
    fn features_read_as_words() {
        assert_eq!(
            Features(3).to_string(),
            "alternative payout, extended diagnostic"
        );
        assert_eq!(Features::NONE.to_string(), "none");
        assert_eq!(
            Features(0x8000_0008).to_string(),
            "file transport layer, undefined bits 80000000H"
        );
    }
}
