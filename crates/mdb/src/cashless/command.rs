//! Commands of the VMC to a cashless device (Table 1 and section 7.4).

use super::{
    CashSale, CouponReply, Identification, Mode, Options, PriceRange, Reason, TimeDate, Unit,
    VendFailure, VendRequest, VendSuccess, VmcConfig, money,
};
use crate::prelude::*;
use crate::{Block, ParseError, Reader};

/// A command: to which device, and what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Command {
    /// Cashless device 1 or 2.
    pub unit: Unit,
    /// What is asked of it.
    pub kind: Kind,
}

/// Every command and sub-command of section 7.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// RESET (7.4.1).
    Reset,
    /// SETUP config data (7.4.2).
    SetupConfig(VmcConfig),
    /// SETUP max / min prices (7.4.3).
    SetupPrices(PriceRange),
    /// POLL (7.4.4).
    Poll,
    /// VEND request (7.4.5).
    VendRequest(VendRequest),
    /// VEND cancel (7.4.6).
    VendCancel,
    /// VEND success (7.4.7).
    VendSuccess(VendSuccess),
    /// VEND failure (7.4.8).
    VendFailure(VendFailure),
    /// VEND session complete (7.4.9).
    SessionComplete,
    /// VEND cash sale (7.4.10).
    CashSale(CashSale),
    /// VEND negative vend request (7.4.11).
    NegativeVendRequest {
        /// Value of the returned item, scaled.
        value: u32,
        /// Item; FFFFH when not defined.
        item: u16,
    },
    /// VEND selection denied (7.4.12).
    SelectionDenied {
        /// Item of the SELECTION REQUEST.
        item: u16,
        /// Why.
        reason: Reason,
    },
    /// VEND coupon reply (7.4.13).
    CouponReply(CouponReply),
    /// READER disable (7.4.14).
    ReaderDisable,
    /// READER enable (7.4.15).
    ReaderEnable,
    /// READER cancel (7.4.16).
    ReaderCancel,
    /// READER data entry response (7.4.17): ASCII keys, unused bytes 00H; all FFH cancels.
    DataEntryResponse([u8; 8]),
    /// REVALUE request (7.4.18): amount, scaled.
    RevalueRequest(u32),
    /// REVALUE limit request (7.4.19).
    RevalueLimitRequest,
    /// EXPANSION request ID, with the VMC's own (7.4.20).
    RequestId(Identification),
    /// EXPANSION read user file (7.4.21, obsolete): its number.
    ReadUserFile(u8),
    /// EXPANSION write user file (7.4.22, obsolete).
    WriteUserFile {
        /// Its number.
        number: u8,
        /// At most 31 bytes fit a block (the section says 32); more are not sent.
        data: Vec<u8>,
    },
    /// EXPANSION write time/date (7.4.23).
    WriteTimeDate(TimeDate),
    /// EXPANSION enable options (7.4.24).
    EnableOptions(Options),
    /// EXPANSION FTL (7.4.25 to 7.4.29): the sub-command FAH to FEH and what follows.
    Ftl(Vec<u8>),
    /// EXPANSION diagnostics (7.4.30): what follows FFH.
    Diagnostics(Vec<u8>),
}

/// The most bytes of a user file that fit a WRITE USER FILE block.
const USER_FILE_ROOM: usize = 31;

impl Command {
    /// A command to a device.
    #[must_use]
    pub const fn new(unit: Unit, kind: Kind) -> Self {
        Self { unit, kind }
    }

    /// Reads a block without CHK, in the form `mode` calls for.
    ///
    /// # Errors
    /// When the address is not a cashless device's, the command is not defined, or the length is
    /// not that of the mode's form (see [`Command::parse_any`]).
    pub fn parse(bytes: &[u8], mode: &Mode) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        let first = r.u8("address byte")?;
        let unit = Unit::of(first)
            .ok_or_else(|| r.bad(first, "10H-17H or 60H-67H, a cashless device's address"))?;
        let kind = match first & 7 {
            0 => Kind::Reset,
            1 => setup(&mut r, mode)?,
            2 => Kind::Poll,
            3 => vend(&mut r, mode)?,
            4 => reader(&mut r)?,
            5 => revalue(&mut r, mode)?,
            7 => expansion(&mut r)?,
            _ => return Err(r.bad(first, "a command of Table 1; x6H is not defined (7.3.2)")),
        };
        r.end()?;
        Ok(Self { unit, kind })
    }

    /// As [`parse`](Self::parse), then in the form of every other mode; the mode whose form
    /// fitted comes with the command. For decoding a sender that keeps to another level or
    /// option than agreed, or a recording that starts in the middle.
    ///
    /// # Errors
    /// Those of [`parse`](Self::parse), when no form fits.
    pub fn parse_any(bytes: &[u8], mode: &Mode) -> Result<(Self, Mode), ParseError> {
        Self::parse(bytes, mode)
            .map(|command| (command, *mode))
            .or_else(|error| {
                mode.others()
                    .find_map(|other| Some((Self::parse(bytes, &other).ok()?, other)))
                    .ok_or(error)
            })
    }

    /// The block without CHK, in the form `mode` calls for. FTL, diagnostics and user files that
    /// do not fit 35 bytes are cut.
    #[must_use]
    pub fn emit(&self, mode: &Mode) -> Block {
        let mut out = vec![self.unit.address().with(self.code())];
        self.put(&mut out, mode);
        Block::truncated(&out)
    }

    fn code(&self) -> u8 {
        match self.kind {
            Kind::Reset => 0,
            Kind::SetupConfig(_) | Kind::SetupPrices(_) => 1,
            Kind::Poll => 2,
            Kind::VendRequest(_)
            | Kind::VendCancel
            | Kind::VendSuccess(_)
            | Kind::VendFailure(_)
            | Kind::SessionComplete
            | Kind::CashSale(_)
            | Kind::NegativeVendRequest { .. }
            | Kind::SelectionDenied { .. }
            | Kind::CouponReply(_) => 3,
            Kind::ReaderDisable
            | Kind::ReaderEnable
            | Kind::ReaderCancel
            | Kind::DataEntryResponse(_) => 4,
            Kind::RevalueRequest(_) | Kind::RevalueLimitRequest => 5,
            Kind::RequestId(_)
            | Kind::ReadUserFile(_)
            | Kind::WriteUserFile { .. }
            | Kind::WriteTimeDate(_)
            | Kind::EnableOptions(_)
            | Kind::Ftl(_)
            | Kind::Diagnostics(_) => 7,
        }
    }

    fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        match &self.kind {
            Kind::Reset | Kind::Poll => {}
            Kind::SetupConfig(config) => {
                out.push(0x00);
                config.put(out);
            }
            Kind::SetupPrices(prices) => {
                out.push(0x01);
                prices.put(out, mode);
            }
            Kind::VendRequest(request) => {
                out.push(0x00);
                request.put(out, mode);
            }
            Kind::VendCancel | Kind::ReaderEnable | Kind::RevalueLimitRequest => out.push(0x01),
            Kind::VendSuccess(success) => {
                out.push(0x02);
                success.put(out, mode);
            }
            Kind::VendFailure(failure) => {
                out.push(0x03);
                failure.put(out, mode);
            }
            Kind::SessionComplete => out.push(0x04),
            Kind::CashSale(sale) => {
                out.push(0x05);
                sale.put(out, mode);
            }
            Kind::NegativeVendRequest { value, item } => {
                out.push(0x06);
                money::put(out, mode, *value);
                out.extend(item.to_be_bytes());
            }
            Kind::SelectionDenied { item, reason } => {
                out.push(0x07);
                out.extend(item.to_be_bytes());
                out.push(reason.0);
            }
            Kind::CouponReply(reply) => {
                out.push(0x08);
                reply.put(out, mode);
            }
            Kind::ReaderDisable => out.push(0x00),
            Kind::ReaderCancel => out.push(0x02),
            Kind::DataEntryResponse(keys) => {
                out.push(0x03);
                out.extend(keys);
            }
            Kind::RevalueRequest(amount) => {
                out.push(0x00);
                money::put(out, mode, *amount);
            }
            Kind::RequestId(id) => {
                out.push(0x00);
                id.put(out);
            }
            Kind::ReadUserFile(number) => out.extend([0x01, *number]),
            Kind::WriteUserFile { number, data } => {
                let data = data.get(..USER_FILE_ROOM).unwrap_or(data);
                out.extend([0x02, *number, data.len() as u8]);
                out.extend(data);
            }
            Kind::WriteTimeDate(time) => {
                out.push(0x03);
                out.extend(time.to_bytes());
            }
            Kind::EnableOptions(options) => {
                out.push(0x04);
                out.extend(options.0.to_be_bytes());
            }
            Kind::Ftl(bytes) => out.extend(bytes),
            Kind::Diagnostics(bytes) => {
                out.push(0xFF);
                out.extend(bytes);
            }
        }
    }
}

fn setup(r: &mut Reader<'_>, mode: &Mode) -> Result<Kind, ParseError> {
    match r.u8("SETUP sub-command (7.4.2)")? {
        0x00 => VmcConfig::parse(r).map(Kind::SetupConfig),
        0x01 => PriceRange::parse(r, mode).map(Kind::SetupPrices),
        other => Err(r.bad(other, "00H config data or 01H max / min prices")),
    }
}

fn vend(r: &mut Reader<'_>, mode: &Mode) -> Result<Kind, ParseError> {
    Ok(match r.u8("VEND sub-command (7.4.5)")? {
        0x00 => Kind::VendRequest(VendRequest::parse(r, mode)?),
        0x01 => Kind::VendCancel,
        0x02 => Kind::VendSuccess(VendSuccess::parse(r, mode)?),
        0x03 => Kind::VendFailure(VendFailure::parse(r, mode)?),
        0x04 => Kind::SessionComplete,
        0x05 => Kind::CashSale(CashSale::parse(r, mode)?),
        0x06 => Kind::NegativeVendRequest {
            value: money::read(r, mode, "item value (7.4.11)")?,
            item: r.u16("item number (7.4.11)")?,
        },
        0x07 => Kind::SelectionDenied {
            item: r.u16("item number (7.4.12)")?,
            reason: Reason(r.u8("reason (7.4.12)")?),
        },
        0x08 => Kind::CouponReply(CouponReply::parse(r, mode)?),
        other => return Err(r.bad(other, "a VEND sub-command, 00H to 08H")),
    })
}

fn reader(r: &mut Reader<'_>) -> Result<Kind, ParseError> {
    Ok(match r.u8("READER sub-command (7.4.14)")? {
        0x00 => Kind::ReaderDisable,
        0x01 => Kind::ReaderEnable,
        0x02 => Kind::ReaderCancel,
        0x03 => Kind::DataEntryResponse(r.array("eight data entry bytes (7.4.17)")?),
        other => return Err(r.bad(other, "a READER sub-command, 00H to 03H")),
    })
}

fn revalue(r: &mut Reader<'_>, mode: &Mode) -> Result<Kind, ParseError> {
    Ok(match r.u8("REVALUE sub-command (7.4.18)")? {
        0x00 => Kind::RevalueRequest(money::read(r, mode, "revalue amount (7.4.18)")?),
        0x01 => Kind::RevalueLimitRequest,
        other => return Err(r.bad(other, "00H revalue request or 01H limit request")),
    })
}

fn expansion(r: &mut Reader<'_>) -> Result<Kind, ParseError> {
    Ok(match r.u8("EXPANSION sub-command (7.4.20)")? {
        0x00 => Kind::RequestId(Identification::parse(r)?),
        0x01 => Kind::ReadUserFile(r.u8("number of user file (7.4.21)")?),
        0x02 => {
            let number = r.u8("number of user file (7.4.22)")?;
            let len = r.u8("length of user file (7.4.22)")?;
            let data = (0..len)
                .map(|_| r.u8("user file data (7.4.22)"))
                .collect::<Result<_, _>>()?;
            Kind::WriteUserFile { number, data }
        }
        0x03 => Kind::WriteTimeDate(TimeDate::from_bytes(r.array("time and date (7.4.23)")?)),
        0x04 => Kind::EnableOptions(Options(r.u32("optional feature bits (7.4.24)")?)),
        sub @ 0xFA..=0xFE => {
            let mut bytes = vec![sub];
            bytes.extend(r.take_rest());
            Kind::Ftl(bytes)
        }
        0xFF => Kind::Diagnostics(r.take_rest().to_vec()),
        other => return Err(r.bad(other, "00H to 04H, FAH to FEH (FTL) or FFH (diagnostics)")),
    })
}
