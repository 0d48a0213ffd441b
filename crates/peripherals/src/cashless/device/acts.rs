//! What a person does at the device, and what the device does by itself.

use super::extras::DataEntry;
use super::session::is_begin;
use super::{Card, CashlessDevice};
use crate::cashless::state::{Phase, Stage};
use payrig_mdb::cashless::{CouponReport, Level, Malfunction, Options, Report, SelectionRequest};
use payrig_units::{Micros, Money};

/// A coupon to be scanned (7.4.4, COUPON REPORT).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Coupon {
    /// The item it is for; `None` for any.
    pub item: Option<u16>,
    /// Coupon options: b0 no other credit besides, b1 dispense at once when it suffices.
    pub options: u8,
    /// What it is worth; `None` for one vend at any price.
    pub value: Option<Money>,
    /// Its number.
    pub id: u32,
}

/// A remote vend that was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Selection {
    pub(super) card: Card,
}

impl CashlessDevice {
    /// A card is presented. It is taken in the Enabled state, and in a vend that waits for it
    /// (always idle); otherwise nothing happens and the answer is false.
    pub fn present_card(&mut self, now: Micros, card: Card) -> bool {
        if !self.takes_card() {
            self.note("card not taken");
            return false;
        }
        self.open_account(card);
        self.use_account(now);
        true
    }

    /// The card last used is presented again, with what is left on it. False as for
    /// [`present_card`](Self::present_card), and when there was none.
    pub fn present_again(&mut self, now: Micros) -> bool {
        if self.account.is_none() || !self.takes_card() {
            self.note("card not taken");
            return false;
        }
        self.use_account(now);
        true
    }

    fn takes_card(&self) -> bool {
        if !self.powered || self.account_open || self.refund.is_some() {
            return false;
        }
        match &self.phase {
            Phase::Enabled => self.selection.is_none(),
            Phase::Disabled => self.config.quirks.session_while_disabled,
            Phase::Vend(vend) => matches!(vend.stage, Stage::AwaitingCard { .. }),
            _ => false,
        }
    }

    fn use_account(&mut self, now: Micros) {
        self.card_in = true;
        self.account_open = true;
        self.note("card taken");
        match &self.phase {
            Phase::Vend(vend) => {
                let vend = vend.clone();
                self.card_for_waiting_vend(now, vend);
            }
            _ => self.begin_session(now),
        }
    }

    /// The card is taken away: nothing more can be bought with it, and the VMC is asked to end the
    /// session. A vend already approved goes on. False when no card is there.
    pub fn remove_card(&mut self, now: Micros) -> bool {
        if !self.card_in {
            return false;
        }
        self.card_in = false;
        self.note("card taken away");
        self.user_cancels(now);
        self.account_open = false;
        true
    }

    /// The return button of the reader is pressed (7.3.2, 7.4.4 SESSION CANCEL REQUEST and DATA
    /// ENTRY CANCEL).
    pub fn press_cancel(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        if self.data_entry.take().is_some() {
            self.outbox
                .forget(|r| matches!(r, Report::DataEntryRequest(_)));
            self.report(now, Report::DataEntryCancel);
            return;
        }
        self.user_cancels(now);
    }

    fn user_cancels(&mut self, now: Micros) {
        match &self.phase {
            Phase::Enabled | Phase::Disabled => {
                self.outbox.forget(is_begin);
                self.let_card_go();
            }
            Phase::SessionIdle { ending: false } => self.request_session_cancel(now),
            Phase::Vend(vend) => match vend.stage {
                Stage::Approved { sent: true, .. } => self.cancel_after = true,
                Stage::Denied => self.cancel_after = self.account_open,
                _ => {
                    self.outbox
                        .forget(|r| is_begin(r) || matches!(r, Report::VendApproved { .. }));
                    self.cancel_after = self.account_open;
                    self.deny(now);
                }
            },
            Phase::Revalue(_) => self.cancel_after = true,
            Phase::Inactive | Phase::SessionIdle { ending: true } => {}
        }
    }

    fn request_session_cancel(&mut self, now: Micros) {
        let already = self
            .outbox
            .holds(|r| matches!(r, Report::SessionCancelRequest));
        if !already {
            self.report(now, Report::SessionCancelRequest);
        }
    }

    /// An item is selected on a phone or the reader (remote vend, 7.4.4 SELECTION REQUEST): in the
    /// Enabled state, paid from `card`, or in a session, paid from its card. False when the option
    /// is not enabled, the state is another, or one is pending.
    pub fn select_item(&mut self, now: Micros, item: u16, item_options: u32, card: Card) -> bool {
        let card = match (&self.phase, self.account) {
            (Phase::Enabled, _) if !self.account_open => card,
            (Phase::SessionIdle { ending: false }, Some(account)) => Card {
                balance: account.shown(),
                ..account.card
            },
            _ => return false,
        };
        if !self.mode().has(Options::REMOTE_VEND) || self.selection.is_some() {
            return false;
        }
        self.selection = Some(Selection { card });
        let request = SelectionRequest {
            funds: card.balance.map(|money| self.config.counts(money)),
            media: card.media,
            user: card.user,
            item,
            item_options,
        };
        self.report(now, Report::SelectionRequest(request));
        true
    }

    /// A coupon is scanned. False when the option is not enabled, the state is neither Enabled nor
    /// Session Idle, or another coupon is pending (7.4.4).
    pub fn scan_coupon(&mut self, now: Micros, coupon: Coupon) -> bool {
        let here = matches!(
            self.phase,
            Phase::Enabled | Phase::SessionIdle { ending: false }
        );
        if !here || !self.mode().has(Options::COUPON) || self.coupon.is_some() {
            self.note("coupon not taken");
            return false;
        }
        self.coupon = Some(coupon);
        let report = CouponReport {
            item: coupon.item.unwrap_or(0xFFFF),
            options: coupon.options,
            value: coupon.value.map(|money| self.config.counts(money)),
            id: coupon.id,
        };
        self.report(now, Report::CouponReport(report));
        true
    }

    /// The device asks for keys on the machine's keypad (7.4.17), Enabled state only. False when
    /// the option is not enabled, the state is another, or keys are being entered.
    pub fn ask_for_keys(&mut self, now: Micros, count: u8) -> bool {
        let count = count.clamp(1, 0x7F);
        let may = self.phase == Phase::Enabled && self.mode().has(Options::DATA_ENTRY);
        if !may || self.data_entry.is_some() {
            return false;
        }
        self.data_entry = Some(DataEntry {
            wanted: count,
            keys: Vec::new(),
        });
        self.report(now, Report::DataEntryRequest(count));
        true
    }

    /// The device asks for a text on the machine's display, cut or padded to its size, for so many
    /// tenths of a second. False when there is no display for it or it is not set up.
    pub fn show(&mut self, now: Micros, text: &str, tenths: u8) -> bool {
        let size = usize::from(self.mode().display);
        if size == 0 || self.phase == Phase::Inactive {
            return false;
        }
        let ascii = text
            .chars()
            .map(|c| if c.is_ascii() { c as u8 } else { b'?' });
        let text = ascii.chain(std::iter::repeat(b' ')).take(size).collect();
        self.report(now, Report::DisplayRequest { time: tenths, text });
        true
    }

    /// The device asks for the time (7.4.4 TIME/DATE REQUEST, level 02 on). False below.
    pub fn ask_time(&mut self, now: Micros) -> bool {
        let may = self.mode().level >= Level::TWO && self.phase != Phase::Inactive;
        if may {
            self.report(now, Report::TimeDateRequest);
        }
        may
    }

    /// Something breaks: reported once when transient, otherwise at every POLL until
    /// [`repair`](Self::repair) (7.4.4 MALFUNCTION/ERROR).
    pub fn fail(&mut self, now: Micros, code: Malfunction) {
        if code.is_transient() {
            self.report(now, Report::Malfunction(code));
        } else {
            self.fault = Some(code);
        }
    }

    /// What was broken works again.
    pub fn repair(&mut self) {
        if let Some(fault) = self.fault.take() {
            self.outbox.forget(|r| *r == Report::Malfunction(fault));
        }
    }
}
