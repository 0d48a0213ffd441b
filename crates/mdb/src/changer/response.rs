//! What a changer answers with data (section 5.3).

use super::{
    Command, DiagnosticCode, Identification, MAX_ACTIVITY, PerType, Report, Setup, TubeStatus,
};
use crate::prelude::*;
use crate::{Block, ParseError, Reader, ftl};
use core::fmt;

/// Data of a changer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Response {
    /// To SETUP.
    Setup(Setup),
    /// To TUBE STATUS.
    TubeStatus(TubeStatus),
    /// To POLL: one or more reports, 16 bytes at most. A changer with nothing to report answers
    /// ACK instead.
    Poll(Vec<Report>),
    /// To IDENTIFICATION.
    Identification(Identification),
    /// To PAYOUT STATUS: coins paid out per coin type. ACK instead while the payout goes on.
    PayoutStatus(PerType),
    /// To PAYOUT VALUE POLL: counts paid out since the last time. ACK instead once the payout is
    /// over.
    PayoutValue(u8),
    /// To SEND DIAGNOSTIC STATUS: one to eight codes.
    DiagnosticStatus(Vec<DiagnosticCode>),
    /// To SEND CONTROLLED MANUAL FILL REPORT: coins put in, 255 standing for 255 or more.
    ManualFillReport(PerType),
    /// To SEND CONTROLLED MANUAL PAYOUT REPORT: coins paid out, 255 standing for 255 or more.
    ManualPayoutReport(PerType),
    /// To an FTL command, or to POLL; never together with reports (section 2.6.3).
    Ftl(ftl::Message),
    /// To DIAGNOSTICS: manufacturer specific.
    Diagnostics(Vec<u8>),
}

impl Response {
    /// Reads the data (without CHK) that answered `command`.
    ///
    /// # Errors
    /// When the data are not an answer to the command: too short, too long, or to a command that
    /// is answered with ACK alone (RESET, COIN TYPE, DISPENSE, FEATURE ENABLE, PAYOUT).
    pub fn parse(command: &Command, bytes: &[u8]) -> Result<Self, ParseError> {
        match command {
            Command::Setup => Setup::parse(bytes).map(Self::Setup),
            Command::TubeStatus => TubeStatus::parse(bytes).map(Self::TubeStatus),
            Command::Poll => match bytes.first() {
                Some(first) if ftl::Message::is_response(*first) => {
                    ftl::Message::parse_response(bytes).map(Self::Ftl)
                }
                Some(_) => Report::parse_all(bytes).map(Self::Poll),
                None => Err(ParseError::Short {
                    at: 0,
                    expected: "changer activity (5.3, POLL)",
                }),
            },
            Command::Identification => Identification::parse(bytes).map(Self::Identification),
            Command::PayoutStatus => {
                counts(bytes, "coins of type 0 paid out (5.3, 0FH 03H)").map(Self::PayoutStatus)
            }
            Command::PayoutValuePoll => {
                let mut r = Reader::new(bytes);
                let value = r.u8("value paid out (5.3, 0FH 04H)")?;
                r.end()?;
                Ok(Self::PayoutValue(value))
            }
            Command::SendDiagnosticStatus => diagnostics(bytes).map(Self::DiagnosticStatus),
            Command::SendControlledManualFillReport => {
                counts(bytes, "coins of type 0 put in (5.3, 0FH 06H)").map(Self::ManualFillReport)
            }
            Command::SendControlledManualPayoutReport => {
                counts(bytes, "coins of type 0 paid out (5.3, 0FH 07H)")
                    .map(Self::ManualPayoutReport)
            }
            Command::Ftl(_) => ftl::Message::parse_response(bytes).map(Self::Ftl),
            Command::Diagnostics(_) => Ok(Self::Diagnostics(bytes.to_vec())),
            Command::Reset
            | Command::CoinType { .. }
            | Command::Dispense { .. }
            | Command::FeatureEnable(_)
            | Command::Payout { .. } => Err(ParseError::Long {
                at: 0,
                extra: bytes.len(),
            }),
        }
    }

    /// The block to send. Reports beyond 16 bytes, codes beyond eight and manufacturer specific
    /// bytes beyond 35 are left out whole; no reports at all give a single 00H, for which a
    /// changer must send ACK instead.
    #[must_use]
    pub fn emit(&self) -> Block {
        let mut out = Vec::new();
        match self {
            Self::Setup(setup) => setup.emit(&mut out),
            Self::TubeStatus(tubes) => tubes.emit(&mut out),
            Self::Poll(reports) => {
                for report in reports {
                    if out.len() + report.size() > MAX_ACTIVITY {
                        break;
                    }
                    report.emit(&mut out);
                }
            }
            Self::Identification(id) => id.emit(&mut out),
            Self::PayoutStatus(counts)
            | Self::ManualFillReport(counts)
            | Self::ManualPayoutReport(counts) => out.extend(counts.bytes()),
            Self::PayoutValue(value) => out.push(*value),
            Self::DiagnosticStatus(codes) => {
                for code in codes.iter().take(MAX_ACTIVITY / 2) {
                    out.extend([code.main, code.sub]);
                }
            }
            Self::Ftl(message) => return message.emit_response(),
            Self::Diagnostics(data) => out.extend(data),
        }
        Block::truncated(&out)
    }

    /// The standard's name, in capitals: of the report where a POLL answer has just one.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Setup(_) => "SETUP",
            Self::TubeStatus(_) => "TUBE STATUS",
            Self::Poll(reports) => match reports.as_slice() {
                [one] => one.name(),
                _ => "CHANGER ACTIVITY",
            },
            Self::Identification(_) => "IDENTIFICATION",
            Self::PayoutStatus(_) => "PAYOUT STATUS",
            Self::PayoutValue(_) => "PAYOUT VALUE POLL",
            Self::DiagnosticStatus(_) => "SEND DIAGNOSTIC STATUS",
            Self::ManualFillReport(_) => "SEND CONTROLLED MANUAL FILL REPORT",
            Self::ManualPayoutReport(_) => "SEND CONTROLLED MANUAL PAYOUT REPORT",
            Self::Ftl(message) => message.name(),
            Self::Diagnostics(_) => "DIAGNOSTICS",
        }
    }
}

fn counts(bytes: &[u8], expected: &'static str) -> Result<PerType, ParseError> {
    if bytes.is_empty() {
        return Err(ParseError::Short { at: 0, expected });
    }
    PerType::parse(&mut Reader::new(bytes))
}

fn diagnostics(bytes: &[u8]) -> Result<Vec<DiagnosticCode>, ParseError> {
    let mut r = Reader::new(bytes);
    let mut codes = Vec::new();
    while codes.is_empty() || !r.is_empty() {
        if r.at() == MAX_ACTIVITY {
            break;
        }
        let main = r.u8("main code (5.3, 0FH 05H, Z1)")?;
        let sub = r.u8("sub-code (5.3, 0FH 05H, Z2)")?;
        codes.push(DiagnosticCode::new(main, sub));
    }
    r.end()?;
    Ok(codes)
}

/// The items of a list, separated by `; `.
fn list<T: fmt::Display>(f: &mut fmt::Formatter<'_>, items: &[T]) -> fmt::Result {
    for (n, item) in items.iter().enumerate() {
        let separator = if n > 0 { "; " } else { "" };
        write!(f, "{separator}{item}")?;
    }
    Ok(())
}

impl fmt::Display for Response {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = self.name();
        match self {
            Self::Setup(setup) => write!(f, "{name} {setup}"),
            Self::TubeStatus(tubes) => write!(f, "{name} {tubes}"),
            Self::Poll(reports) => list(f, reports),
            Self::Identification(id) => write!(f, "{name} {id}"),
            Self::PayoutStatus(counts) => write!(f, "{name} coins paid out {counts}"),
            Self::PayoutValue(value) => write!(f, "{name} {value} counts since the last"),
            Self::DiagnosticStatus(codes) => {
                write!(f, "{name} ")?;
                list(f, codes)
            }
            Self::ManualFillReport(counts) => write!(f, "{name} coins put in {counts}"),
            Self::ManualPayoutReport(counts) => write!(f, "{name} coins paid out {counts}"),
            Self::Ftl(message) => write!(f, "FTL {message}"),
            Self::Diagnostics(data) => write!(f, "{name} {} bytes", data.len()),
        }
    }
}
