//! What a cashless device reports (section 7.4.4), one message at a time.

use super::{
    BeginSession, CouponReport, Level, Mode, Options, PeripheralId, ReaderConfig, SelectionRequest,
    money,
};
use crate::prelude::*;
use crate::{ParseError, Reader};

/// One message of a cashless device, in answer to POLL or straight to a command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Report {
    /// 00H.
    JustReset,
    /// 01H, READER CONFIGURATION DATA (7.4.2).
    ReaderConfig(ReaderConfig),
    /// 02H.
    DisplayRequest {
        /// Tenths of a second.
        time: u8,
        /// ASCII; should have as many characters as the display ([`Mode::display`]).
        text: Vec<u8>,
    },
    /// 03H.
    BeginSession(BeginSession),
    /// 04H.
    SessionCancelRequest,
    /// 05H (7.4.5).
    VendApproved {
        /// What is deducted, scaled; `None` when a token pays.
        amount: Option<u32>,
        /// With the basket option only: the part for options, scaled, all bits set for a token.
        options_amount: Option<u32>,
    },
    /// 06H.
    VendDenied,
    /// 07H.
    EndSession,
    /// 08H.
    Cancelled,
    /// 09H.
    PeripheralId(PeripheralId),
    /// 0AH.
    Malfunction(Malfunction),
    /// 0BH; with the reader's state from level 02 on, where `None` sends 00H.
    OutOfSequence(Option<State>),
    /// 0DH.
    RevalueApproved,
    /// 0EH.
    RevalueDenied,
    /// 0FH: the most that can be added, scaled.
    RevalueLimit(u32),
    /// 10H (7.4.21, obsolete).
    UserFile {
        /// Its number.
        number: u8,
        /// At most 32 bytes; more are not sent.
        data: Vec<u8>,
    },
    /// 11H.
    TimeDateRequest,
    /// 12H: b7 repeated request, b0-b6 how many keys.
    DataEntryRequest(u8),
    /// 13H.
    DataEntryCancel,
    /// 14H.
    SelectionRequest(SelectionRequest),
    /// 15H.
    CouponReport(CouponReport),
    /// 1BH to 1FH and what follows (2.6).
    Ftl(Vec<u8>),
    /// What follows FFH (7.4.30).
    Diagnostics(Vec<u8>),
    /// A code for future use and all that follows it.
    Unknown(Vec<u8>),
}

/// MALFUNCTION/ERROR code: type in the upper four bits, the maker's own in the lower (7.4.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Malfunction(pub u8);

impl Malfunction {
    /// Refund error: the credit inside the reader is lost; subcode 0.
    pub const REFUND_LOST: Self = Self(0xC0);

    /// In plain words.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self.0 >> 4 {
            0 => "payment media error",
            1 => "invalid payment media",
            2 => "tamper error",
            3 => "maker's own error (transient)",
            4 => "communications error (reader works)",
            5 => "reader requires service",
            7 => "maker's own error (reader works)",
            8 => "reader failure",
            9 => "communications error (reader does not work)",
            10 => "payment media jammed",
            11 => "maker's own error (reader does not work)",
            12 => "refund failed, credit lost",
            _ => "unassigned error",
        }
    }

    /// True for errors reported once, false for those reported at every POLL while they last.
    #[must_use]
    pub const fn is_transient(self) -> bool {
        matches!(self.0 >> 4, 0..=3 | 12)
    }
}

/// The reader's state as COMMAND OUT OF SEQUENCE names it (7.4.4; the states are those of 7.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum State {
    /// 01H (7.2.1).
    Inactive,
    /// 02H (7.2.2).
    Disabled,
    /// 03H (7.2.3).
    Enabled,
    /// 04H (7.2.4).
    SessionIdle,
    /// 05H (7.2.5).
    Vend,
    /// 06H (7.2.6).
    Revalue,
    /// 07H (7.2.7).
    NegativeVend,
    /// A value the standard does not define.
    Other(u8),
}

impl State {
    /// From its byte.
    #[must_use]
    pub const fn from_code(code: u8) -> Self {
        match code {
            1 => Self::Inactive,
            2 => Self::Disabled,
            3 => Self::Enabled,
            4 => Self::SessionIdle,
            5 => Self::Vend,
            6 => Self::Revalue,
            7 => Self::NegativeVend,
            other => Self::Other(other),
        }
    }

    /// Its byte.
    #[must_use]
    pub const fn code(self) -> u8 {
        match self {
            Self::Inactive => 1,
            Self::Disabled => 2,
            Self::Enabled => 3,
            Self::SessionIdle => 4,
            Self::Vend => 5,
            Self::Revalue => 6,
            Self::NegativeVend => 7,
            Self::Other(code) => code,
        }
    }
}

/// Bytes of a FTL message after its code (2.6), `None` when only the block's end shows.
const fn ftl_length(code: u8) -> Option<usize> {
    match code {
        0x1B | 0x1F => Some(5),
        0x1C => Some(3),
        0x1E => Some(2),
        _ => None,
    }
}

impl Report {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        let code = r.u8("a message code (7.4.4)")?;
        Ok(match code {
            0x00 => Self::JustReset,
            0x01 => Self::ReaderConfig(ReaderConfig::parse(r)?),
            0x02 => {
                let time = r.u8("display time (7.4.4)")?;
                let size = match usize::from(mode.display) {
                    n if n > 0 && n < r.rest().len() => n,
                    _ => r.rest().len(),
                };
                let text = bytes(r, size, "display data (7.4.4)")?;
                Self::DisplayRequest { time, text }
            }
            0x03 => Self::BeginSession(BeginSession::parse(r, mode)?),
            0x04 => Self::SessionCancelRequest,
            0x05 => Self::VendApproved {
                amount: money::read_known(r, mode, "vend amount (7.4.5)")?,
                options_amount: match mode.has(Options::BASKET) {
                    true => Some(money::read(r, mode, "options amount (7.4.5)")?),
                    false => None,
                },
            },
            0x06 => Self::VendDenied,
            0x07 => Self::EndSession,
            0x08 => Self::Cancelled,
            0x09 => Self::PeripheralId(PeripheralId::parse(r, mode)?),
            0x0A => Self::Malfunction(Malfunction(r.u8("error code (7.4.4)")?)),
            0x0B if mode.level >= Level::TWO => {
                Self::OutOfSequence(match r.u8("state of the reader (7.4.4)")? {
                    0 => None,
                    code => Some(State::from_code(code)),
                })
            }
            0x0B => Self::OutOfSequence(None),
            0x0D => Self::RevalueApproved,
            0x0E => Self::RevalueDenied,
            0x0F => Self::RevalueLimit(money::read(r, mode, "revalue limit (7.4.19)")?),
            0x10 => {
                let number = r.u8("number of user file (7.4.21)")?;
                let len = r.u8("length of user file (7.4.21)")?;
                let data = bytes(r, usize::from(len), "user file data (7.4.21)")?;
                Self::UserFile { number, data }
            }
            0x11 => Self::TimeDateRequest,
            0x12 => Self::DataEntryRequest(r.u8("data entry length (7.4.4)")?),
            0x13 => Self::DataEntryCancel,
            0x14 => Self::SelectionRequest(SelectionRequest::parse(r, mode)?),
            0x15 => Self::CouponReport(CouponReport::parse(r, mode)?),
            0x1B..=0x1F => {
                let len = ftl_length(code).unwrap_or(r.rest().len());
                let mut all = vec![code];
                all.extend(bytes(r, len, "the rest of a FTL message (2.6)")?);
                Self::Ftl(all)
            }
            0xFF => Self::Diagnostics(r.take_rest().to_vec()),
            _ => {
                let mut all = vec![code];
                all.extend(r.take_rest());
                Self::Unknown(all)
            }
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        match self {
            Self::JustReset => out.push(0x00),
            Self::ReaderConfig(config) => {
                out.push(0x01);
                config.put(out);
            }
            Self::DisplayRequest { time, text } => {
                out.extend([0x02, *time]);
                out.extend(text);
            }
            Self::BeginSession(session) => {
                out.push(0x03);
                session.put(out, mode);
            }
            Self::SessionCancelRequest => out.push(0x04),
            Self::VendApproved {
                amount,
                options_amount,
            } => {
                out.push(0x05);
                money::put_known(out, mode, *amount);
                if mode.has(Options::BASKET) {
                    money::put(out, mode, options_amount.unwrap_or(0));
                }
            }
            Self::VendDenied => out.push(0x06),
            Self::EndSession => out.push(0x07),
            Self::Cancelled => out.push(0x08),
            Self::PeripheralId(id) => {
                out.push(0x09);
                id.put(out, mode);
            }
            Self::Malfunction(code) => out.extend([0x0A, code.0]),
            Self::OutOfSequence(state) => {
                out.push(0x0B);
                if mode.level >= Level::TWO {
                    out.push(state.map_or(0, State::code));
                }
            }
            Self::RevalueApproved => out.push(0x0D),
            Self::RevalueDenied => out.push(0x0E),
            Self::RevalueLimit(limit) => {
                out.push(0x0F);
                money::put(out, mode, *limit);
            }
            Self::UserFile { number, data } => {
                let data = data.get(..32).unwrap_or(data);
                out.extend([0x10, *number, data.len() as u8]);
                out.extend(data);
            }
            Self::TimeDateRequest => out.push(0x11),
            Self::DataEntryRequest(keys) => out.extend([0x12, *keys]),
            Self::DataEntryCancel => out.push(0x13),
            Self::SelectionRequest(selection) => {
                out.push(0x14);
                selection.put(out, mode);
            }
            Self::CouponReport(coupon) => {
                out.push(0x15);
                coupon.put(out, mode);
            }
            Self::Ftl(bytes) | Self::Unknown(bytes) => out.extend(bytes),
            Self::Diagnostics(bytes) => {
                out.push(0xFF);
                out.extend(bytes);
            }
        }
    }
}

fn bytes(r: &mut Reader<'_>, n: usize, expected: &'static str) -> Result<Vec<u8>, ParseError> {
    (0..n).map(|_| r.u8(expected)).collect()
}
