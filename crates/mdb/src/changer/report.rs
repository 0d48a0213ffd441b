//! Changer activity: what a POLL answer reports (section 5.3, 0BH).

use super::{CoinType, MAX_ACTIVITY, ManualCount, SlugCount};
use crate::prelude::*;
use crate::{ParseError, Reader};
use core::fmt;

/// Where a deposited coin went (section 5.3, POLL, bits yy).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Routing {
    /// 00: cash box.
    CashBox,
    /// 01: tubes.
    Tubes,
    /// 10: a value the standard does not use.
    NotUsed,
    /// 11: rejected, given back.
    Reject,
}

impl Routing {
    const fn bits(self) -> u8 {
        match self {
            Self::CashBox => 0,
            Self::Tubes => 1,
            Self::NotUsed => 2,
            Self::Reject => 3,
        }
    }

    const fn of(bits: u8) -> Self {
        match bits & 3 {
            0 => Self::CashBox,
            1 => Self::Tubes,
            2 => Self::NotUsed,
            _ => Self::Reject,
        }
    }
}

impl fmt::Display for Routing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::CashBox => "to the cash box",
            Self::Tubes => "to its tube",
            Self::NotUsed => "routed to 10B (not used)",
            Self::Reject => "rejected",
        })
    }
}

/// One-byte status codes 01H to 0DH (section 5.3, POLL).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Status {
    /// 01H: the return lever was pressed. Sent once each occurrence.
    EscrowRequest,
    /// 02H: coins are being paid out. Sent once each POLL while it lasts.
    ChangerPayoutBusy,
    /// 03H: a valid coin did not get to where credit is given. Once each occurrence.
    NoCredit,
    /// 04H: a tube sensor misbehaves. Once each occurrence.
    DefectiveTubeSensor,
    /// 05H: two coins too close together. Once each occurrence.
    DoubleArrival,
    /// 06H: the acceptor is missing. Once each POLL while it lasts.
    AcceptorUnplugged,
    /// 07H: a payout jammed. Once each occurrence.
    TubeJam,
    /// 08H: the program memory's checksum is wrong. Once each occurrence.
    RomChecksumError,
    /// 09H: a valid coin went another way than intended. Once each occurrence.
    CoinRoutingError,
    /// 0AH: busy, no detailed answers now. Once each POLL while it lasts.
    ChangerBusy,
    /// 0BH: the changer was reset ("JUST RESET" in section 5.6). Once each occurrence.
    JustReset,
    /// 0CH: coins jammed in the acceptance path. Once each occurrence.
    CoinJam,
    /// 0DH: somebody tried to take back a credited coin. Once each occurrence.
    PossibleCreditedCoinRemoval,
}

impl Status {
    /// All of them, code 01H first.
    pub const ALL: [Self; 13] = [
        Self::EscrowRequest,
        Self::ChangerPayoutBusy,
        Self::NoCredit,
        Self::DefectiveTubeSensor,
        Self::DoubleArrival,
        Self::AcceptorUnplugged,
        Self::TubeJam,
        Self::RomChecksumError,
        Self::CoinRoutingError,
        Self::ChangerBusy,
        Self::JustReset,
        Self::CoinJam,
        Self::PossibleCreditedCoinRemoval,
    ];

    /// The code, 01H to 0DH.
    #[must_use]
    pub const fn code(self) -> u8 {
        self as u8 + 1
    }

    /// The status of a code.
    #[must_use]
    pub fn from_code(code: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.code() == code)
    }

    /// True for conditions sent with each POLL while they last (section 5.3, note 2), false for
    /// events sent once (note 1).
    #[must_use]
    pub const fn is_condition(self) -> bool {
        matches!(
            self,
            Self::ChangerPayoutBusy | Self::AcceptorUnplugged | Self::ChangerBusy
        )
    }

    /// The standard's name, in capitals.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::EscrowRequest => "ESCROW REQUEST",
            Self::ChangerPayoutBusy => "CHANGER PAYOUT BUSY",
            Self::NoCredit => "NO CREDIT",
            Self::DefectiveTubeSensor => "DEFECTIVE TUBE SENSOR",
            Self::DoubleArrival => "DOUBLE ARRIVAL",
            Self::AcceptorUnplugged => "ACCEPTOR UNPLUGGED",
            Self::TubeJam => "TUBE JAM",
            Self::RomChecksumError => "ROM CHECKSUM ERROR",
            Self::CoinRoutingError => "COIN ROUTING ERROR",
            Self::ChangerBusy => "CHANGER BUSY",
            Self::JustReset => "JUST RESET",
            Self::CoinJam => "COIN JAM",
            Self::PossibleCreditedCoinRemoval => "POSSIBLE CREDITED COIN REMOVAL",
        }
    }
}

impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// One report of a POLL answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Report {
    /// `1yyyxxxx zzzzzzzz`: coins dispensed with the changer's own switches.
    CoinsDispensedManually {
        /// Which coin.
        coin_type: CoinType,
        /// How many.
        coins: ManualCount,
        /// Coins left in the tube.
        in_tube: u8,
    },
    /// `01yyxxxx zzzzzzzz`: a coin came in.
    CoinsDeposited {
        /// Which coin.
        coin_type: CoinType,
        /// Where it went.
        routing: Routing,
        /// Coins in the tube for its type now.
        in_tube: u8,
    },
    /// `0000xxxx`: a status code.
    Status(Status),
    /// `001xxxxx`: objects that are no coins, since the last activity.
    Slug(SlugCount),
    /// A byte the standard does not define here (00H, 0EH to 1FH). 1BH to 1FH as the first byte
    /// of an answer belong to the file transport layer.
    Unknown(u8),
}

impl Report {
    /// Shorthand: JUST RESET.
    pub const JUST_RESET: Self = Self::Status(Status::JustReset);

    /// The standard's name, in capitals.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::CoinsDispensedManually { .. } => "COINS DISPENSED MANUALLY",
            Self::CoinsDeposited { .. } => "COINS DEPOSITED",
            Self::Status(status) => status.name(),
            Self::Slug(_) => "SLUG",
            Self::Unknown(_) => "UNKNOWN ACTIVITY",
        }
    }

    /// Bytes it takes: 1 or 2.
    #[must_use]
    pub const fn size(&self) -> usize {
        match self {
            Self::CoinsDispensedManually { .. } | Self::CoinsDeposited { .. } => 2,
            _ => 1,
        }
    }

    pub(super) fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        let byte = r.u8("changer activity (5.3, POLL)")?;
        let coin_type = CoinType::of(byte);
        Ok(match byte {
            0x80..=0xFF => Self::CoinsDispensedManually {
                coin_type,
                coins: ManualCount::saturating(usize::from(byte >> 4 & 7)),
                in_tube: r
                    .u8("coins left in the tube (5.3, POLL, Coins Dispensed Manually, Z2)")?,
            },
            0x40..=0x7F => Self::CoinsDeposited {
                coin_type,
                routing: Routing::of(byte >> 4),
                in_tube: r.u8("coins in the tube (5.3, POLL, Coins Deposited, Z2)")?,
            },
            0x20..=0x3F => Self::Slug(SlugCount::saturating(usize::from(byte & 0x1F))),
            _ => Status::from_code(byte).map_or(Self::Unknown(byte), Self::Status),
        })
    }

    pub(super) fn parse_all(bytes: &[u8]) -> Result<Vec<Self>, ParseError> {
        if let Some(extra) = bytes.len().checked_sub(MAX_ACTIVITY).filter(|n| *n > 0) {
            return Err(ParseError::Long {
                at: MAX_ACTIVITY,
                extra,
            });
        }
        let mut r = Reader::new(bytes);
        let mut reports = Vec::new();
        while !r.is_empty() {
            reports.push(Self::parse(&mut r)?);
        }
        Ok(reports)
    }

    pub(super) fn emit(&self, out: &mut Vec<u8>) {
        match self {
            Self::CoinsDispensedManually {
                coin_type,
                coins,
                in_tube,
            } => out.extend([0x80 | coins.get() << 4 | coin_type.get(), *in_tube]),
            Self::CoinsDeposited {
                coin_type,
                routing,
                in_tube,
            } => out.extend([0x40 | routing.bits() << 4 | coin_type.get(), *in_tube]),
            Self::Status(status) => out.push(status.code()),
            Self::Slug(n) => out.push(0x20 | n.get()),
            Self::Unknown(byte) => out.push(*byte),
        }
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())?;
        match self {
            Self::CoinsDispensedManually {
                coin_type,
                coins,
                in_tube,
            } => write!(f, " {coins} of coin type {coin_type}, {in_tube} in tube"),
            Self::CoinsDeposited {
                coin_type,
                routing,
                in_tube,
            } => write!(f, " coin type {coin_type} {routing}, {in_tube} in tube"),
            Self::Status(_) => Ok(()),
            Self::Slug(n) => write!(f, " {n}"),
            Self::Unknown(byte) => write!(f, " {byte:02X}H"),
        }
    }
}
