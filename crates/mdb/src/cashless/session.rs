//! How a sale starts: BEGIN SESSION, SELECTION REQUEST, COUPON REPORT (section 7.4.4).

use super::config::{put_currency, read_currency};
use super::{Level, Mode, money};
use crate::prelude::*;
use crate::{CurrencyCode, ParseError, Reader};

/// The card, phone or account that pays (BEGIN SESSION Z4-Z10).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PaymentMedia {
    /// Its number, `None` when not known.
    pub id: Option<u32>,
    /// Type of payment: b7 free vend card, b6 test media, b0-b5 how prices are changed.
    pub kind: u8,
    /// Price list, discount group, percentage: as the type says.
    pub data: [u8; 2],
}

impl PaymentMedia {
    /// A normal vend card whose number is not known, at the VMC's own prices.
    pub const UNKNOWN: Self = Self {
        id: None,
        kind: 0,
        data: [0, 0],
    };

    fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        let id = r.u32("payment media ID (7.4.4)")?;
        Ok(Self {
            id: (id != u32::MAX).then_some(id),
            kind: r.u8("type of payment (7.4.4)")?,
            data: r.array("payment data (7.4.4)")?,
        })
    }

    fn put(&self, out: &mut Vec<u8>) {
        out.extend(self.id.unwrap_or(u32::MAX).to_be_bytes());
        out.push(self.kind);
        out.extend(self.data);
    }
}

/// What EXPANDED CURRENCY MODE adds (BEGIN SESSION Z13-Z17).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UserSettings {
    /// Two ASCII letters of ISO 639.
    pub language: [u8; 2],
    /// The currency of this session; `None` for FFFFH.
    pub currency: Option<CurrencyCode>,
    /// Card options: b0 do not show the credit, b1 refund, b2 revalue and negative vend, b3
    /// partial refund.
    pub card_options: u8,
}

impl UserSettings {
    /// No language, no currency, no options.
    pub const NONE: Self = Self {
        language: [0, 0],
        currency: None,
        card_options: 0,
    };

    fn parse(r: &mut Reader<'_>) -> Result<Self, ParseError> {
        Ok(Self {
            language: r.array("user language (7.4.4)")?,
            currency: read_currency(r, "user currency code (7.4.4)")?,
            card_options: r.u8("card options (7.4.4)")?,
        })
    }

    fn put(&self, out: &mut Vec<u8>) {
        out.extend(self.language);
        put_currency(out, self.currency);
        out.push(self.card_options);
    }

    fn parse_if_expanded(r: &mut Reader<'_>, mode: &Mode) -> Result<Option<Self>, ParseError> {
        mode.expanded().then(|| Self::parse(r)).transpose()
    }

    fn put_if_expanded(settings: Option<&Self>, out: &mut Vec<u8>, mode: &Mode) {
        if mode.expanded() {
            settings.unwrap_or(&Self::NONE).put(out);
        }
    }
}

/// BEGIN SESSION (7.4.4). What the mode has no room for is left out; what it has room for and is
/// `None` is sent as not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BeginSession {
    /// Funds available, scaled; `None` when not yet determined.
    pub funds: Option<u32>,
    /// From level 02 on.
    pub media: Option<PaymentMedia>,
    /// In EXPANDED CURRENCY MODE.
    pub user: Option<UserSettings>,
}

impl BeginSession {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        Ok(Self {
            funds: money::read_known(r, mode, "funds available (7.4.4)")?,
            media: if mode.level >= Level::TWO {
                Some(PaymentMedia::parse(r)?)
            } else {
                None
            },
            user: UserSettings::parse_if_expanded(r, mode)?,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        money::put_known(out, mode, self.funds);
        if mode.level >= Level::TWO {
            self.media.unwrap_or(PaymentMedia::UNKNOWN).put(out);
        }
        UserSettings::put_if_expanded(self.user.as_ref(), out, mode);
    }
}

/// SELECTION REQUEST of remote vend (7.4.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SelectionRequest {
    /// The most the reader would pay, scaled; `None` for the whole price, 0 for cash only.
    pub funds: Option<u32>,
    /// Who pays.
    pub media: PaymentMedia,
    /// In EXPANDED CURRENCY MODE.
    pub user: Option<UserSettings>,
    /// The item to dispense.
    pub item: u16,
    /// Item options: b0 more to come in this basket, then lid, sugar, cup, strength and so on.
    pub item_options: u32,
}

impl SelectionRequest {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        Ok(Self {
            funds: money::read_known(r, mode, "funds available (7.4.4)")?,
            media: PaymentMedia::parse(r)?,
            user: UserSettings::parse_if_expanded(r, mode)?,
            item: r.u16("item number (7.4.4)")?,
            item_options: r.u32("item options (7.4.4)")?,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        money::put_known(out, mode, self.funds);
        self.media.put(out);
        UserSettings::put_if_expanded(self.user.as_ref(), out, mode);
        out.extend(self.item.to_be_bytes());
        out.extend(self.item_options.to_be_bytes());
    }
}

/// COUPON REPORT (7.4.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CouponReport {
    /// The item the coupon is for; FFFFH for any.
    pub item: u16,
    /// b0 no other credit besides, b1 dispense at once when the credit suffices.
    pub options: u8,
    /// Value, scaled; `None` for a coupon worth one vend.
    ///
    /// Section 7.4.4 gives FFFFH for the latter at both widths; at 32 bit FFFFFFFFH is read and
    /// sent, as for every other such field.
    pub value: Option<u32>,
    /// Number of the coupon.
    pub id: u32,
}

impl CouponReport {
    pub(super) fn parse(r: &mut Reader<'_>, mode: &Mode) -> Result<Self, ParseError> {
        Ok(Self {
            item: r.u16("item number (7.4.4)")?,
            options: r.u8("coupon options (7.4.4)")?,
            value: money::read_known(r, mode, "coupon value (7.4.4)")?,
            id: r.u32("coupon ID (7.4.4)")?,
        })
    }

    pub(super) fn put(&self, out: &mut Vec<u8>, mode: &Mode) {
        out.extend(self.item.to_be_bytes());
        out.push(self.options);
        money::put_known(out, mode, self.value);
        out.extend(self.id.to_be_bytes());
    }
}
