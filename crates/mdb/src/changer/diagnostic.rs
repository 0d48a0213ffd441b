//! Extended diagnostic codes (section 5.3, 0FH 05H, tables on pages 5-15 and 5-16).

use core::fmt;

/// A main code and a sub-code of SEND DIAGNOSTIC STATUS.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DiagnosticCode {
    /// Z1: main code.
    pub main: u8,
    /// Z2: sub-code.
    pub sub: u8,
}

impl DiagnosticCode {
    /// Starting up.
    pub const POWERING_UP: Self = Self::new(0x01, 0x00);
    /// Shutting down.
    pub const POWERING_DOWN: Self = Self::new(0x02, 0x00);
    /// Working and ready to accept coins.
    pub const OK: Self = Self::new(0x03, 0x00);
    /// The keypad is in its shifted state.
    pub const KEYPAD_SHIFTED: Self = Self::new(0x04, 0x00);
    /// Manual fill or manual payout goes on under the changer's control.
    pub const MANUAL_ACTIVE: Self = Self::new(0x05, 0x10);
    /// New inventory information is there, outside manual inventory mode.
    pub const NEW_INVENTORY: Self = Self::new(0x05, 0x20);
    /// The VMC accepts no coin type.
    pub const INHIBITED: Self = Self::new(0x06, 0x00);
    /// A coin jammed in the acceptor's sensor.
    pub const COIN_JAM: Self = Self::new(0x11, 0x30);
    /// The escrow return is stuck open.
    pub const ESCROW_STUCK: Self = Self::new(0x11, 0x11);
    /// A dispenser error of no closer kind.
    pub const DISPENSER_ERROR: Self = Self::new(0x14, 0x00);
    /// A cassette or tube error of no closer kind.
    pub const TUBE_ERROR: Self = Self::new(0x15, 0x00);
    /// The tube cassette is out.
    pub const CASSETTE_REMOVED: Self = Self::new(0x15, 0x02);

    /// A code of its two bytes.
    #[must_use]
    pub const fn new(main: u8, sub: u8) -> Self {
        Self { main, sub }
    }

    /// What the standard says this code means, in our words; `None` for codes it does not define.
    #[must_use]
    pub const fn meaning(self) -> Option<&'static str> {
        Some(match (self.main, self.sub) {
            (0x01, 0x00) => "powering up",
            (0x02, 0x00) => "powering down",
            (0x03, 0x00) => "OK, ready for coins",
            (0x04, 0x00) => "keypad shifted",
            (0x05, 0x10) => "manual fill or payout under way",
            (0x05, 0x20) => "new inventory information to fetch",
            (0x06, 0x00) => "all coins inhibited by the VMC",
            (0x10, 0x00) => "changer error of no closer kind",
            (0x10, 0x01) => "checksum error in the first configuration range",
            (0x10, 0x02) => "checksum error in the second configuration range",
            (0x10, 0x03) => "supply voltage low, acceptance or payout switched off",
            (0x11, 0x00) => "discriminator: error of no closer kind",
            (0x11, 0x10) => "discriminator: flight deck open",
            (0x11, 0x11) => "discriminator: escrow return stuck open",
            (0x11, 0x30) => "discriminator: coin jammed in the sensor",
            (0x11, 0x41) => "discriminator: tells coins apart less well than required",
            (0x11, 0x50) => "discriminator: validation sensor A out of range",
            (0x11, 0x51) => "discriminator: validation sensor B out of range",
            (0x11, 0x52) => "discriminator: validation sensor C out of range",
            (0x11, 0x53) => "discriminator: too hot or too cold, acceptance may suffer",
            (0x11, 0x54) => "discriminator: sizing optics failed",
            (0x12, 0x00) => "accept gate: error of no closer kind",
            (0x12, 0x30) => "accept gate: coins went in and did not come out",
            (0x12, 0x31) => "accept gate: alarm active",
            (0x12, 0x40) => "accept gate: open, but no coin seen",
            (0x12, 0x50) => "accept gate: sensor behind it covered before it opened",
            (0x13, 0x00) => "separator: error of no closer kind",
            (0x13, 0x10) => "separator: sort sensor error",
            (0x14, 0x00) => "dispenser: error of no closer kind",
            (0x15, 0x00) => "cassette: error of no closer kind",
            (0x15, 0x02) => "cassette: removed",
            (0x15, 0x03) => "cassette: cash box sensor error",
            (0x15, 0x04) => "cassette: too much light on the tube sensors",
            _ => return None,
        })
    }

    /// True for the error modules, main codes 10H to 15H.
    #[must_use]
    pub const fn is_error(self) -> bool {
        matches!(self.main, 0x10..=0x15)
    }
}

impl fmt::Display for DiagnosticCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = self.meaning().unwrap_or("not defined in section 5.3");
        write!(f, "{:02X}/{:02X} {words}", self.main, self.sub)
    }
}

impl fmt::Debug for DiagnosticCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prelude::*;

    /// Section 5.3: 7 states, 4 general errors, 10 + 5 + 2 + 1 + 4 module errors.
    #[test]
    fn every_code_of_the_tables_has_words() {
        let all = (0..=u16::MAX).map(|n| {
            let [main, sub] = n.to_be_bytes();
            DiagnosticCode::new(main, sub)
        });
        let known: Vec<_> = all.filter(|c| c.meaning().is_some()).collect();
        assert_eq!(known.len(), 7 + 4 + 10 + 5 + 2 + 1 + 4);
        assert_eq!(known.iter().filter(|c| c.is_error()).count(), 26);
        assert_eq!(
            DiagnosticCode::new(0x15, 0x02).to_string(),
            "15/02 cassette: removed"
        );
        assert!(
            DiagnosticCode::new(0x16, 0)
                .to_string()
                .contains("not defined")
        );
    }
}
