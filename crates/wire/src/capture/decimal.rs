//! Decimal times in text, converted to microseconds with integers only.

/// A time as a file writes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct DecimalTime {
    /// Microseconds, rounded to the nearest (halves away from zero). May be negative.
    pub(crate) us: i128,
    /// The power of ten of its last digit, in seconds: -9 when written to the nanosecond.
    pub(crate) last_digit: i32,
}

/// Reads `1.234567`, `-0.5`, `1.5e-3`. `unit` is the power of ten of the unit in seconds: 0 for
/// seconds, -3 for milliseconds. `None` when it is no decimal number or is out of range.
pub(crate) fn parse_time(text: &str, unit: i32) -> Option<DecimalTime> {
    let text = text.trim();
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((m, e)) => (m, e.parse::<i32>().ok().filter(|e| e.abs() <= 40)?),
        None => (text, 0),
    };
    let (negative, digits) = match mantissa.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, mantissa.strip_prefix('+').unwrap_or(mantissa)),
    };
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    if whole.is_empty() && fraction.is_empty() || whole.len() + fraction.len() > 30 {
        return None;
    }
    let mut value: i128 = 0;
    for c in whole.bytes().chain(fraction.bytes()) {
        if !c.is_ascii_digit() {
            return None;
        }
        value = value.checked_mul(10)?.checked_add(i128::from(c - b'0'))?;
    }
    let last_digit = unit + exponent - fraction.len() as i32;
    let power = last_digit + 6;
    let us = if power >= 0 {
        value.checked_mul(10i128.checked_pow(power.unsigned_abs())?)?
    } else {
        match 10i128.checked_pow(power.unsigned_abs()) {
            Some(divisor) => value.checked_add(divisor / 2)? / divisor,
            None => 0,
        }
    };
    Some(DecimalTime {
        us: if negative { -us } else { us },
        last_digit,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn us(text: &str) -> Option<i128> {
        parse_time(text, 0).map(|t| t.us)
    }

    #[test]
    fn exact_and_rounded() {
        assert_eq!(us("0.005000000"), Some(5_000));
        assert_eq!(us("1.2345675"), Some(1_234_568));
        assert_eq!(us("1.2345674999"), Some(1_234_567));
        assert_eq!(us("-0.0000015"), Some(-2));
        assert_eq!(us("1.5e-3"), Some(1_500));
        assert_eq!(parse_time("12.5", -3).map(|t| t.us), Some(12_500));
        assert_eq!(us("1,5"), None);
        assert_eq!(us(""), None);
        assert_eq!(us("."), None);
        assert_eq!(us("nan"), None);
    }

    proptest! {
        #[test]
        fn microseconds_round_trip(n in 0u64..10_000_000_000_000) {
            let text = format!("{}.{:06}", n / 1_000_000, n % 1_000_000);
            prop_assert_eq!(us(&text), Some(i128::from(n)));
        }

        #[test]
        fn any_text_never_panics(text in ".*", unit in -12i32..=0) {
            let _ = parse_time(&text, unit);
        }
    }
}
