//! What decides the form of a message: level, enabled options, size of the VMC's display.

use crate::Address;
use core::fmt;
use core::ops::{BitAnd, BitOr};

/// Which of the two cashless addresses (section 7.1).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Unit {
    /// Cashless device 1, 10H.
    #[default]
    One,
    /// Cashless device 2, 60H.
    Two,
}

impl Unit {
    /// The address.
    #[must_use]
    pub const fn address(self) -> Address {
        match self {
            Self::One => Address::CASHLESS_1,
            Self::Two => Address::CASHLESS_2,
        }
    }

    /// The device an address byte speaks to, `None` when it is not a cashless device.
    #[must_use]
    pub fn of(byte: u8) -> Option<Self> {
        match Address::of(byte) {
            Address::CASHLESS_1 => Some(Self::One),
            Address::CASHLESS_2 => Some(Self::Two),
            _ => None,
        }
    }

    /// 1 or 2.
    #[must_use]
    pub const fn number(self) -> u8 {
        match self {
            Self::One => 1,
            Self::Two => 2,
        }
    }
}

/// Feature level of a VMC or reader (7.4.2, Y2 and Z2): 1 to 3 are defined, others are kept.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Level(pub u8);

impl Level {
    /// Level 01.
    pub const ONE: Self = Self(1);
    /// Level 02.
    pub const TWO: Self = Self(2);
    /// Level 03.
    pub const THREE: Self = Self(3);
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "level {:02}", self.0)
    }
}

impl fmt::Debug for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// Optional feature bits of a level 03 reader (7.4.4 PERIPHERAL ID, Z31-Z34; 7.4.24).
#[derive(Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Options(pub u32);

impl Options {
    /// None.
    pub const NONE: Self = Self(0);
    /// b0: File Transport Layer.
    pub const FTL: Self = Self(1);
    /// b1: 32 bit monetary format.
    pub const MONEY_32: Self = Self(1 << 1);
    /// b2: multi currency / multi lingual.
    pub const MULTI_CURRENCY: Self = Self(1 << 2);
    /// b3: Negative Vend.
    pub const NEGATIVE_VEND: Self = Self(1 << 3);
    /// b4: data entry.
    pub const DATA_ENTRY: Self = Self(1 << 4);
    /// b5: Always Idle.
    pub const ALWAYS_IDLE: Self = Self(1 << 5);
    /// b6: Remote Vend.
    pub const REMOTE_VEND: Self = Self(1 << 6);
    /// b7: Basket / Partial Refund / Options Price.
    pub const BASKET: Self = Self(1 << 7);
    /// b8: Coupon.
    pub const COUPON: Self = Self(1 << 8);
    /// b9: Ask Begin Session (b5 should be set too).
    pub const ASK_BEGIN_SESSION: Self = Self(1 << 9);
    /// b10: Enhanced Item Number Information.
    pub const ENHANCED_ITEMS: Self = Self(1 << 10);
    /// b0 to b10: every bit version 4.3 defines.
    pub const DEFINED: Self = Self(0x7FF);

    const NAMES: [&'static str; 11] = [
        "FTL",
        "32 bit money",
        "multi currency",
        "negative vend",
        "data entry",
        "always idle",
        "remote vend",
        "basket",
        "coupon",
        "ask begin session",
        "enhanced items",
    ];

    /// True when every bit of `other` is set.
    #[must_use]
    pub const fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// The bits of `self` that `other` has not.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }
}

impl BitOr for Options {
    type Output = Self;
    fn bitor(self, rhs: Self) -> Self {
        Self(self.0 | rhs.0)
    }
}

impl BitAnd for Options {
    type Output = Self;
    fn bitand(self, rhs: Self) -> Self {
        Self(self.0 & rhs.0)
    }
}

impl fmt::Display for Options {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 == 0 {
            return f.write_str("none");
        }
        let mut first = true;
        for bit in (0..32).filter(|bit| self.0 & (1 << bit) != 0) {
            if !first {
                f.write_str(", ")?;
            }
            first = false;
            match Self::NAMES.get(bit) {
                Some(name) => f.write_str(name)?,
                None => write!(f, "bit {bit} (not used)")?,
            }
        }
        Ok(())
    }
}

impl fmt::Debug for Options {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// What both sides agreed on, and so the form of their messages.
///
/// The default is the mode after a RESET and before SETUP: level 01, no options, no display.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Mode {
    /// The highest common level of VMC and reader (2.4.4).
    pub level: Level,
    /// Options the VMC enabled (7.4.24); they count at level 03 only.
    pub options: Options,
    /// Characters of the VMC's display the reader may use: columns times rows, at most 32
    /// (7.4.4, DISPLAY REQUEST); 0 when there is none or it is not known.
    pub display: u8,
}

impl Default for Mode {
    fn default() -> Self {
        Self {
            level: Level::ONE,
            options: Options::NONE,
            display: 0,
        }
    }
}

impl Mode {
    /// A level without options and display.
    #[must_use]
    pub const fn level(level: Level) -> Self {
        Self {
            level,
            options: Options::NONE,
            display: 0,
        }
    }

    /// True when the options are enabled and the level is 03 or more.
    #[must_use]
    pub fn has(&self, options: Options) -> bool {
        self.level >= Level::THREE && self.options.contains(options)
    }

    /// EXPANDED CURRENCY MODE: 32 bit money or multi currency is enabled (7.4.4, PERIPHERAL ID).
    /// The formats of this mode have 32 bit amounts whichever of the two bits is set.
    #[must_use]
    pub fn expanded(&self) -> bool {
        self.has(Options::MONEY_32) || self.has(Options::MULTI_CURRENCY)
    }

    /// Bits of an amount: 16 or 32.
    #[must_use]
    pub fn money_bits(&self) -> u8 {
        if self.expanded() { 32 } else { 16 }
    }

    /// The largest value of an amount's field.
    #[must_use]
    pub fn money_max(&self) -> u32 {
        if self.expanded() {
            u32::MAX
        } else {
            u32::from(u16::MAX)
        }
    }

    /// Every other combination of level and format-changing options, nearest to the plain levels
    /// first. Used to read a message whose sender is in another mode than it should be.
    pub(super) fn others(&self) -> impl Iterator<Item = Self> + '_ {
        let plain = [Level::ONE, Level::TWO, Level::THREE].map(|level| (level, Options::NONE));
        let formats = (1..8u32).map(|n| {
            let pick = |bit: u32, options: Options| {
                if n & bit != 0 { options } else { Options::NONE }
            };
            let options = pick(1, Options::MONEY_32)
                | pick(2, Options::BASKET)
                | pick(4, Options::ENHANCED_ITEMS);
            (Level::THREE, options)
        });
        let display = self.display;
        plain
            .into_iter()
            .chain(formats)
            .map(move |(level, options)| Self {
                level,
                options,
                display,
            })
            .filter(move |mode| mode != self)
    }
}
