//! Item options of SELECTION REQUEST (section 7.4.4, Z13-Z16): sugar, cup, strength and so on.

use crate::prelude::*;
use core::fmt;

/// The bits of the item options; 0 in a field leaves it to the machine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct ItemOptions(pub u32);

impl ItemOptions {
    const fn field(self, low: u32, bits: u32) -> u32 {
        self.0 >> low & ((1 << bits) - 1)
    }

    /// b0: the device is going to ask for another item of the same basket.
    #[must_use]
    pub const fn more_to_come(self) -> bool {
        self.field(0, 1) != 0
    }

    /// b1: no lid.
    #[must_use]
    pub const fn no_lid(self) -> bool {
        self.field(1, 1) != 0
    }

    /// b2-b4: sugar, 1 none to 7 most.
    #[must_use]
    pub const fn sugar(self) -> u32 {
        self.field(2, 3)
    }

    /// b5-b6: size of the cup, 1 smallest to 3 largest.
    #[must_use]
    pub const fn cup(self) -> u32 {
        self.field(5, 2)
    }

    /// b7-b9: strength, 1 to 7.
    #[must_use]
    pub const fn strength(self) -> u32 {
        self.field(7, 3)
    }

    /// b10-b12: amount of option 1 (whitener, strength of taste), 1 none to 7 most.
    #[must_use]
    pub const fn option_1(self) -> u32 {
        self.field(10, 3)
    }

    /// b13-b15: type of option 2 (syrup, second taste), 1 to 7.
    #[must_use]
    pub const fn option_2_type(self) -> u32 {
        self.field(13, 3)
    }

    /// b16-b18: its amount, 1 to 7.
    #[must_use]
    pub const fn option_2_amount(self) -> u32 {
        self.field(16, 3)
    }
}

impl fmt::Display for ItemOptions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut parts: Vec<String> = Vec::new();
        if self.more_to_come() {
            parts.push("more of this basket to come".to_owned());
        }
        if self.no_lid() {
            parts.push("no lid".to_owned());
        }
        for (name, value, of) in [
            ("sugar", self.sugar(), 7),
            ("cup", self.cup(), 3),
            ("strength", self.strength(), 7),
            ("option 1", self.option_1(), 7),
            ("option 2 type", self.option_2_type(), 7),
            ("option 2 amount", self.option_2_amount(), 7),
        ] {
            if value > 0 {
                parts.push(format!("{name} {value} of {of}"));
            }
        }
        let reserved = self.0 >> 19;
        if reserved != 0 {
            parts.push(format!("reserved bits {reserved:X}H"));
        }
        match parts.is_empty() {
            true => f.write_str("no item options"),
            false => f.write_str(&parts.join(", ")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each field at its place: the examples are the bit patterns of 7.4.4.
    #[test]
    fn fields() {
        let options = ItemOptions(7 << 16 | 1 << 13 | 2 << 10 | 3 << 7 | 1 << 5 | 1 << 2 | 3);
        assert!(options.more_to_come() && options.no_lid());
        assert_eq!((options.sugar(), options.cup()), (1, 1));
        assert_eq!((options.strength(), options.option_1()), (3, 2));
        assert_eq!((options.option_2_type(), options.option_2_amount()), (1, 7));
        assert_eq!(ItemOptions(0).to_string(), "no item options");
        assert_eq!(
            ItemOptions(1 << 31 | 7 << 2).to_string(),
            "sugar 7 of 7, reserved bits 1000H"
        );
    }
}
