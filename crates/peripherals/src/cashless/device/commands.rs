//! Every command: whether it may be executed, and where (section 7.3).

use super::CashlessDevice;
use super::session::is_begin;
use crate::Reply;
use crate::cashless::Answers;
use crate::cashless::state::Phase;
use payrig_mdb::cashless::{Kind, Level, Options, PeripheralId, Report};
use payrig_units::Micros;

/// The level a command belongs to, and the option that must be enabled (Table 1, 7.4.24).
fn needs(kind: &Kind) -> (Level, Options) {
    match kind {
        Kind::RevalueRequest(_)
        | Kind::RevalueLimitRequest
        | Kind::ReadUserFile(_)
        | Kind::WriteUserFile { .. }
        | Kind::WriteTimeDate(_) => (Level::TWO, Options::NONE),
        Kind::EnableOptions(_) => (Level::THREE, Options::NONE),
        Kind::NegativeVendRequest { .. } => (Level::THREE, Options::NEGATIVE_VEND),
        Kind::SelectionDenied { .. } => (Level::THREE, Options::REMOTE_VEND),
        Kind::CouponReply(_) => (Level::THREE, Options::COUPON),
        Kind::DataEntryResponse(_) => (Level::THREE, Options::DATA_ENTRY),
        Kind::Ftl(_) => (Level::THREE, Options::FTL),
        _ => (Level::ONE, Options::NONE),
    }
}

/// Whether a report answers a command of this kind (Table 1).
fn answers(kind: &Kind, report: &Report) -> bool {
    match kind {
        Kind::SetupConfig(_) => matches!(report, Report::ReaderConfig(_)),
        Kind::VendRequest(_) | Kind::NegativeVendRequest { .. } => {
            matches!(report, Report::VendApproved { .. } | Report::VendDenied) || is_begin(report)
        }
        Kind::VendCancel => matches!(report, Report::VendDenied),
        Kind::SessionComplete => matches!(report, Report::EndSession),
        Kind::ReaderCancel => matches!(report, Report::Cancelled),
        Kind::RevalueRequest(_) => {
            matches!(report, Report::RevalueApproved | Report::RevalueDenied)
        }
        Kind::RevalueLimitRequest => {
            matches!(report, Report::RevalueLimit(_) | Report::RevalueDenied)
        }
        Kind::RequestId(_) => matches!(report, Report::PeripheralId(_)),
        Kind::ReadUserFile(_) => matches!(report, Report::UserFile { .. }),
        Kind::Diagnostics(_) => matches!(report, Report::Diagnostics(_)),
        _ => false,
    }
}

impl CashlessDevice {
    pub(super) fn execute(&mut self, now: Micros, kind: &Kind, same: bool) -> Reply {
        if self.refund.is_some() {
            self.finish_refund(now);
        }
        let (level, option) = needs(kind);
        if self.config.level < level {
            // A command this device has never heard of.
            return Reply::Silence;
        }
        let mode = self.mode();
        if mode.level < level || (option != Options::NONE && !mode.has(option)) {
            return self.out_of_sequence(now);
        }
        if same && let Some(reply) = self.repetition(now, kind) {
            return reply;
        }
        match kind {
            Kind::Reset => {
                self.reset();
                Reply::Ack
            }
            Kind::Poll => Reply::Ack,
            Kind::SetupConfig(config) => {
                if self.is_uninterruptible() {
                    return self.out_of_sequence(now);
                }
                self.vmc = Some(*config);
                self.set_up();
                let report = Report::ReaderConfig(self.config.reader_config());
                self.answer(now, report)
            }
            Kind::SetupPrices(prices) => {
                self.prices = Some(*prices);
                self.set_up();
                Reply::Ack
            }
            Kind::VendRequest(request) => self.vend_request(now, request),
            Kind::VendCancel => self.vend_cancel(now),
            Kind::VendSuccess(success) => self.vend_success(now, success),
            Kind::VendFailure(failure) => self.vend_failure(now, failure),
            Kind::SessionComplete => self.session_complete(now),
            Kind::CashSale(_) => Reply::Ack,
            Kind::NegativeVendRequest { value, item } => {
                self.negative_vend_request(now, *value, *item)
            }
            Kind::SelectionDenied { item, reason } => {
                self.selection_denied(*item, *reason);
                Reply::Ack
            }
            Kind::CouponReply(reply) => {
                self.coupon_reply(reply);
                Reply::Ack
            }
            Kind::ReaderDisable => self.disable(),
            Kind::ReaderEnable => self.enable(now),
            Kind::ReaderCancel => self.reader_cancel(now),
            Kind::DataEntryResponse(keys) => {
                self.keys(keys);
                Reply::Ack
            }
            Kind::RevalueRequest(amount) => self.revalue_request(now, *amount),
            Kind::RevalueLimitRequest => self.revalue_limit_request(now),
            Kind::RequestId(_) => {
                if self.is_uninterruptible() {
                    return self.out_of_sequence(now);
                }
                let id = PeripheralId {
                    id: self.config.id,
                    options: Some(self.config.options),
                };
                self.answer(now, Report::PeripheralId(id))
            }
            Kind::ReadUserFile(number) => self.read_file(now, *number),
            Kind::WriteUserFile { number, data } => {
                self.files.insert(*number, data.clone());
                Reply::Ack
            }
            Kind::WriteTimeDate(time) => {
                self.time = Some(*time);
                Reply::Ack
            }
            Kind::EnableOptions(options) => {
                let beyond = options.without(self.config.options) != Options::NONE;
                if beyond || self.is_uninterruptible() {
                    return self.out_of_sequence(now);
                }
                self.options = *options;
                Reply::Ack
            }
            Kind::Ftl(bytes) => self.file_transfer(bytes),
            Kind::Diagnostics(_) => match self.config.diagnostics.clone() {
                Some(data) => self.answer(now, Report::Diagnostics(data)),
                None => Reply::Ack,
            },
        }
    }

    /// A command like the last one, sent again because the VMC did not hear its ACK or answer:
    /// what it did is not done twice. `None` when it is to be executed after all.
    fn repetition(&mut self, now: Micros, kind: &Kind) -> Option<Reply> {
        let vending = matches!(self.phase, Phase::Vend(_));
        if matches!(kind, Kind::VendSuccess(_) | Kind::VendFailure(_))
            && !vending
            && !self.config.quirks.out_of_sequence_on_repeat
        {
            return Some(Reply::Ack);
        }
        if self.heard_since {
            return None;
        }
        if self.config.quirks.out_of_sequence_on_repeat {
            return Some(self.out_of_sequence(now));
        }
        if self.config.quirks.charges_twice_on_repeat && matches!(kind, Kind::VendRequest(_)) {
            self.charge_again();
        }
        if self.outbox.holds(|report| answers(kind, report)) {
            return Some(match self.config.answers {
                Answers::AtPoll => Reply::Ack,
                Answers::Straight => self.send_newest(now, |report| answers(kind, report)),
            });
        }
        let asks = matches!(
            kind,
            Kind::VendRequest(_) | Kind::NegativeVendRequest { .. } | Kind::RevalueRequest(_)
        );
        (asks && self.is_uninterruptible()).then_some(Reply::Ack)
    }

    /// Vend, Negative Vend and Revalue are uninterruptible sequences (7.2.5 to 7.2.7).
    pub(super) fn is_uninterruptible(&self) -> bool {
        matches!(self.phase, Phase::Vend(_) | Phase::Revalue(_))
    }

    /// Both SETUP commands make the device Disabled (7.2.1, 7.2.2).
    fn set_up(&mut self) {
        if self.phase == Phase::Inactive && self.vmc.is_some() && self.prices.is_some() {
            self.phase = Phase::Disabled;
        }
    }

    fn enable(&mut self, now: Micros) -> Reply {
        if self.phase == Phase::Inactive {
            return self.out_of_sequence(now);
        }
        self.wanted = true;
        if self.phase == Phase::Disabled {
            self.phase = Phase::Enabled;
        }
        Reply::Ack
    }

    /// A session goes on to its end; a card not yet reported is given back (7.4.14).
    fn disable(&mut self) -> Reply {
        self.wanted = false;
        if self.phase == Phase::Enabled {
            self.abandon_enabled();
            self.phase = Phase::Disabled;
        }
        Reply::Ack
    }

    /// Drops what goes on in the Enabled state.
    pub(super) fn abandon_enabled(&mut self) {
        self.outbox.forget(|r| {
            is_begin(r) || matches!(r, Report::SelectionRequest(_) | Report::DataEntryRequest(_))
        });
        self.selection = None;
        self.data_entry = None;
        self.let_card_go();
    }

    /// READER CANCEL (7.4.16) is for the Enabled state. It may cross BEGIN SESSION on the bus;
    /// elsewhere it is answered and changes nothing (Appendix 3, section 4).
    fn reader_cancel(&mut self, now: Micros) -> Reply {
        match self.phase {
            Phase::Inactive | Phase::Vend(_) | Phase::Revalue(_) => self.out_of_sequence(now),
            Phase::Enabled => {
                self.abandon_enabled();
                self.answer(now, Report::Cancelled)
            }
            Phase::SessionIdle { ending: false } if self.outbox.holds(is_begin) => {
                self.abandon_enabled();
                self.end_session();
                self.answer(now, Report::Cancelled)
            }
            Phase::SessionIdle { .. } | Phase::Disabled => self.answer(now, Report::Cancelled),
        }
    }
}
