//! Money in integer minor units (cents, pence, ...). How many decimals a minor unit has is only a
//! matter of display ([`Decimals`], [`Amount`]).

use crate::prelude::*;
use core::fmt;
use core::ops::Neg;
use serde::{Deserialize, Serialize};

/// An amount of money in minor units of the bench's currency (cents for dollars). May be negative
/// (a debt, a refund). Arithmetic is checked: see [`Money::checked_add`].
///
/// ```
/// use payrig_units::{Decimals, Money};
///
/// let price = Money::parse("1.25", Decimals(2))?;
/// assert_eq!(price, Money(125));
/// assert_eq!(price.checked_sub(Money(200)), Some(Money(-75)));
/// assert_eq!(price.checked_mul(i64::MAX), None);
/// assert_eq!(price.show(Decimals(2)).to_string(), "1.25");
/// assert!(Money::parse("1.255", Decimals(2)).is_err());
/// # Ok::<(), payrig_units::ParseMoneyError>(())
/// ```
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Money(pub i64);

impl Money {
    /// Nothing.
    pub const ZERO: Self = Self(0);

    /// `n` minor units.
    #[must_use]
    pub const fn minor(n: i64) -> Self {
        Self(n)
    }

    /// The count of minor units.
    #[must_use]
    pub const fn as_minor(self) -> i64 {
        self.0
    }

    /// Sum, `None` on overflow.
    #[must_use]
    pub const fn checked_add(self, rhs: Self) -> Option<Self> {
        match self.0.checked_add(rhs.0) {
            Some(n) => Some(Self(n)),
            None => None,
        }
    }

    /// Difference, `None` on overflow.
    #[must_use]
    pub const fn checked_sub(self, rhs: Self) -> Option<Self> {
        match self.0.checked_sub(rhs.0) {
            Some(n) => Some(Self(n)),
            None => None,
        }
    }

    /// Product, `None` on overflow.
    #[must_use]
    pub const fn checked_mul(self, n: i64) -> Option<Self> {
        match self.0.checked_mul(n) {
            Some(n) => Some(Self(n)),
            None => None,
        }
    }

    /// Sum that stops at the ends of the range instead of overflowing. For counters that are
    /// displayed; the ledger uses the checked form.
    #[must_use]
    pub const fn saturating_add(self, rhs: Self) -> Self {
        Self(self.0.saturating_add(rhs.0))
    }

    /// Difference that stops at the ends of the range instead of overflowing.
    #[must_use]
    pub const fn saturating_sub(self, rhs: Self) -> Self {
        Self(self.0.saturating_sub(rhs.0))
    }

    /// True for zero.
    #[must_use]
    pub const fn is_zero(self) -> bool {
        self.0 == 0
    }

    /// The amount with a number of decimals, ready to print.
    #[must_use]
    pub const fn show(self, decimals: Decimals) -> Amount {
        Amount {
            money: self,
            decimals,
        }
    }

    /// Reads `1.25`, `1`, `-0.05` with `decimals` places.
    ///
    /// # Errors
    /// When the text is not a number, has more decimals than the currency, or is out of range.
    pub fn parse(text: &str, decimals: Decimals) -> Result<Self, ParseMoneyError> {
        let bad = |why| ParseMoneyError {
            text: text.to_owned(),
            why,
        };
        let (negative, digits) = match text.trim().strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text.trim()),
        };
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        let all_digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
        if whole.is_empty() || !all_digits(whole) || !all_digits(fraction) {
            return Err(bad("expected digits with at most one point, as in 1.25"));
        }
        if fraction.len() > usize::from(decimals.0) {
            return Err(bad("more decimals than the currency has"));
        }
        let mut padded = format!("{whole}{fraction}");
        padded.extend(core::iter::repeat_n(
            '0',
            usize::from(decimals.0) - fraction.len(),
        ));
        let n: i64 = padded.parse().map_err(|_| bad("the amount is too large"))?;
        Ok(Self(if negative { -n } else { n }))
    }
}

impl Neg for Money {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

impl fmt::Debug for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} minor", self.0)
    }
}

impl core::iter::Sum for Money {
    fn sum<I: Iterator<Item = Self>>(iter: I) -> Self {
        iter.fold(Self::ZERO, Self::saturating_add)
    }
}

/// How many decimal places one major unit has: 2 for dollars and euros, 0 for yen. Range 0 to 9.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Decimals(
    /// The count of places.
    #[cfg_attr(feature = "schema", schemars(range(min = 0, max = 9)))]
    pub u8,
);

impl Default for Decimals {
    fn default() -> Self {
        Self(2)
    }
}

/// Money together with its number of decimals: prints as `1.25`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Amount {
    /// The amount.
    pub money: Money,
    /// How it is written.
    pub decimals: Decimals,
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let places = usize::from(self.decimals.0.min(18));
        let digits = format!(
            "{:0width$}",
            self.money.0.unsigned_abs(),
            width = places + 1
        );
        let (whole, fraction) = digits.split_at(digits.len() - places);
        let sign = if self.money.0 < 0 { "-" } else { "" };
        let point = if places == 0 { "" } else { "." };
        f.pad(&format!("{sign}{whole}{point}{fraction}"))
    }
}

/// A text that is not an amount of money.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ParseMoneyError {
    text: String,
    why: &'static str,
}

impl fmt::Display for ParseMoneyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "\"{}\" is not an amount of money: {}",
            self.text, self.why
        )
    }
}

impl core::error::Error for ParseMoneyError {}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn shows_decimals() {
        assert_eq!(Money(125).show(Decimals(2)).to_string(), "1.25");
        assert_eq!(Money(5).show(Decimals(2)).to_string(), "0.05");
        assert_eq!(Money(-5).show(Decimals(2)).to_string(), "-0.05");
        assert_eq!(Money(500).show(Decimals(0)).to_string(), "500");
    }

    #[test]
    fn refuses_what_the_currency_cannot_say() {
        assert!(Money::parse("1.255", Decimals(2)).is_err());
        assert!(Money::parse("1,25", Decimals(2)).is_err());
        assert!(Money::parse("", Decimals(2)).is_err());
        assert!(Money::parse("99999999999999999999", Decimals(2)).is_err());
    }

    proptest! {
        #[test]
        fn text_round_trips(n in -1_000_000_000_000i64..1_000_000_000_000, d in 0u8..=9) {
            let text = Money(n).show(Decimals(d)).to_string();
            prop_assert_eq!(Money::parse(&text, Decimals(d)), Ok(Money(n)));
        }

        #[test]
        fn any_text_parses_without_panic(text in ".*", d in 0u8..=9) {
            let _ = Money::parse(&text, Decimals(d));
        }
    }
}
