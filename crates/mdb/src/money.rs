//! Scaled money and currency codes as they travel in SETUP/STATUS data.

use core::fmt;

/// A device's scaling factor and decimal places (sections 5.3, 6.3, 7.4.2).
///
/// A value on the wire times the factor is an amount in minor units. The number of decimals only
/// says where a display puts its point; it does not adjust values (4.3, Appendix 3, section 4).
///
/// ```
/// use payrig_mdb::Scaling;
///
/// let scaling = Scaling { factor: 5, decimals: 2 };
/// assert_eq!(scaling.to_minor(15), 75);
/// assert_eq!(scaling.to_count(75, 255), Ok(15));
/// assert!(scaling.to_count(77, 255).is_err());
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scaling {
    /// Minor units per count; 0 is not a usable factor.
    pub factor: u16,
    /// Decimal places of the display.
    pub decimals: u8,
}

impl Scaling {
    /// Minor units of a count on the wire.
    #[must_use]
    pub fn to_minor(self, count: u32) -> i64 {
        i64::from(count) * i64::from(self.factor)
    }

    /// The count for an amount in minor units.
    ///
    /// # Errors
    /// When the factor does not divide the amount, is zero, or the amount is negative or more than
    /// `max` counts: the error names both.
    pub fn to_count(self, minor: i64, max: u32) -> Result<u32, ScalingError> {
        let error = ScalingError {
            minor,
            factor: self.factor,
            max,
        };
        if self.factor == 0 || minor % i64::from(self.factor) != 0 {
            return Err(error);
        }
        match u32::try_from(minor / i64::from(self.factor)) {
            Ok(n) if n <= max => Ok(n),
            _ => Err(error),
        }
    }
}

/// An amount that a device's scaling factor cannot express.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ScalingError {
    /// The amount, minor units.
    pub minor: i64,
    /// The factor.
    pub factor: u16,
    /// The most counts the field can hold.
    pub max: u32,
}

impl fmt::Display for ScalingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} minor units cannot be sent with scaling factor {} (a whole number of counts from 0 to {})",
            self.minor, self.factor, self.max
        )
    }
}

impl core::error::Error for ScalingError {}

/// Country / currency code: two BCD bytes (sections 5.3, 6.3, 7.4.2, Appendix 1).
///
/// A leading digit of 1 marks an ISO 4217 numeric code (1840 for the US dollar); a leading digit
/// of 0 is an international telephone code (0001 for the USA), as devices before July 2000 sent it.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct CurrencyCode(pub [u8; 2]);

impl CurrencyCode {
    /// US dollar, ISO 4217 form.
    pub const USD: Self = Self([0x18, 0x40]);

    fn digits(self) -> Option<u16> {
        self.0.iter().try_fold(0u16, |n, b| {
            let (high, low) = (b >> 4, b & 0xF);
            (high < 10 && low < 10).then(|| n * 100 + u16::from(high) * 10 + u16::from(low))
        })
    }

    /// The ISO 4217 numeric code, where this is one.
    #[must_use]
    pub fn iso4217(self) -> Option<u16> {
        self.digits()
            .filter(|n| (1000..2000).contains(n))
            .map(|n| n - 1000)
    }

    /// The three letters of a current ISO 4217 code ("USD" for 1840). Without the feature
    /// `currency-letters` they are not known for any.
    #[must_use]
    pub fn letters(self) -> Option<&'static str> {
        #[cfg(feature = "currency-letters")]
        let letters = iso_currency::Currency::from_numeric(self.iso4217()?).map(|c| c.code());
        #[cfg(not(feature = "currency-letters"))]
        let letters = None;
        letters
    }

    /// The telephone code, where this is one.
    #[must_use]
    pub fn telephone(self) -> Option<u16> {
        self.digits().filter(|n| *n < 1000)
    }

    /// The code of an ISO 4217 numeric currency (0-999).
    #[must_use]
    pub fn from_iso4217(numeric: u16) -> Option<Self> {
        let bcd = |n: u16| (((n / 10) << 4) | (n % 10)) as u8;
        (numeric < 1000).then(|| Self([bcd(10 + numeric / 100), bcd(numeric % 100)]))
    }
}

impl fmt::Display for CurrencyCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b] = self.0;
        match (self.iso4217(), self.telephone()) {
            (Some(n), _) => match self.letters() {
                Some(letters) => write!(f, "{letters} (ISO 4217 {n:03})"),
                None => write!(f, "ISO 4217 {n:03}"),
            },
            (_, Some(n)) => write!(f, "telephone code {n}"),
            _ => write!(f, "code {a:02X}{b:02X}H (not BCD)"),
        }
    }
}

impl fmt::Debug for CurrencyCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prelude::*;

    #[test]
    fn a_price_that_scaling_cannot_express_is_an_error_that_names_it() {
        let scaling = Scaling {
            factor: 5,
            decimals: 2,
        };
        assert_eq!(scaling.to_count(125, 255), Ok(25));
        let error = scaling.to_count(123, 255).unwrap_err();
        assert!(
            error.to_string().contains("123 minor units") && error.to_string().contains("factor 5")
        );
        assert!(scaling.to_count(-5, 255).is_err());
        assert!(scaling.to_count(5 * 256, 255).is_err());
        assert!(
            Scaling {
                factor: 0,
                decimals: 0
            }
            .to_count(0, 255)
            .is_err()
        );
    }

    #[test]
    fn both_forms_of_currency_code() {
        assert_eq!(CurrencyCode::USD.iso4217(), Some(840));
        assert_eq!(CurrencyCode::from_iso4217(840), Some(CurrencyCode::USD));
        assert_eq!(CurrencyCode([0x00, 0x01]).telephone(), Some(1));
        assert_eq!(CurrencyCode([0xFF, 0xFF]).iso4217(), None);
        assert_eq!(CurrencyCode::USD.to_string(), "USD (ISO 4217 840)");
        // 276, the mark, was withdrawn in 2002.
        assert_eq!(CurrencyCode([0x12, 0x76]).to_string(), "ISO 4217 276");
    }
}
