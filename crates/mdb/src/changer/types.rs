//! Coin types, sets of them, and small counts that cannot be too large for their bits.

use core::fmt;

/// A count from 0 to `MAX`, as wide as its field in the standard.
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UpTo<const MAX: u8>(u8);

impl<const MAX: u8> UpTo<MAX> {
    /// The largest count.
    pub const MAX: Self = Self(MAX);

    /// The count, `None` when it does not fit.
    #[must_use]
    pub const fn new(n: u8) -> Option<Self> {
        if n <= MAX { Some(Self(n)) } else { None }
    }

    /// The count, or the largest there is.
    #[must_use]
    pub fn saturating(n: usize) -> Self {
        Self(u8::try_from(n).unwrap_or(MAX).min(MAX))
    }

    /// The count as a number.
    #[must_use]
    pub const fn get(self) -> u8 {
        self.0
    }
}

impl<const MAX: u8> fmt::Display for UpTo<MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl<const MAX: u8> fmt::Debug for UpTo<MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// Coins to dispense, 0 to 15 (section 5.3, DISPENSE, bits 7 to 4).
pub type DispenseCount = UpTo<15>;
/// Coins dispensed manually, 0 to 7 (section 5.3, POLL, bits yyy).
pub type ManualCount = UpTo<7>;
/// Slugs since the last activity, 0 to 31 (section 5.3, POLL, bits xxxxx).
pub type SlugCount = UpTo<31>;

/// A coin type, 0 to 15: the position of a coin's value in SETUP (section 5.3).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CoinType(u8);

impl CoinType {
    /// The coin type, `None` above 15.
    #[must_use]
    pub const fn new(n: u8) -> Option<Self> {
        if n < 16 { Some(Self(n)) } else { None }
    }

    /// The coin type in the lower four bits of a byte.
    #[must_use]
    pub const fn of(byte: u8) -> Self {
        Self(byte & 0x0F)
    }

    /// All sixteen, in ascending order.
    pub fn all() -> impl DoubleEndedIterator<Item = Self> {
        (0..16).map(Self)
    }

    /// 0 to 15.
    #[must_use]
    pub const fn get(self) -> u8 {
        self.0
    }

    /// 0 to 15, for tables of sixteen.
    #[must_use]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl fmt::Display for CoinType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Debug for CoinType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "coin type {}", self.0)
    }
}

/// A set of coin types: sixteen bits, bit 0 for coin type 0 (section 5.3).
#[derive(Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct CoinTypes(pub u16);

impl CoinTypes {
    /// No coin type.
    pub const NONE: Self = Self(0);
    /// Every coin type.
    pub const ALL: Self = Self(u16::MAX);

    /// True when the coin type is in the set.
    #[must_use]
    pub const fn contains(self, coin_type: CoinType) -> bool {
        self.0 & (1 << coin_type.0) != 0
    }

    /// The set with one more coin type.
    #[must_use]
    pub const fn with(self, coin_type: CoinType) -> Self {
        Self(self.0 | (1 << coin_type.0))
    }

    /// The set with one coin type less.
    #[must_use]
    pub const fn without(self, coin_type: CoinType) -> Self {
        Self(self.0 & !(1 << coin_type.0))
    }

    /// True for none.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The coin types in it, ascending.
    pub fn iter(self) -> impl DoubleEndedIterator<Item = CoinType> {
        CoinType::all().filter(move |t| self.contains(*t))
    }
}

impl FromIterator<CoinType> for CoinTypes {
    fn from_iter<I: IntoIterator<Item = CoinType>>(iter: I) -> Self {
        iter.into_iter().fold(Self::NONE, Self::with)
    }
}

/// `none`, `all`, or `0,1,2`.
impl fmt::Display for CoinTypes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_empty() {
            return f.write_str("none");
        }
        if *self == Self::ALL {
            return f.write_str("all");
        }
        for (n, coin_type) in self.iter().enumerate() {
            if n > 0 {
                f.write_str(",")?;
            }
            write!(f, "{coin_type}")?;
        }
        Ok(())
    }
}

impl fmt::Debug for CoinTypes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "coin types {self}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prelude::*;

    #[test]
    fn counts_stay_within_their_bits() {
        assert_eq!(DispenseCount::new(16), None);
        assert_eq!(DispenseCount::saturating(300).get(), 15);
        assert_eq!(ManualCount::saturating(5).get(), 5);
        assert_eq!(CoinType::new(16), None);
        assert_eq!(CoinType::of(0x52).get(), 2);
    }

    /// Section 5.3, COIN TYPE: bit 6 stands for coin type 6, bit 15 for coin type 15.
    #[test]
    fn sets_of_coin_types() {
        let set: CoinTypes = [6, 15].into_iter().filter_map(CoinType::new).collect();
        assert_eq!(set, CoinTypes(0x8040));
        assert_eq!(set.to_string(), "6,15");
        assert_eq!(set.without(CoinType::of(15)), CoinTypes(0x0040));
        assert_eq!(CoinTypes::NONE.to_string(), "none");
        assert_eq!(CoinTypes::ALL.to_string(), "all");
    }
}
