//! What VEND sub-commands carry (sections 7.4.5 to 7.4.13).

use super::config::{put_currency, read_currency};
use super::{Mode, Options, money};
use crate::prelude::*;
use crate::{CurrencyCode, ParseError, Reader};
use core::fmt;

/// VEND REQUEST (7.4.5).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VendRequest {
    /// Price, scaled.
    pub price: u32,
    /// Selected item; FFFFH when not defined.
    pub item: u16,
    /// With the basket option only; `None` is sent as one item and no options.
    pub basket: Option<BasketRequest>,
}

/// The part of VEND REQUEST that the basket option adds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BasketRequest {
    /// Y6-Y9 (Y8-Y11 at 32 bit): left out by the standard, can be 0.
    pub skipped: [u8; 4],
    /// Items to dispense: 1 for a normal vend.
    pub count: u8,
    /// The part of the price that pays for options, scaled.
    pub options_price: u32,
}

impl VendRequest {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        let price = money::read(r, mode, "item price (7.4.5)")?;
        let item = r.u16("item number (7.4.5)")?;
        let basket = if mode.has(Options::BASKET) {
            Some(BasketRequest {
                skipped: r.array("four skipped bytes (7.4.5)")?,
                count: r.u8("item count (7.4.5)")?,
                options_price: money::read(r, mode, "options price (7.4.5)")?,
            })
        } else {
            None
        };
        Ok(Self {
            price,
            item,
            basket,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        money::put(out, mode, self.price);
        out.extend(self.item.to_be_bytes());
        if mode.has(Options::BASKET) {
            let basket = self.basket.unwrap_or(BasketRequest {
                skipped: [0; 4],
                count: 1,
                options_price: 0,
            });
            out.extend(basket.skipped);
            out.push(basket.count);
            money::put(out, mode, basket.options_price);
        }
    }
}

/// What was dispensed, with the names of EVA-DTS field PA101: the enhanced item number
/// information of VEND SUCCESS and CASH SALE (7.4.7, 7.4.10).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dispensed {
    /// Dispensed item; FFFFH when not defined.
    pub item: u16,
    /// PA101 of the selected item, ASCII, padded with spaces.
    pub selected_name: [u8; 6],
    /// PA101 of the dispensed item, ASCII, padded with spaces.
    pub dispensed_name: [u8; 6],
}

impl Default for Dispensed {
    fn default() -> Self {
        Self {
            item: 0xFFFF,
            selected_name: [b' '; 6],
            dispensed_name: [b' '; 6],
        }
    }
}

impl Dispensed {
    fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        Ok(Self {
            item: r.u16("dispensed item number (7.4.7)")?,
            selected_name: r.array("PA101 of the selected item (7.4.7)")?,
            dispensed_name: r.array("PA101 of the dispensed item (7.4.7)")?,
        })
    }

    fn put(&self, out: &mut Vec<u8>) {
        out.extend(self.item.to_be_bytes());
        out.extend(self.selected_name);
        out.extend(self.dispensed_name);
    }
}

/// What became of one product of a vend, with the basket option (7.4.7).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BasketResult {
    /// Value of the product, scaled.
    pub amount: u32,
    /// Products of this vend still to come; 0 ends the vend.
    pub count: u8,
    /// The part of the amount that pays for options, scaled.
    pub options_amount: u32,
}

impl BasketResult {
    fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        Ok(Self {
            amount: money::read(r, mode, "vend amount (7.4.7, 7.4.8)")?,
            count: r.u8("item count (7.4.7, 7.4.8)")?,
            options_amount: money::read(r, mode, "options amount (7.4.7, 7.4.8)")?,
        })
    }

    fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        money::put(out, mode, self.amount);
        out.push(self.count);
        money::put(out, mode, self.options_amount);
    }
}

/// VEND SUCCESS (7.4.7).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VendSuccess {
    /// Selected item; FFFFH when not defined.
    pub item: u16,
    /// With enhanced item number information only; `None` is sent as not defined.
    pub dispensed: Option<Dispensed>,
    /// With the basket option only; `None` is sent as zeros, which the device reads as a vend of
    /// no value.
    pub basket: Option<BasketResult>,
}

impl VendSuccess {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        let item = r.u16("item number (7.4.7)")?;
        let dispensed = match mode.has(Options::ENHANCED_ITEMS) {
            true => Some(Dispensed::parse(r)?),
            false => None,
        };
        let basket = match mode.has(Options::BASKET) {
            true => Some(BasketResult::parse(r, mode)?),
            false => None,
        };
        Ok(Self {
            item,
            dispensed,
            basket,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        out.extend(self.item.to_be_bytes());
        if mode.has(Options::ENHANCED_ITEMS) {
            self.dispensed.unwrap_or_default().put(out);
        }
        if mode.has(Options::BASKET) {
            self.basket.unwrap_or_default().put(out, mode);
        }
    }
}

/// VEND FAILURE (7.4.8).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct VendFailure {
    /// With the basket option only; `None` is sent as not defined and of no value.
    pub detail: Option<FailureDetail>,
}

/// The part of VEND FAILURE that the basket option adds (7.4.8).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FailureDetail {
    /// Item that failed; FFFFH when not defined.
    pub item: u16,
    /// Its value and what is still to come.
    pub result: BasketResult,
    /// Why.
    pub reason: Reason,
}

impl VendFailure {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        if !mode.has(Options::BASKET) {
            return Ok(Self { detail: None });
        }
        Ok(Self {
            detail: Some(FailureDetail {
                item: r.u16("item number (7.4.8)")?,
                result: BasketResult::parse(r, mode)?,
                reason: Reason(r.u8("reason (7.4.8)")?),
            }),
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        if mode.has(Options::BASKET) {
            let detail = self.detail.unwrap_or(FailureDetail {
                item: 0xFFFF,
                result: BasketResult::default(),
                reason: Reason(0),
            });
            out.extend(detail.item.to_be_bytes());
            detail.result.put(out, mode);
            out.push(detail.reason.0);
        }
    }
}

/// Why a product was not dispensed (7.4.8, Y9; 7.4.12, Y4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Reason(pub u8);

impl Reason {
    /// The credit does not suffice.
    pub const INSUFFICIENT_CREDIT: Self = Self(0x0A);
    /// The machine is busy for a moment; a SELECTION REQUEST may be repeated after 1-2 s
    /// (7.4.12 only).
    pub const TEMPORARILY_BUSY: Self = Self(0xFF);
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            0x00 => "unknown error or out of order",
            0x01 => "no such selection",
            0x02 => "sold out or not dispensed",
            0x03 => "selection defective",
            0x04 => "ingredient used up",
            0x05 => "selection blocked",
            0x06 => "selection inhibited",
            0x07 => "product past its date",
            0x08 => "temperature out of range",
            0x09 => "machine busy or in another mode",
            0x0A => "not enough credit",
            0xFF => "machine busy for a moment",
            other => return write!(f, "reason {other:02X}H"),
        })
    }
}

/// CASH SALE (7.4.10).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CashSale {
    /// Price, or the part of it that was paid elsewhere; scaled.
    pub price: u32,
    /// Selected item with its flags in b12-b15 (see the constants); FFFFH when not defined.
    pub item: u16,
    /// In EXPANDED CURRENCY MODE only; `None` for FFFFH.
    pub currency: Option<CurrencyCode>,
    /// With enhanced item number information only.
    pub detail: Option<CashSaleDetail>,
}

/// The part of CASH SALE that enhanced item number information adds (7.4.10).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CashSaleDetail {
    /// What was dispensed.
    pub dispensed: Dispensed,
    /// Mixed Vend Flags: b0 paid with cash, b1 with cashless 1, b2 with cashless 2, each also in
    /// part.
    pub flags: u8,
}

impl CashSale {
    /// Item number b15: a free vend.
    pub const FREE: u16 = 1 << 15;
    /// Item number b14: a test vend.
    pub const TEST: u16 = 1 << 14;
    /// Item number b13: an item was returned and cash paid out.
    pub const NEGATIVE: u16 = 1 << 13;
    /// Item number b12: a token vend.
    pub const TOKEN: u16 = 1 << 12;

    /// The item number without its flags, `None` when not defined (FFFFH).
    #[must_use]
    pub fn item_number(&self) -> Option<u16> {
        (self.item != 0xFFFF).then_some(self.item & 0x0FFF)
    }

    /// True when the item number is defined and has this flag.
    #[must_use]
    pub fn is(&self, flag: u16) -> bool {
        self.item != 0xFFFF && self.item & flag != 0
    }

    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        let price = money::read(r, mode, "item price (7.4.10)")?;
        let item = r.u16("item number (7.4.10)")?;
        let currency = match mode.expanded() {
            true => read_currency(r, "item currency (7.4.10)")?,
            false => None,
        };
        let detail = match mode.has(Options::ENHANCED_ITEMS) {
            true => Some(CashSaleDetail {
                dispensed: Dispensed::parse(r)?,
                flags: r.u8("mixed vend flags (7.4.10)")?,
            }),
            false => None,
        };
        Ok(Self {
            price,
            item,
            currency,
            detail,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        money::put(out, mode, self.price);
        out.extend(self.item.to_be_bytes());
        if mode.expanded() {
            put_currency(out, self.currency);
        }
        if mode.has(Options::ENHANCED_ITEMS) {
            let detail = self.detail.unwrap_or_default();
            detail.dispensed.put(out);
            out.push(detail.flags);
        }
    }
}

/// COUPON REPLY (7.4.13).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CouponReply {
    /// 00H rejected, 01H product dispensed.
    pub usage: u8,
    /// Dispensed item.
    pub item: u16,
    /// Value used to pay, scaled.
    pub value: u32,
}

impl CouponReply {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        Ok(Self {
            usage: r.u8("usage (7.4.13)")?,
            item: r.u16("item number (7.4.13)")?,
            value: money::read(r, mode, "used value (7.4.13)")?,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        out.push(self.usage);
        out.extend(self.item.to_be_bytes());
        money::put(out, mode, self.value);
    }
}
