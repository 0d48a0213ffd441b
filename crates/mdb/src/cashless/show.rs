//! Names in the standard's terms and one line in plain words for every message.
//!
//! Amounts are shown as the counts that travelled; only the reader's scale factor (7.4.2) makes
//! money of them.

use super::{BeginSession, Command, Identification, Kind, Report, Response, State, VendSuccess};
use crate::prelude::*;
use core::fmt::{self, Display, Formatter};

impl Command {
    /// The standard's name, in capitals.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self.kind {
            Kind::Reset => "RESET",
            Kind::SetupConfig(_) => "SETUP CONFIG DATA",
            Kind::SetupPrices(_) => "SETUP MAX/MIN PRICES",
            Kind::Poll => "POLL",
            Kind::VendRequest(_) => "VEND REQUEST",
            Kind::VendCancel => "VEND CANCEL",
            Kind::VendSuccess(_) => "VEND SUCCESS",
            Kind::VendFailure(_) => "VEND FAILURE",
            Kind::SessionComplete => "SESSION COMPLETE",
            Kind::CashSale(_) => "CASH SALE",
            Kind::NegativeVendRequest { .. } => "NEGATIVE VEND REQUEST",
            Kind::SelectionDenied { .. } => "SELECTION DENIED",
            Kind::CouponReply(_) => "COUPON REPLY",
            Kind::ReaderDisable => "READER DISABLE",
            Kind::ReaderEnable => "READER ENABLE",
            Kind::ReaderCancel => "READER CANCEL",
            Kind::DataEntryResponse(_) => "DATA ENTRY RESPONSE",
            Kind::RevalueRequest(_) => "REVALUE REQUEST",
            Kind::RevalueLimitRequest => "REVALUE LIMIT REQUEST",
            Kind::RequestId(_) => "EXPANSION REQUEST ID",
            Kind::ReadUserFile(_) => "READ USER FILE",
            Kind::WriteUserFile { .. } => "WRITE USER FILE",
            Kind::WriteTimeDate(_) => "WRITE TIME/DATE FILE",
            Kind::EnableOptions(_) => "OPTIONAL FEATURE BIT ENABLE",
            Kind::Ftl(_) => "FTL",
            Kind::Diagnostics(_) => "DIAGNOSTICS",
        }
    }
}

impl Display for Command {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())?;
        match &self.kind {
            Kind::Reset
            | Kind::Poll
            | Kind::VendCancel
            | Kind::SessionComplete
            | Kind::ReaderDisable
            | Kind::ReaderEnable
            | Kind::ReaderCancel
            | Kind::RevalueLimitRequest => Ok(()),
            Kind::SetupConfig(c) => write!(
                f,
                " VMC {}, display {} columns by {} rows{}",
                c.level,
                c.columns,
                c.rows,
                if c.display & 7 == 1 {
                    ", full ASCII"
                } else {
                    ""
                }
            ),
            Kind::SetupPrices(p) => {
                match p.max {
                    Some(max) => write!(f, " maximum {max}")?,
                    None => f.write_str(" maximum not known")?,
                }
                write!(f, ", minimum {}", p.min)?;
                p.currency.map_or(Ok(()), |c| write!(f, ", {c}"))
            }
            Kind::VendRequest(v) => {
                write!(f, " price {}, {}", v.price, Item(v.item))?;
                v.basket.map_or(Ok(()), |b| {
                    write!(
                        f,
                        ", {} to dispense, {} for options",
                        b.count, b.options_price
                    )
                })
            }
            Kind::VendSuccess(v) => vend_success(f, v),
            Kind::VendFailure(v) => v.detail.map_or(Ok(()), |d| {
                write!(
                    f,
                    " {}, value {}, {} to come: {}",
                    Item(d.item),
                    d.result.amount,
                    d.result.count,
                    d.reason
                )
            }),
            Kind::CashSale(s) => {
                let item = s.item_number().unwrap_or(0xFFFF);
                write!(f, " price {}, {}", s.price, Item(item))?;
                for (flag, text) in [
                    (super::CashSale::FREE, "free vend"),
                    (super::CashSale::TEST, "test vend"),
                    (super::CashSale::NEGATIVE, "negative vend"),
                    (super::CashSale::TOKEN, "token vend"),
                ] {
                    if s.is(flag) {
                        write!(f, ", {text}")?;
                    }
                }
                s.detail.map_or(Ok(()), |d| {
                    write!(f, ", dispensed {}", Item(d.dispensed.item))?;
                    for (bit, text) in [(1, "cash"), (2, "cashless 1"), (4, "cashless 2")] {
                        if d.flags & bit != 0 {
                            write!(f, ", paid with {text}")?;
                        }
                    }
                    Ok(())
                })
            }
            Kind::NegativeVendRequest { value, item } => {
                write!(f, " value {value}, {}", Item(*item))
            }
            Kind::SelectionDenied { item, reason } => write!(f, " {}: {reason}", Item(*item)),
            Kind::CouponReply(c) => {
                let used = match c.usage {
                    0 => "rejected".to_owned(),
                    1 => "product dispensed".to_owned(),
                    other => format!("usage {other:02X}H"),
                };
                write!(f, " {used}, {}, value {}", Item(c.item), c.value)
            }
            Kind::DataEntryResponse(keys) if keys == &[0xFF; 8] => f.write_str(" cancelled"),
            Kind::DataEntryResponse(keys) => {
                let keys: Vec<u8> = keys.iter().copied().take_while(|b| *b != 0).collect();
                write!(f, " keys {}", Text(&keys))
            }
            Kind::RevalueRequest(amount) => write!(f, " amount {amount}"),
            Kind::RequestId(id) => write!(f, " from VMC {id}"),
            Kind::ReadUserFile(number) => write!(f, " {number}"),
            Kind::WriteUserFile { number, data } => write!(f, " {number}: {}", Hex(data)),
            Kind::WriteTimeDate(time) => write!(f, " {time}"),
            Kind::EnableOptions(options) => write!(f, " {options}"),
            Kind::Ftl(bytes) | Kind::Diagnostics(bytes) => write!(f, " {}", Hex(bytes)),
        }
    }
}

fn vend_success(f: &mut Formatter<'_>, v: &VendSuccess) -> fmt::Result {
    write!(f, " {}", Item(v.item))?;
    if let Some(d) = v.dispensed {
        write!(
            f,
            " {}, dispensed {} {}",
            Text(&d.selected_name),
            Item(d.item),
            Text(&d.dispensed_name)
        )?;
    }
    v.basket.map_or(Ok(()), |b| {
        write!(
            f,
            ", value {}, {} to come, {} for options",
            b.amount, b.count, b.options_amount
        )
    })
}

impl Report {
    /// The standard's name, in capitals.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::JustReset => "JUST RESET",
            Self::ReaderConfig(_) => "READER CONFIG DATA",
            Self::DisplayRequest { .. } => "DISPLAY REQUEST",
            Self::BeginSession(_) => "BEGIN SESSION",
            Self::SessionCancelRequest => "SESSION CANCEL REQUEST",
            Self::VendApproved { .. } => "VEND APPROVED",
            Self::VendDenied => "VEND DENIED",
            Self::EndSession => "END SESSION",
            Self::Cancelled => "CANCELLED",
            Self::PeripheralId(_) => "PERIPHERAL ID",
            Self::Malfunction(_) => "MALFUNCTION/ERROR",
            Self::OutOfSequence(_) => "COMMAND OUT OF SEQUENCE",
            Self::RevalueApproved => "REVALUE APPROVED",
            Self::RevalueDenied => "REVALUE DENIED",
            Self::RevalueLimit(_) => "REVALUE LIMIT AMOUNT",
            Self::UserFile { .. } => "USER FILE DATA",
            Self::TimeDateRequest => "TIME/DATE REQUEST",
            Self::DataEntryRequest(_) => "DATA ENTRY REQUEST",
            Self::DataEntryCancel => "DATA ENTRY CANCEL",
            Self::SelectionRequest(_) => "SELECTION REQUEST",
            Self::CouponReport(_) => "COUPON REPORT",
            Self::Ftl(_) => "FTL",
            Self::Diagnostics(_) => "DIAGNOSTICS RESPONSE",
            Self::Unknown(_) => "UNKNOWN",
        }
    }
}

impl Display for Report {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())?;
        match self {
            Self::ReaderConfig(c) => {
                write!(
                    f,
                    " reader {}, {}, scale factor {}, {} decimals, answers within {} s",
                    c.level, c.currency, c.scale, c.decimals, c.response_time
                )?;
                for (bit, text) in [
                    (super::ReaderConfig::RESTORES_FUNDS, "restores funds"),
                    (super::ReaderConfig::MULTIVEND, "multivend"),
                    (super::ReaderConfig::DISPLAY, "own display"),
                    (super::ReaderConfig::CASH_SALE, "takes cash sales"),
                ] {
                    if c.misc & bit != 0 {
                        write!(f, ", {text}")?;
                    }
                }
                Ok(())
            }
            Self::DisplayRequest { time, text } => {
                write!(f, " for {}.{} s: {}", time / 10, time % 10, Text(text))
            }
            Self::BeginSession(session) => begin_session(f, session),
            Self::VendApproved { amount, .. } => match amount {
                Some(amount) => write!(f, " amount {amount}"),
                None => f.write_str(" paid by a token"),
            },
            Self::PeripheralId(id) => {
                write!(f, " {}", id.id)?;
                id.options
                    .map_or(Ok(()), |options| write!(f, ", options: {options}"))
            }
            Self::Malfunction(code) => write!(f, " {:02X}H: {}", code.0, code.text()),
            Self::OutOfSequence(state) => {
                state.map_or(Ok(()), |state| write!(f, " in state {state}"))
            }
            Self::RevalueLimit(limit) => write!(f, " {limit}"),
            Self::UserFile { number, data } => write!(f, " {number}: {}", Hex(data)),
            Self::DataEntryRequest(keys) => {
                let repeated = if keys & 0x80 != 0 { ", repeated" } else { "" };
                write!(f, " for {} keys{repeated}", keys & 0x7F)
            }
            Self::SelectionRequest(s) => {
                write!(f, " {}, {}", Item(s.item), Funds(s.funds))?;
                if s.item_options & 1 != 0 {
                    f.write_str(", more to come")?;
                }
                Ok(())
            }
            Self::CouponReport(c) => {
                write!(f, " {:08X}H for {}", c.id, Item(c.item))?;
                match c.value {
                    Some(value) => write!(f, ", value {value}"),
                    None => f.write_str(", worth one vend"),
                }
            }
            Self::Ftl(bytes) | Self::Diagnostics(bytes) | Self::Unknown(bytes) => {
                write!(f, " {}", Hex(bytes))
            }
            _ => Ok(()),
        }
    }
}

fn begin_session(f: &mut Formatter<'_>, session: &BeginSession) -> fmt::Result {
    write!(f, " {}", Funds(session.funds))?;
    if let Some(media) = session.media {
        match media.id {
            Some(id) => write!(f, ", media {id:08X}H")?,
            None => f.write_str(", media not known")?,
        }
        write!(f, ", type {:02X}H", media.kind)?;
    }
    session.user.map_or(Ok(()), |user| {
        write!(f, ", language {}", Text(&user.language))?;
        user.currency.map_or(Ok(()), |c| write!(f, ", {c}"))?;
        write!(f, ", card options {:02X}H", user.card_options)
    })
}

impl Response {
    /// The name of the first message.
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.reports().first().map_or("ACK", Report::name)
    }
}

impl Display for Response {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        for (n, report) in self.reports().iter().enumerate() {
            if n > 0 {
                f.write_str("; ")?;
            }
            report.fmt(f)?;
        }
        Ok(())
    }
}

impl Display for State {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Inactive => "Inactive",
            Self::Disabled => "Disabled",
            Self::Enabled => "Enabled",
            Self::SessionIdle => "Session Idle",
            Self::Vend => "Vend",
            Self::Revalue => "Revalue",
            Self::NegativeVend => "Negative Vend",
            Self::Other(code) => return write!(f, "{code:02X}H"),
        })
    }
}

impl Display for Identification {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let [major, minor] = self.version;
        write!(
            f,
            "maker {}, serial {}, model {}, version {major:02X}.{minor:02X}",
            Text(&self.maker),
            Text(&self.serial),
            Text(&self.model)
        )
    }
}

/// ASCII in quotes, trailing spaces left out, other bytes as `\xNN`.
struct Text<'a>(&'a [u8]);

impl Display for Text<'_> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        write!(f, "\"{}\"", self.0.trim_ascii_end().escape_ascii())
    }
}

/// Bytes in hex.
struct Hex<'a>(&'a [u8]);

impl Display for Hex<'_> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        for (n, byte) in self.0.iter().enumerate() {
            let space = if n > 0 { " " } else { "" };
            write!(f, "{space}{byte:02X}")?;
        }
        Ok(())
    }
}

/// An item number; FFFFH when not defined.
struct Item(u16);

impl Display for Item {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self.0 {
            0xFFFF => f.write_str("item not defined"),
            n => write!(f, "item {n}"),
        }
    }
}

/// Funds available.
struct Funds(Option<u32>);

impl Display for Funds {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self.0 {
            Some(n) => write!(f, "funds {n}"),
            None => f.write_str("funds not determined"),
        }
    }
}
