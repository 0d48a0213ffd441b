//! What the VMC says to a changer (sections 5.2 and 5.3).

use super::{CoinType, CoinTypes, DispenseCount, Features};
use crate::prelude::*;
use crate::{Address, Block, Length, MAX_BLOCK, ParseError, Reader, ftl};
use core::fmt;

const RESET: u8 = 0x08;
const SETUP: u8 = 0x09;
const TUBE_STATUS: u8 = 0x0A;
const POLL: u8 = 0x0B;
const COIN_TYPE: u8 = 0x0C;
const DISPENSE: u8 = 0x0D;
const EXPANSION: u8 = 0x0F;

const IDENTIFICATION: u8 = 0x00;
const FEATURE_ENABLE: u8 = 0x01;
const PAYOUT: u8 = 0x02;
const PAYOUT_STATUS: u8 = 0x03;
const PAYOUT_VALUE_POLL: u8 = 0x04;
const DIAGNOSTIC_STATUS: u8 = 0x05;
const MANUAL_FILL_REPORT: u8 = 0x06;
const MANUAL_PAYOUT_REPORT: u8 = 0x07;
const DIAGNOSTICS: u8 = 0xFF;

/// Data bytes left in a block after address byte, sub-command and CHK.
const MAX_EXPANSION_DATA: usize = MAX_BLOCK - 3;

/// A command to the changer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// 08H: back to the default state.
    Reset,
    /// 09H: send the configuration (STATUS in versions 1.0 and 2.0).
    Setup,
    /// 0AH: send full tubes and counts.
    TubeStatus,
    /// 0BH: send activity.
    Poll,
    /// 0CH: which coins to accept, and which manual dispense switches work.
    CoinType {
        /// Y1-Y2: coin types accepted.
        accept: CoinTypes,
        /// Y3-Y4: coin types that may be dispensed with the changer's own switches.
        manual_dispense: CoinTypes,
    },
    /// 0DH: pay out coins of one type.
    Dispense {
        /// Bits 3 to 0.
        coin_type: CoinType,
        /// Bits 7 to 4.
        coins: DispenseCount,
    },
    /// 0FH 00H: send the identification. Level 3, as all that follows.
    Identification,
    /// 0FH 01H: switch optional features on, all others off.
    FeatureEnable(Features),
    /// 0FH 02H: pay out a value with coins of the changer's choice (feature b0).
    Payout {
        /// Y1: counts of the scaling factor.
        value: u8,
    },
    /// 0FH 03H: send the coins paid out by the last PAYOUT (feature b0).
    PayoutStatus,
    /// 0FH 04H: send the value paid out since the last time (feature b0).
    PayoutValuePoll,
    /// 0FH 05H: send diagnostic codes (feature b1).
    SendDiagnosticStatus,
    /// 0FH 06H: send coins put in during controlled manual fill (feature b2).
    SendControlledManualFillReport,
    /// 0FH 07H: send coins paid out during controlled manual payout (feature b2).
    SendControlledManualPayoutReport,
    /// 0FH FAH to FEH: file transport layer (feature b3; section 2.6).
    Ftl(ftl::Message),
    /// 0FH FFH: manufacturer specific. At most 33 bytes are sent, the rest is dropped.
    Diagnostics(Vec<u8>),
}

impl Command {
    /// Reads a block, address byte first, CHK left out.
    ///
    /// # Errors
    /// When the block is not for the changer, is no command of section 5, or is too short or long.
    pub fn parse(bytes: &[u8]) -> Result<Self, ParseError> {
        if Address::of(bytes.first().copied().unwrap_or_default()) == Address::CHANGER
            && ftl::Message::is_command(bytes)
        {
            return ftl::Message::parse_command(bytes).map(Self::Ftl);
        }
        let mut r = Reader::new(bytes);
        let first = r.u8("address byte 08H to 0FH (5.2)")?;
        let command = match first {
            RESET => Self::Reset,
            SETUP => Self::Setup,
            TUBE_STATUS => Self::TubeStatus,
            POLL => Self::Poll,
            COIN_TYPE => Self::CoinType {
                accept: CoinTypes(r.u16("coin enable (5.3, COIN TYPE, Y1-Y2)")?),
                manual_dispense: CoinTypes(
                    r.u16("manual dispense enable (5.3, COIN TYPE, Y3-Y4)")?,
                ),
            },
            DISPENSE => {
                let byte = r.u8("coin type and number of coins (5.3, DISPENSE, Y1)")?;
                Self::Dispense {
                    coin_type: CoinType::of(byte),
                    coins: DispenseCount::saturating(usize::from(byte >> 4)),
                }
            }
            EXPANSION => Self::parse_expansion(&mut r)?,
            other => return Err(r.bad(other, "a changer command: 08H to 0DH or 0FH (5.2)")),
        };
        r.end()?;
        Ok(command)
    }

    fn parse_expansion(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        let sub = r.u8("sub-command of EXPANSION (5.3)")?;
        Ok(match sub {
            IDENTIFICATION => Self::Identification,
            FEATURE_ENABLE => Self::FeatureEnable(Features(
                r.u32("feature bits (5.3, FEATURE ENABLE, Y1-Y4)")?,
            )),
            PAYOUT => Self::Payout {
                value: r.u8("value to pay out (5.3, PAYOUT, Y1)")?,
            },
            PAYOUT_STATUS => Self::PayoutStatus,
            PAYOUT_VALUE_POLL => Self::PayoutValuePoll,
            DIAGNOSTIC_STATUS => Self::SendDiagnosticStatus,
            MANUAL_FILL_REPORT => Self::SendControlledManualFillReport,
            MANUAL_PAYOUT_REPORT => Self::SendControlledManualPayoutReport,
            DIAGNOSTICS => {
                let data = r.take_rest();
                if let Some(extra) = data.len().checked_sub(MAX_EXPANSION_DATA + 1) {
                    return Err(ParseError::Long {
                        at: MAX_EXPANSION_DATA + 2,
                        extra: extra + 1,
                    });
                }
                Self::Diagnostics(data.to_vec())
            }
            other => {
                return Err(r.bad(
                    other,
                    "a sub-command of EXPANSION: 00H to 07H or FAH to FFH (5.3)",
                ));
            }
        })
    }

    /// The block to send.
    #[must_use]
    pub fn emit(&self) -> Block {
        let mut out = Vec::with_capacity(MAX_BLOCK);
        match self {
            Self::Reset => out.push(RESET),
            Self::Setup => out.push(SETUP),
            Self::TubeStatus => out.push(TUBE_STATUS),
            Self::Poll => out.push(POLL),
            Self::CoinType {
                accept,
                manual_dispense,
            } => {
                out.push(COIN_TYPE);
                out.extend(accept.0.to_be_bytes());
                out.extend(manual_dispense.0.to_be_bytes());
            }
            Self::Dispense { coin_type, coins } => {
                out.extend([DISPENSE, coins.get() << 4 | coin_type.get()]);
            }
            Self::Identification => out.extend([EXPANSION, IDENTIFICATION]),
            Self::FeatureEnable(features) => {
                out.extend([EXPANSION, FEATURE_ENABLE]);
                out.extend(features.0.to_be_bytes());
            }
            Self::Payout { value } => out.extend([EXPANSION, PAYOUT, *value]),
            Self::PayoutStatus => out.extend([EXPANSION, PAYOUT_STATUS]),
            Self::PayoutValuePoll => out.extend([EXPANSION, PAYOUT_VALUE_POLL]),
            Self::SendDiagnosticStatus => out.extend([EXPANSION, DIAGNOSTIC_STATUS]),
            Self::SendControlledManualFillReport => out.extend([EXPANSION, MANUAL_FILL_REPORT]),
            Self::SendControlledManualPayoutReport => {
                out.extend([EXPANSION, MANUAL_PAYOUT_REPORT]);
            }
            Self::Ftl(message) => return message.emit_command(Address::CHANGER),
            Self::Diagnostics(data) => {
                out.extend([EXPANSION, DIAGNOSTICS]);
                out.extend(data.iter().take(MAX_EXPANSION_DATA));
            }
        }
        Block::truncated(&out)
    }

    /// The standard's name, in capitals.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Reset => "RESET",
            Self::Setup => "SETUP",
            Self::TubeStatus => "TUBE STATUS",
            Self::Poll => "POLL",
            Self::CoinType { .. } => "COIN TYPE",
            Self::Dispense { .. } => "DISPENSE",
            Self::Identification => "IDENTIFICATION",
            Self::FeatureEnable(_) => "FEATURE ENABLE",
            Self::Payout { .. } => "PAYOUT",
            Self::PayoutStatus => "PAYOUT STATUS",
            Self::PayoutValuePoll => "PAYOUT VALUE POLL",
            Self::SendDiagnosticStatus => "SEND DIAGNOSTIC STATUS",
            Self::SendControlledManualFillReport => "SEND CONTROLLED MANUAL FILL REPORT",
            Self::SendControlledManualPayoutReport => "SEND CONTROLLED MANUAL PAYOUT REPORT",
            Self::Ftl(message) => message.name(),
            Self::Diagnostics(_) => "DIAGNOSTICS",
        }
    }

    /// True for the EXPANSION commands, which a level 2 changer does not know (section 5.3).
    #[must_use]
    pub const fn is_expansion(&self) -> bool {
        !matches!(
            self,
            Self::Reset
                | Self::Setup
                | Self::TubeStatus
                | Self::Poll
                | Self::CoinType { .. }
                | Self::Dispense { .. }
        )
    }
}

impl fmt::Display for Command {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Self::Ftl(message) = self {
            return write!(f, "FTL {message}");
        }
        f.write_str(self.name())?;
        match self {
            Self::CoinType {
                accept,
                manual_dispense,
            } => write!(f, " accept {accept}; manual dispense {manual_dispense}"),
            Self::Dispense { coin_type, coins } => {
                write!(f, " {coins} of coin type {coin_type}")
            }
            Self::FeatureEnable(features) => write!(f, " {features}"),
            Self::Payout { value } => write!(f, " {value} counts"),
            Self::Diagnostics(data) => write!(f, " {} bytes", data.len()),
            _ => Ok(()),
        }
    }
}

/// The length of a command block with CHK, from its first bytes (address byte first).
#[must_use]
pub fn length(bytes: &[u8]) -> Length {
    match bytes {
        [] | [EXPANSION] => Length::NeedMore,
        [RESET | SETUP | TUBE_STATUS | POLL, ..] => Length::Known(2),
        [COIN_TYPE, ..] => Length::Known(6),
        [DISPENSE, ..] => Length::Known(3),
        [EXPANSION, FEATURE_ENABLE, ..] => Length::Known(7),
        [EXPANSION, PAYOUT, ..] => Length::Known(4),
        [
            EXPANSION,
            IDENTIFICATION | PAYOUT_STATUS | PAYOUT_VALUE_POLL | DIAGNOSTIC_STATUS
            | MANUAL_FILL_REPORT | MANUAL_PAYOUT_REPORT,
            ..,
        ] => Length::Known(3),
        [EXPANSION, ..] if ftl::Message::is_command(bytes) => ftl::command_length(bytes),
        _ => Length::Unknown,
    }
}
