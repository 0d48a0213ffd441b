//! Peripheral addresses (MDB/ICP 4.3, section 2.3).

use crate::prelude::*;
use core::fmt;
use serde::{Deserialize, Serialize};

/// The upper five bits of an address byte: who is spoken to. Kept as the byte with its lower three
/// bits zero (08H for the changer).
///
/// ```
/// use payrig_mdb::{Address, Role};
///
/// let address = Address::of(0x0B);
/// assert_eq!((address, address.role()), (Address::CHANGER, Role::Changer));
/// assert_eq!(Address::CASHLESS_2.with(3), 0x63);
/// assert_eq!(Address::of(0x58).to_string(), "coin hopper 1");
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Address(u8);

impl Address {
    /// 00H, reserved for the VMC; the file transport layer uses it (section 2.6.4).
    pub const VMC: Self = Self(0x00);
    /// 08H, section 5.
    pub const CHANGER: Self = Self(0x08);
    /// 10H, section 7.
    pub const CASHLESS_1: Self = Self(0x10);
    /// 18H, section 8.
    pub const GATEWAY: Self = Self(0x18);
    /// 30H, section 6.
    pub const BILL_VALIDATOR: Self = Self(0x30);
    /// 60H, section 7.
    pub const CASHLESS_2: Self = Self(0x60);

    /// The address in an address byte (its upper five bits).
    #[must_use]
    pub const fn of(byte: u8) -> Self {
        Self(byte & 0xF8)
    }

    /// The address byte with command 0.
    #[must_use]
    pub const fn byte(self) -> u8 {
        self.0
    }

    /// The address byte of a command (0-7; higher bits are ignored).
    #[must_use]
    pub const fn with(self, command: u8) -> u8 {
        self.0 | (command & 7)
    }

    /// The address whose name ([`Display`](fmt::Display)) this is: `changer`, `reserved 38H`.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        (0..32u8)
            .map(|upper| Self(upper << 3))
            .find(|address| address.to_string() == name)
    }

    /// What section 2.3 assigns to this address.
    #[must_use]
    pub const fn role(self) -> Role {
        match self.0 {
            0x00 => Role::Vmc,
            0x08 => Role::Changer,
            0x10 => Role::Cashless(1),
            0x18 => Role::Gateway,
            0x20 => Role::Display,
            0x28 => Role::EnergyManagement,
            0x30 => Role::BillValidator,
            0x40 => Role::UniversalSatellite(1),
            0x48 => Role::UniversalSatellite(2),
            0x50 => Role::UniversalSatellite(3),
            0x58 => Role::CoinHopper(1),
            0x60 => Role::Cashless(2),
            0x68 => Role::AgeVerification,
            // Section 2.3 prints 01101xxxB beside 70H; the hex value and section 10.1 hold.
            0x70 => Role::CoinHopper(2),
            0xE0 => Role::Experimental(1),
            0xE8 => Role::Experimental(2),
            0xF0 => Role::VendingMachineSpecific(1),
            0xF8 => Role::VendingMachineSpecific(2),
            _ => Role::Reserved,
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.role() {
            Role::Vmc => f.write_str("VMC"),
            Role::Changer => f.write_str("changer"),
            Role::Cashless(n) => write!(f, "cashless {n}"),
            Role::Gateway => f.write_str("gateway"),
            Role::Display => f.write_str("display"),
            Role::EnergyManagement => f.write_str("energy management"),
            Role::BillValidator => f.write_str("bill validator"),
            Role::UniversalSatellite(n) => write!(f, "satellite {n}"),
            Role::CoinHopper(n) => write!(f, "coin hopper {n}"),
            Role::AgeVerification => f.write_str("age verification"),
            Role::Experimental(n) => write!(f, "experimental {n}"),
            Role::VendingMachineSpecific(n) => write!(f, "machine specific {n}"),
            Role::Reserved => write!(f, "reserved {:02X}H", self.0),
        }
    }
}

impl fmt::Debug for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X}H", self.0)
    }
}

/// What section 2.3 assigns to an address.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Role {
    /// 00H, reserved for the VMC.
    Vmc,
    /// 08H.
    Changer,
    /// 10H (1) and 60H (2).
    Cashless(u8),
    /// 18H.
    Gateway,
    /// 20H.
    Display,
    /// 28H.
    EnergyManagement,
    /// 30H.
    BillValidator,
    /// 40H, 48H, 50H.
    UniversalSatellite(u8),
    /// 58H (1) and 70H (2).
    CoinHopper(u8),
    /// 68H.
    AgeVerification,
    /// E0H, E8H.
    Experimental(u8),
    /// F0H, F8H.
    VendingMachineSpecific(u8),
    /// Every other address.
    Reserved,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MDB/ICP 4.3, section 2.3: the address table.
    #[test]
    fn table_of_the_standard() {
        assert_eq!(Address::of(0x0B), Address::CHANGER);
        assert_eq!(Address::of(0x12).role(), Role::Cashless(1));
        assert_eq!(Address::of(0x63).role(), Role::Cashless(2));
        assert_eq!(Address::of(0x37).role(), Role::BillValidator);
        assert_eq!(Address::of(0x3F).role(), Role::Reserved);
        assert_eq!(Address::of(0xDF).role(), Role::Reserved);
        assert_eq!(Address::of(0xFF).role(), Role::VendingMachineSpecific(2));
        assert_eq!(Address::CHANGER.with(3), 0x0B);
        for byte in 0..=255 {
            let address = Address::of(byte);
            assert_eq!(Address::named(&address.to_string()), Some(address));
        }
        assert_eq!(Address::named("Changer"), None);
    }
}
