//! The data a bill validator answers with (section 6.3).

use super::{BillCounts, BillTypes, Command, Identification, MAX_REPORTS, Options};
use super::{PayoutValue, Report, Setup};
use crate::ftl::Message;
use crate::prelude::*;
use crate::{Block, MAX_BLOCK, ParseError, Reader};
use core::fmt;

/// Bit F of Z1: the stacker is full (section 6.3, 36H).
const FULL: u16 = 0x8000;

/// The answer to STACKER.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Stacker {
    /// The stacker takes no more bills.
    pub full: bool,
    /// Bills in it, 0 to 32767; higher bits are dropped when emitted.
    pub count: u16,
}

/// A validator's data. A bare ACK is no response in this sense.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Response {
    /// To POLL: 1 to 16 reports; more are not emitted, and none is emitted as 00H.
    Poll(Vec<Report>),
    /// To SETUP.
    Setup(Setup),
    /// To STACKER.
    Stacker(Stacker),
    /// To 37H-00H.
    Identification(Identification),
    /// To 37H-02H.
    IdentificationWithOptions(Identification, Options),
    /// To 37H-03H: types that can be routed to the recycler.
    RecyclerSetup(BillTypes),
    /// To 37H-05H.
    BillDispenseStatus {
        /// Z1-Z2: types whose store is full. A "bad" store is full with a count of zero.
        full: BillTypes,
        /// Z3-Z34.
        counts: BillCounts,
    },
    /// To 37H-08H: bills paid out by the last DISPENSE BILL or DISPENSE VALUE.
    PayoutStatus(BillCounts),
    /// To 37H-09H: paid out since last asked. A bare ACK says that the payout is finished.
    PayoutValuePoll(PayoutValue),
    /// To POLL or to an FTL command (section 2.6.4).
    Ftl(Message),
    /// To 37H-FFH: manufacturer-specific, 1 to 35 bytes.
    Diagnostics(Vec<u8>),
}

impl Response {
    /// Reads the data (without CHK) of an answer to `command`.
    ///
    /// # Errors
    /// When a byte is missing or left over, or `command` is answered by a bare ACK only.
    pub fn parse(command: &Command, bytes: &[u8]) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        let response = match command {
            Command::Poll => return Self::parse_poll(bytes),
            Command::Setup => Self::Setup(Setup::parse(&mut r)?),
            Command::Stacker => {
                let word = r.u16("Z1-Z2, the stacker count")?;
                Self::Stacker(Stacker {
                    full: word & FULL != 0,
                    count: word & !FULL,
                })
            }
            Command::Identification => Self::Identification(Identification::parse(&mut r)?),
            Command::IdentificationWithOptions => Self::IdentificationWithOptions(
                Identification::parse(&mut r)?,
                Options(r.u32("Z30-Z33, the optional features")?),
            ),
            Command::RecyclerSetup => {
                Self::RecyclerSetup(BillTypes(r.u16("Z1-Z2, the bill type routing")?))
            }
            Command::BillDispenseStatus => Self::BillDispenseStatus {
                full: BillTypes(r.u16("Z1-Z2, the dispenser full status")?),
                counts: BillCounts::parse(&mut r)?,
            },
            Command::PayoutStatus => {
                if r.is_empty() {
                    r.u8("at least one byte of the payout counts")?;
                }
                Self::PayoutStatus(BillCounts::parse(&mut r)?)
            }
            Command::PayoutValuePoll => Self::PayoutValuePoll(PayoutValue::parse(&mut r)?),
            Command::Ftl(_) => return Ok(Self::Ftl(Message::parse_response(bytes)?)),
            Command::Diagnostics(_) => {
                r.u8("data of the manufacturer")?;
                if let extra @ 1.. = bytes.len().saturating_sub(MAX_BLOCK - 1) {
                    let at = MAX_BLOCK - 1;
                    return Err(ParseError::Long { at, extra });
                }
                r.take_rest();
                Self::Diagnostics(bytes.to_vec())
            }
            Command::Reset
            | Command::Security(_)
            | Command::BillType { .. }
            | Command::Escrow(_)
            | Command::FeatureEnable(_)
            | Command::RecyclerEnable { .. }
            | Command::DispenseBill { .. }
            | Command::DispenseValue(_)
            | Command::PayoutCancel => {
                return Err(
                    match r.u8("this command is answered by ACK, without data") {
                        Ok(value) => r.bad(value, "this command is answered by ACK, without data"),
                        Err(short) => short,
                    },
                );
            }
        };
        r.end()?;
        Ok(response)
    }

    fn parse_poll(bytes: &[u8]) -> Result<Self, ParseError> {
        // FTL responses are never combined with others (section 2.6.3).
        if bytes.first().is_some_and(|b| Message::is_response(*b))
            && let Ok(message) = Message::parse_response(bytes)
        {
            return Ok(Self::Ftl(message));
        }
        match bytes.len() {
            0 => Err(ParseError::Short {
                at: 0,
                expected: "at least one report",
            }),
            1..=MAX_REPORTS => Ok(Self::Poll(bytes.iter().map(|b| Report::of(*b)).collect())),
            n => Err(ParseError::Long {
                at: MAX_REPORTS,
                extra: n - MAX_REPORTS,
            }),
        }
    }

    /// The data block.
    #[must_use]
    pub fn emit(&self) -> Block {
        let bytes = match self {
            Self::Poll(reports) => reports.iter().take(MAX_REPORTS).map(|r| r.byte()).collect(),
            Self::Setup(setup) => setup.emit(),
            Self::Stacker(Stacker { full, count }) => {
                let flag = if *full { FULL } else { 0 };
                (count & !FULL | flag).to_be_bytes().to_vec()
            }
            Self::Identification(id) => id.emit(),
            Self::IdentificationWithOptions(id, options) => {
                let mut out = id.emit();
                out.extend(options.0.to_be_bytes());
                out
            }
            Self::RecyclerSetup(types) => types.0.to_be_bytes().to_vec(),
            Self::BillDispenseStatus { full, counts } => {
                let mut out = full.0.to_be_bytes().to_vec();
                out.extend(counts.bytes());
                out
            }
            Self::PayoutStatus(counts) => counts.bytes().to_vec(),
            Self::PayoutValuePoll(value) => value.emit(),
            Self::Ftl(message) => return message.emit_response(),
            Self::Diagnostics(data) => data.clone(),
        };
        Block::truncated(&bytes)
    }

    /// The name in the standard's words: of the report where POLL is answered with one report, of
    /// the command answered otherwise.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Poll(reports) => match reports.as_slice() {
                [report] => report.name(),
                _ => "POLL",
            },
            Self::Setup(_) => "SETUP",
            Self::Stacker(_) => "STACKER",
            Self::Identification(_) => "EXPANSION IDENTIFICATION",
            Self::IdentificationWithOptions(..) => "EXPANSION IDENTIFICATION WITH OPTION BITS",
            Self::RecyclerSetup(_) => "RECYCLER SETUP",
            Self::BillDispenseStatus { .. } => "BILL DISPENSE STATUS",
            Self::PayoutStatus(_) => "PAYOUT STATUS",
            Self::PayoutValuePoll(_) => "PAYOUT VALUE POLL",
            Self::Ftl(message) => message.name(),
            Self::Diagnostics(_) => "DIAGNOSTICS",
        }
    }
}

impl fmt::Display for Response {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Poll(reports) => {
                let reports: Vec<String> = reports.iter().map(Report::to_string).collect();
                return f.write_str(&reports.join("; "));
            }
            Self::Ftl(message) => return message.fmt(f),
            _ => write!(f, "{} ", self.name())?,
        }
        match self {
            Self::Setup(setup) => setup.fmt(f),
            Self::Stacker(Stacker { full, count }) => {
                write!(f, "{count} bills{}", if *full { ", full" } else { "" })
            }
            Self::Identification(id) => id.fmt(f),
            Self::IdentificationWithOptions(id, options) => write!(f, "{id}, options: {options}"),
            Self::RecyclerSetup(types) => write!(f, "can recycle {types}"),
            Self::BillDispenseStatus { full, counts } => {
                write!(f, "holds {counts}; full: {full}")
            }
            Self::PayoutStatus(counts) => write!(f, "paid out {counts}"),
            Self::PayoutValuePoll(value) => {
                write!(f, "paid out {} since last asked", value.count())
            }
            Self::Diagnostics(data) => data.iter().try_for_each(|b| write!(f, "{b:02X} ")),
            Self::Poll(_) | Self::Ftl(_) => Ok(()),
        }
    }
}

#[cfg(test)]
#[path = "response_tests.rs"]
mod tests;
