//! Commands and responses of the devices of sections 8 to 11, and of addresses without a section.

use super::known::Known;
use super::{age, gateway, hopper, satellite};
use crate::ftl::{self, Message};
use crate::{Address, Block, Length, ParseError, Role};
use core::fmt;

/// Names for commands that no section defines, by their number (the lower three bits).
const NUMBERED: [&str; 8] = [
    "COMMAND 0",
    "COMMAND 1",
    "COMMAND 2",
    "COMMAND 3",
    "COMMAND 4",
    "COMMAND 5",
    "COMMAND 6",
    "COMMAND 7",
];

fn known(bytes: &[u8]) -> Option<Known> {
    match Address::of(*bytes.first()?).role() {
        Role::Gateway => gateway::command(bytes),
        Role::UniversalSatellite(_) => satellite::command(bytes),
        Role::CoinHopper(_) => hopper::command(bytes),
        Role::AgeVerification => age::command(bytes),
        _ => None,
    }
}

/// True for the addresses whose sections include the file transport layer.
fn has_ftl(address: Address) -> bool {
    matches!(
        address.role(),
        Role::Gateway | Role::UniversalSatellite(_) | Role::CoinHopper(_) | Role::AgeVerification
    )
}

/// The name of the command and sub-command in a block that starts with these bytes (address byte
/// first); `None` where no section names it.
#[must_use]
pub fn command_name(bytes: &[u8]) -> Option<&'static str> {
    let first = *bytes.first()?;
    if has_ftl(Address::of(first)) && Message::is_command(bytes) {
        return Some(match bytes.get(1)? {
            0xFE => "REQ TO SEND",
            0xFD => "OK TO SEND",
            0xFC => "SEND BLOCK",
            0xFB => "RETRY/DENY",
            _ => "REQ TO RCV",
        });
    }
    known(bytes).map(|known| known.name)
}

/// The name of a response (no CHK) to a command block, where its section makes that unambiguous.
#[must_use]
pub fn response_name(command: &[u8], bytes: &[u8]) -> Option<&'static str> {
    let address = Address::of(*command.first()?);
    if has_ftl(address)
        && let Ok(message) = Message::parse_response(bytes)
    {
        return Some(message.name());
    }
    match address.role() {
        Role::Gateway => gateway::response(command, bytes),
        Role::UniversalSatellite(_) => satellite::response(command, bytes),
        Role::CoinHopper(_) => hopper::response(command, bytes),
        Role::AgeVerification => age::response(command, bytes),
        _ => None,
    }
}

/// The length of a command block, CHK included, from its first bytes (address byte first), where
/// a section fixes it.
#[must_use]
pub fn length(bytes: &[u8]) -> Length {
    let Some(first) = bytes.first() else {
        return Length::NeedMore;
    };
    if has_ftl(Address::of(*first)) && Message::is_command(bytes) {
        return ftl::command_length(bytes);
    }
    known(bytes).map_or(Length::Unknown, |known| known.length)
}

/// A command to one of these devices: named as far as its section goes, its bytes kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Command {
    /// A command of sections 8 to 11.
    Named {
        /// The name of command and sub-command.
        name: &'static str,
        /// All its bytes.
        block: Block,
    },
    /// A message of the file transport layer.
    Ftl {
        /// The device spoken to.
        to: Address,
        /// The message.
        message: Message,
    },
    /// A command that no section defines.
    Unnamed(Block),
}

impl Command {
    /// A command block without CHK, address byte first.
    ///
    /// # Errors
    /// When there is no byte, or there are more than 35.
    pub fn parse(bytes: &[u8]) -> Result<Self, ParseError> {
        let block = block(bytes, "an address byte")?;
        let to = Address::of(block.first());
        if has_ftl(to)
            && let Ok(message) = Message::parse_command(bytes)
        {
            return Ok(Self::Ftl { to, message });
        }
        Ok(match command_name(bytes) {
            Some(name) => Self::Named { name, block },
            None => Self::Unnamed(block),
        })
    }

    /// The block on the wire.
    #[must_use]
    pub fn emit(&self) -> Block {
        match self {
            Self::Named { block, .. } | Self::Unnamed(block) => *block,
            Self::Ftl { to, message } => message.emit_command(*to),
        }
    }

    /// The device spoken to.
    #[must_use]
    pub fn address(&self) -> Address {
        Address::of(self.emit().first())
    }

    /// The section's name, or "COMMAND n".
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Named { name, .. } => name,
            Self::Ftl { message, .. } => message.name(),
            Self::Unnamed(block) => NUMBERED
                .get(usize::from(block.first() & 7))
                .copied()
                .unwrap_or_default(),
        }
    }

    /// True for a POLL. These devices are known to the level of names (sections 8 to 11).
    #[must_use]
    pub fn is_poll(&self) -> bool {
        matches!(self, Self::Named { name: "POLL", .. })
    }
}

impl fmt::Display for Command {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ftl { message, .. } => message.fmt(f),
            _ => raw(f, self.name(), self.emit().bytes().get(1..)),
        }
    }
}

/// A response of one of these devices: named where that is unambiguous, its bytes kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Response {
    /// A response of sections 8 to 11.
    Named {
        /// Its name.
        name: &'static str,
        /// All its bytes.
        block: Block,
    },
    /// A message of the file transport layer.
    Ftl(Message),
    /// A response that no section names.
    Unnamed(Block),
}

impl Response {
    /// A response block without CHK.
    ///
    /// # Errors
    /// When there is no byte, or there are more than 35.
    pub fn parse(command: &Command, bytes: &[u8]) -> Result<Self, ParseError> {
        let block = block(bytes, "a data byte")?;
        if has_ftl(command.address())
            && let Ok(message) = Message::parse_response(bytes)
        {
            return Ok(Self::Ftl(message));
        }
        Ok(match response_name(command.emit().bytes(), bytes) {
            Some(name) => Self::Named { name, block },
            None => Self::Unnamed(block),
        })
    }

    /// The block on the wire.
    #[must_use]
    pub fn emit(&self) -> Block {
        match self {
            Self::Named { block, .. } | Self::Unnamed(block) => *block,
            Self::Ftl(message) => message.emit_response(),
        }
    }

    /// The section's name, or "DATA".
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Named { name, .. } => name,
            Self::Ftl(message) => message.name(),
            Self::Unnamed(_) => "DATA",
        }
    }
}

impl fmt::Display for Response {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ftl(message) => message.fmt(f),
            Self::Named { block, .. } | Self::Unnamed(block) => {
                raw(f, self.name(), Some(block.bytes()))
            }
        }
    }
}

fn block(bytes: &[u8], expected: &'static str) -> Result<Block, ParseError> {
    let too_long = ParseError::Long {
        at: crate::MAX_BLOCK - 1,
        extra: bytes.len().saturating_sub(crate::MAX_BLOCK - 1),
    };
    match bytes {
        [] => Err(ParseError::Short { at: 0, expected }),
        _ => Block::new(bytes).map_err(|_| too_long),
    }
}

fn raw(f: &mut fmt::Formatter<'_>, name: &str, bytes: Option<&[u8]>) -> fmt::Result {
    f.write_str(name)?;
    bytes
        .unwrap_or_default()
        .iter()
        .try_for_each(|byte| write!(f, " {byte:02X}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prelude::*;
    use proptest::prelude::*;

    /// Command codes and lengths (CHK included), with the section that gives them.
    #[test]
    fn commands_of_sections_8_to_11() {
        let cases: [(&[u8], &str, Length); 16] = [
            // 8.2, 8.3
            (&[0x18], "RESET", Length::Known(2)),
            (&[0x19, 3, 1, 2], "SETUP", Length::Known(5)),
            (&[0x1B, 0x04], "REPORT currency ID", Length::Known(7)),
            (&[0x1B, 0x03, 0x81], "REPORT asset ID", Length::Known(24)),
            (&[0x1C, 0x02], "CONTROL transmit", Length::Known(3)),
            (&[0x1F, 0xFD], "OK TO SEND", Length::Known(5)),
            // 9.3
            (&[0x41], "SETUP", Length::Known(7)),
            (&[0x4B, 0x02], "VEND item", Length::Known(5)),
            (&[0x54, 0x01], "FUNDS item price", Length::Known(9)),
            (&[0x47, 0x03, 0x00], "EXPANSION data block", Length::Unknown),
            // 10.3
            (&[0x5D, 0x00], "DISPENSE COINS", Length::Known(6)),
            (&[0x75, 0x01], "DISPENSE VALUE", Length::Known(5)),
            (&[0x74], "MANUAL DISPENSE ENABLE", Length::Known(4)),
            // 11.4
            (&[0x69, 0x00], "SETUP configuration data", Length::Known(7)),
            (&[0x6F, 0x00], "EXPANSION request ID", Length::Known(32)),
            (
                &[0x6F, 0x03],
                "EXPANSION write time/date file",
                Length::Known(13),
            ),
        ];
        for (bytes, name, expected) in cases {
            assert_eq!(command_name(bytes), Some(name), "{bytes:02X?}");
            assert_eq!(length(bytes), expected, "{bytes:02X?}");
        }
        assert_eq!(length(&[0x1B]), Length::NeedMore);
        assert_eq!(command_name(&[0x1D]), None);
        assert_eq!(command_name(&[0x21]), None);
    }

    /// Section 11.3.1: 17 FF 05 06 age "DRAVP", here at the device's own address, 18 years.
    #[test]
    fn age_verification_is_known_by_its_ident() {
        let on = *b"\x6F\xFF\x05\x06\x12DRAVP";
        let command = Command::parse(&on).unwrap();
        assert!(command.name().contains("DRAVP"), "{command}");
        let answer = Response::parse(&command, b"\xFF\x06\x07\x9F\x80DRAVS").unwrap();
        assert_eq!(answer.name(), "DRAVS");
        let other = Command::parse(&[0x6F, 0xFF, 0x05, 0x06]).unwrap();
        assert_eq!(other.name(), "EXPANSION diagnostics");
    }

    /// Sections 8.3, 9.3.3, 10.3: responses.
    #[test]
    fn responses_of_sections_8_to_10() {
        let named = |command: &[u8], bytes: &[u8]| response_name(command, bytes);
        assert_eq!(
            named(&[0x19, 3, 1, 2], &[1, 3, 0, 5]),
            Some("COMMS GATEWAY CONFIGURATION")
        );
        assert_eq!(named(&[0x1A], &[7, 0x64]), Some("RADIO SIGNAL STRENGTH"));
        assert_eq!(named(&[0x1A], &[0x1E, 0, 0x18]), Some("OK TO SEND"));
        assert_eq!(named(&[0x42], &[1, 0, 3, 0, 15]), Some("VEND REQUEST"));
        assert_eq!(named(&[0x42], &[1, 0, 3]), None);
        assert_eq!(named(&[0x5B], &[0x0B]), Some("JUST RESET"));
        assert_eq!(named(&[0x73], &[0xA2, 0, 1, 0, 9]), Some("COINS DISPENSED"));
        assert_eq!(named(&[0x5E, 0x01], &[0x00, 0x05]), Some("PAYOUT VALUE"));
    }

    /// Section 2.3: addresses without a section keep their bytes.
    #[test]
    fn addresses_without_a_section_are_shown_raw() {
        let command = Command::parse(&[0xE3, 0x01, 0x02]).unwrap();
        assert_eq!(command.to_string(), "COMMAND 3 01 02");
        assert_eq!(command.address().to_string(), "experimental 1");
        let answer = Response::parse(&command, &[0x1E, 0x00, 0xE0]).unwrap();
        assert_eq!(answer.to_string(), "DATA 1E 00 E0");
        assert!(Command::parse(&[]).is_err());
        assert!(Command::parse(&[0xE0; 36]).is_err());
    }

    proptest! {
        #[test]
        fn every_block_round_trips_and_fits_its_length(
            bytes in proptest::collection::vec(any::<u8>(), 1..=35),
            answer in proptest::collection::vec(any::<u8>(), 1..=35),
        ) {
            let command = Command::parse(&bytes).unwrap();
            let block = command.emit();
            prop_assert_eq!(block.bytes(), &bytes[..]);
            let response = Response::parse(&command, &answer).unwrap();
            let block = response.emit();
            prop_assert_eq!(block.bytes(), &answer[..]);
            if let Length::Known(n) = length(&bytes) {
                prop_assert!((2..=crate::MAX_BLOCK).contains(&n));
            }
        }
    }
}
