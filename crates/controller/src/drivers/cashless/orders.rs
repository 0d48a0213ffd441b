//! What the seller asks of the reader, as commands.

use super::clock::{Clock, UNKNOWN};
use super::patience::What;
use super::{AUDIT_ROOM, Cashless, Lane, Phase, Wanted};
use crate::drivers::order::{Dispensed as Gone, NotDispensed, SaleKind, Sold};
use crate::drivers::report::{Reader, Report};
use payrig_mdb::cashless::{
    BasketRequest, BasketResult, CashSale, CashSaleDetail, CouponReply, Dispensed, FailureDetail,
    Kind, Level, Options, ReaderConfig, Reason, Unit, VendFailure, VendRequest, VendSuccess,
};
use payrig_units::{Micros, Money};

impl Cashless {
    fn want(&mut self, lane: Lane, kind: Kind) {
        let sent = false;
        self.queue(lane).push_back(Wanted { kind, sent });
    }

    /// The end of a vend, which comes before a SESSION COMPLETE that was ordered already: in VEND
    /// the reader takes nothing else (7.2.5).
    fn end_vend(&mut self, kind: Kind) {
        let unsent_end = |w: &Wanted| matches!(w.kind, Kind::SessionComplete) && !w.sent;
        let at = self.wanted.iter().position(unsent_end);
        let at = at.unwrap_or(self.wanted.len());
        let sent = false;
        self.wanted.insert(at, Wanted { kind, sent });
    }

    /// What the seller should know of this reader. `running` when it is set up and polled.
    pub(crate) fn reader(&self, running: bool) -> Reader {
        let mode = self.mode();
        let uses = &self.board.uses;
        let misc = |bit| self.reader.is_some_and(|r| r.misc & bit != 0);
        Reader {
            device: self.name.clone(),
            ready: running && self.enabled,
            multi_vend: misc(ReaderConfig::MULTIVEND),
            always_idle: mode.has(Options::ALWAYS_IDLE),
            negative_vend: mode.has(Options::NEGATIVE_VEND),
            basket: mode.has(Options::BASKET),
            revalue: uses.revalue && mode.level >= Level::TWO,
            step: Money(self.reader.map_or(1, |r| i64::from(r.scale.max(1)))),
        }
    }

    /// VEND REQUEST for `count` products that cost `price` together, `options` of it for options
    /// (7.4.5).
    pub(crate) fn request(&mut self, item: u16, price: Money, count: u8, options: Money) {
        let Some(price) = self.count(price) else {
            let device = self.name.clone();
            self.reports.push(Report::VendDenied { device });
            return;
        };
        let basket = self.mode().has(Options::BASKET).then_some(BasketRequest {
            skipped: [0; 4],
            count,
            options_price: self.count_down(options),
        });
        let request = VendRequest {
            price,
            item,
            basket,
        };
        self.want(Lane::Wanted, Kind::VendRequest(request));
    }

    /// NEGATIVE VEND REQUEST (7.4.11).
    pub(crate) fn request_return(&mut self, item: u16, value: Money) {
        match self.count(value) {
            Some(value) => self.want(Lane::Wanted, Kind::NegativeVendRequest { value, item }),
            None => {
                let device = self.name.clone();
                self.reports.push(Report::VendDenied { device });
            }
        }
    }

    /// VEND CANCEL (7.4.6). A request that did not go out yet is not sent at all.
    pub(crate) fn cancel(&mut self) {
        let request = |w: &Wanted| {
            matches!(
                w.kind,
                Kind::VendRequest(_) | Kind::NegativeVendRequest { .. }
            )
        };
        let unsent = self.forget(|w| request(w) && !w.sent);
        if self.phase == Phase::Asked {
            self.phase = Phase::Withdrawn;
            self.want(Lane::Wanted, Kind::VendCancel);
        } else if !unsent && self.wanted.iter().any(request) {
            self.want(Lane::Wanted, Kind::VendCancel);
        }
    }

    /// VEND SUCCESS (7.4.7): with the item that was dispensed, which is the best practice, or with
    /// both that and the one that was selected where the option is enabled.
    pub(crate) fn success(&mut self, gone: &Gone) {
        let mode = self.mode();
        let enhanced = mode.has(Options::ENHANCED_ITEMS);
        let success = VendSuccess {
            item: if enhanced { gone.selected } else { gone.column },
            dispensed: enhanced.then(|| self.names(gone.selected, gone.column)),
            basket: mode
                .has(Options::BASKET)
                .then(|| self.result(gone.amount, gone.options, gone.left)),
        };
        self.end_vend(Kind::VendSuccess(success));
    }

    /// VEND FAILURE (7.4.8).
    pub(crate) fn failure(&mut self, failed: &NotDispensed) {
        let basket = self.mode().has(Options::BASKET);
        let detail = basket.then(|| FailureDetail {
            item: failed.item.unwrap_or(0xFFFF),
            result: self.result(failed.amount, failed.options, failed.left),
            reason: failed.reason,
        });
        self.end_vend(Kind::VendFailure(VendFailure { detail }));
    }

    fn result(&self, amount: Money, options: Money, left: u8) -> BasketResult {
        BasketResult {
            amount: self.count_down(amount),
            count: left,
            options_amount: self.count_down(options),
        }
    }

    fn names(&self, selected: u16, column: u16) -> Dispensed {
        let name = |number: u16| {
            let code = match self.board.uses.codes.get(&number) {
                Some(code) => code.clone(),
                None => number.to_string(),
            };
            let mut field = [b' '; 6];
            for (slot, c) in field.iter_mut().zip(code.bytes()) {
                *slot = if c.is_ascii() { c } else { b'?' };
            }
            field
        };
        Dispensed {
            item: column,
            selected_name: name(selected),
            dispensed_name: name(column),
        }
    }

    /// SESSION COMPLETE (7.4.9).
    pub(crate) fn complete(&mut self) {
        let again = self
            .wanted
            .iter()
            .any(|w| matches!(w.kind, Kind::SessionComplete));
        if !again && self.phase != Phase::Ending {
            self.want(Lane::Wanted, Kind::SessionComplete);
        }
    }

    /// REVALUE LIMIT REQUEST (7.4.19).
    pub(crate) fn request_limit(&mut self) {
        self.want(Lane::Wanted, Kind::RevalueLimitRequest);
    }

    /// REVALUE REQUEST (7.4.18).
    pub(crate) fn revalue(&mut self, amount: Money) {
        match self.count(amount) {
            Some(count) => self.want(Lane::Wanted, Kind::RevalueRequest(count)),
            None => self.revalued(false),
        }
    }

    pub(super) fn revalued(&mut self, done: bool) {
        let device = self.name.clone();
        self.reports.push(Report::Revalued { device, done });
    }

    /// SELECTION DENIED (7.4.12).
    pub(crate) fn deny_selection(&mut self, item: u16, reason: Reason) {
        self.want(Lane::Wanted, Kind::SelectionDenied { item, reason });
    }

    /// COUPON REPLY (7.4.13).
    pub(crate) fn coupon_reply(&mut self, used: bool, item: u16, value: Option<Money>) {
        let value = match value {
            Some(value) => self.count_down(value),
            None => self.mode().money_max(),
        };
        let usage = u8::from(used);
        let reply = CouponReply { usage, item, value };
        self.want(Lane::Aside, Kind::CouponReply(reply));
    }

    /// DATA ENTRY RESPONSE with keys as they were pressed (7.4.17). Keys that are not on their way
    /// yet go together, eight at the most.
    pub(crate) fn keys(&mut self, keys: &[u8]) {
        for key in keys {
            let room = match self.aside.back_mut() {
                Some(Wanted {
                    kind: Kind::DataEntryResponse(waiting),
                    sent: false,
                }) => waiting.iter_mut().find(|k| **k == 0),
                _ => None,
            };
            match room {
                Some(free) => *free = *key,
                None => self.want(
                    Lane::Aside,
                    Kind::DataEntryResponse([*key, 0, 0, 0, 0, 0, 0, 0]),
                ),
            }
        }
    }

    /// DATA ENTRY RESPONSE that gives up (7.4.17).
    pub(crate) fn give_up_keys(&mut self) {
        self.want(Lane::Aside, Kind::DataEntryResponse([0xFF; 8]));
    }

    /// READER CANCEL, where it belongs: in the Enabled state (7.3.2, 7.4.16).
    pub(crate) fn cancel_reader(&mut self) {
        let idle = self.phase == Phase::Closed && self.owed.is_none() && self.wanted.is_empty();
        if idle {
            self.want(Lane::Wanted, Kind::ReaderCancel);
        }
    }

    /// READER ENABLE or READER DISABLE (7.4.14, 7.4.15). Before the set-up is over it is part of it.
    pub(crate) fn welcome(&mut self, on: bool) {
        if self.enabled == on {
            return;
        }
        self.enabled = on;
        self.forget(|w| matches!(w.kind, Kind::ReaderEnable | Kind::ReaderDisable) && !w.sent);
        if self.is_set_up() {
            let kind = match on {
                true => Kind::ReaderEnable,
                false => Kind::ReaderDisable,
            };
            self.want(Lane::Aside, kind);
        }
    }

    /// SETUP max / min prices again, because they have changed (7.4.3).
    pub(crate) fn prices_changed(&mut self, range: (Money, Money)) {
        if self.board.prices == range {
            return;
        }
        self.board.prices = range;
        if self.is_set_up() && self.board.uses.announce_prices {
            self.forget(|w| matches!(w.kind, Kind::SetupPrices(_)) && !w.sent);
            let prices = Kind::SetupPrices(self.price_range());
            self.want(Lane::Aside, prices);
        }
    }

    /// WRITE TIME/DATE (7.4.23).
    pub(super) fn send_time(&mut self, now: Micros) {
        let clock: Option<Clock> = self.board.uses.clock;
        let time = clock.map_or(UNKNOWN, |clock| {
            clock.after(now).time_date(&self.board.uses.calendar)
        });
        self.want(Lane::Aside, Kind::WriteTimeDate(time));
    }

    /// CASH SALE for a sale that others paid, wholly or in part (7.4.10). `payers` are the cashless
    /// devices that took part, with their units and shares.
    pub(crate) fn report_sale(&mut self, sold: &Sold, payers: &[(Unit, Money)]) {
        let takes = self
            .reader
            .is_some_and(|r| r.misc & ReaderConfig::CASH_SALE != 0);
        let own = payers.iter().find(|(unit, _)| *unit == self.unit);
        // Wholly paid here: VEND SUCCESS has said it all.
        let elsewhere = payers.len() > usize::from(own.is_some())
            || sold.cash > Money::ZERO
            || (own.is_none() && sold.kind != SaleKind::Paid);
        if !takes || !elsewhere {
            return;
        }
        let others = payers.iter().filter(|(unit, _)| *unit != self.unit);
        let amount = match sold.kind {
            // Its flag says that this was not paid.
            SaleKind::Free | SaleKind::Test | SaleKind::Token if sold.cash.is_zero() => sold.price,
            _ => others.fold(sold.cash, |sum, (_, share)| sum.saturating_add(*share)),
        };
        let mut flags = u8::from(sold.cash > Money::ZERO || payers.is_empty());
        for (unit, _) in payers {
            flags |= 1 << unit.number();
        }
        let detail = self
            .mode()
            .has(Options::ENHANCED_ITEMS)
            .then(|| CashSaleDetail {
                dispensed: self.names(sold.selected, sold.column),
                flags,
            });
        let sale = CashSale {
            price: self.count_down(amount),
            // The flags of b12 to b15 leave twelve bits for the number.
            item: sold.selected & 0x0FFF | sold.kind.flag(),
            currency: self.currency(),
            detail,
        };
        if self.aside.len() >= AUDIT_ROOM {
            self.note("too many cash sales wait for it: one is not reported");
            return;
        }
        self.want(Lane::Aside, Kind::CashSale(sale));
    }

    /// True while a sale is to be reported, made here or elsewhere.
    pub(crate) fn is_reporting_sale(&self) -> bool {
        let mut all = self.wanted.iter().chain(&self.aside);
        all.any(|w| matches!(w.kind, Kind::VendSuccess(_) | Kind::CashSale(_)))
    }

    /// A command was acknowledged, or answered straight.
    pub(super) fn heard(&mut self, now: Micros, kind: &Kind) {
        match kind {
            Kind::VendRequest(_) | Kind::NegativeVendRequest { .. } => {
                self.owe(now, What::Decision);
            }
            Kind::VendCancel => self.owe(now, What::Denial),
            Kind::VendSuccess(success) if success.basket.is_none_or(|b| b.count == 0) => {
                self.vend_over();
            }
            Kind::VendFailure(failure) if failure.detail.is_none_or(|d| d.result.count == 0) => {
                self.vend_over();
                self.owe(now, What::Refund);
            }
            Kind::SessionComplete => self.owe(now, What::EndSession),
            Kind::RevalueLimitRequest => self.owe(now, What::RevalueLimit),
            Kind::RevalueRequest(_) => self.owe(now, What::Revalued),
            Kind::ReaderCancel => self.owe(now, What::Cancelled),
            _ => {}
        }
    }

    fn vend_over(&mut self) {
        self.phase = Phase::Idle;
        self.approved = Money::ZERO;
    }
}
