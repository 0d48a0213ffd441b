//! What the reader reports (MDB/ICP 4.3, section 7.4.4).

use super::patience::What;
use super::{Cashless, Phase, Step};
use crate::drivers::channel::Verdict;
use crate::drivers::report::{CardSession, Coupon, Report};
use payrig_mdb::cashless::{
    BeginSession, CouponReport, ItemOptions, Kind, Malfunction, Options, Report as Activity,
    SelectionRequest, VendFailure,
};
use payrig_units::{Micros, Money};

impl Cashless {
    pub(super) fn is_set_up(&self) -> bool {
        self.step == Step::Done
    }

    /// A POLL was answered: what a POLL had to come before may follow now.
    pub(super) fn poll_heard(&mut self, with_data: bool) {
        self.poll_first = false;
        self.paid_off(What::Refund);
        if !with_data {
            self.fault = None;
        }
    }

    pub(super) fn took(&mut self, now: Micros, activity: &Activity) -> Verdict {
        let device = self.name.clone();
        // Where our ACK was lost, a decision is repeated at the next POLL: that is waited for, so
        // that it is not taken for the answer to another request (Appendix 3, section 3).
        self.poll_first |= matches!(
            activity,
            Activity::VendApproved { .. } | Activity::RevalueApproved | Activity::RevalueDenied
        );
        match activity {
            Activity::JustReset => return Verdict::JustReset,
            Activity::ReaderConfig(config) => {
                self.reader = Some(*config);
                self.config_came();
            }
            Activity::PeripheralId(id) => {
                self.offered = id.options.unwrap_or(Options::NONE);
                self.id_came();
            }
            Activity::UserFile { number, data } => {
                let text = data.escape_ascii();
                self.note(format_args!("user file {number}: \"{text}\""));
                self.file_came();
            }
            Activity::BeginSession(begin) => self.session_began(begin),
            Activity::VendApproved { amount, .. } => self.vend_approved(*amount),
            Activity::VendDenied => self.vend_denied(),
            Activity::SessionCancelRequest => {
                if !matches!(self.phase, Phase::Closed | Phase::Ending) {
                    self.reports.push(Report::SessionCancelled { device });
                }
            }
            Activity::EndSession => self.session_ended(),
            Activity::OutOfSequence(state) => {
                // The only sure way back to a known state (7.3; Appendix 3, section 3).
                match state {
                    Some(state) => {
                        self.note(format_args!(
                            "command out of sequence in state {state}: reset"
                        ));
                    }
                    None => self.note("command out of sequence: reset"),
                }
                return Verdict::Desynchronised;
            }
            Activity::RevalueLimit(count) => {
                let limit = Some(self.money(*count));
                self.limit_came(limit);
            }
            Activity::RevalueApproved => {
                if self.revalue_answered() {
                    self.revalued(true);
                }
            }
            Activity::RevalueDenied => {
                if self.revalue_answered() {
                    self.revalued(false);
                } else {
                    self.limit_came(None);
                }
            }
            Activity::SelectionRequest(request) => self.selected(request),
            Activity::CouponReport(report) => self.coupon_came(report),
            Activity::TimeDateRequest => self.send_time(now),
            Activity::DataEntryRequest(keys) => {
                // b7 says that it is asked again (7.4.4).
                let count = keys & 0x7F;
                self.reports.push(Report::KeysWanted { device, count });
            }
            Activity::DataEntryCancel => self.reports.push(Report::KeysCancelled { device }),
            Activity::DisplayRequest { text, time } => {
                let text: String = text.iter().map(|b| char::from(*b)).collect();
                let time = Micros::ms(u64::from(*time) * 100);
                let text = text.trim_end().to_owned();
                self.reports.push(Report::Shown { device, text, time });
            }
            Activity::Malfunction(code) => self.failed(*code),
            Activity::Cancelled => {
                self.paid_off(What::Cancelled);
                self.forget(|w| matches!(w.kind, Kind::ReaderCancel) && w.sent);
            }
            Activity::Ftl(_) | Activity::Diagnostics(_) | Activity::Unknown(_) => {
                self.note(activity);
            }
        }
        Verdict::Fine
    }

    fn session_began(&mut self, begin: &BeginSession) {
        let asks_back = self.phase == Phase::Asked
            && self.mode().has(Options::ASK_BEGIN_SESSION)
            && self.owes_decision();
        match self.phase {
            Phase::Closed => {
                self.phase = Phase::Idle;
                self.forget(|w| matches!(w.kind, Kind::ReaderCancel) && !w.sent);
            }
            // It wants the request again, with a price for this card (7.4.5).
            Phase::Asked if asks_back => {
                self.settle_decision();
                self.poll_first = true;
            }
            // Some readers repeat it until something is done with it: one session is one.
            _ => return,
        }
        let ours = self.currency();
        let foreign = begin.user.and_then(|u| u.currency);
        let card = CardSession {
            funds: begin.funds.map(|n| self.money(n)),
            shown: begin.user.is_none_or(|u| u.card_options & 1 == 0),
            media: begin.media,
            foreign: foreign.is_some() && foreign != ours,
            asks_back,
        };
        let device = self.name.clone();
        self.reports.push(Report::SessionBegan { device, card });
    }

    /// The request that is on its way was heard, even if its ACK was not, or its answer is owed.
    fn owes_decision(&self) -> bool {
        self.owed.is_some_and(|o| o.what == What::Decision)
            || self.wanted.front().is_some_and(|w| {
                w.sent
                    && matches!(
                        w.kind,
                        Kind::VendRequest(_) | Kind::NegativeVendRequest { .. }
                    )
            })
    }

    /// The decision came: neither a request nor its cancellation is to be sent any more.
    fn settle_decision(&mut self) {
        self.paid_off(What::Decision);
        self.paid_off(What::Denial);
        self.forget(|w| {
            matches!(
                w.kind,
                Kind::VendRequest(_) | Kind::NegativeVendRequest { .. } | Kind::VendCancel
            )
        });
    }

    fn vend_approved(&mut self, count: Option<u32>) {
        let device = self.name.clone();
        let amount = self.money(count.unwrap_or(0));
        match self.phase {
            Phase::Asked => {
                self.settle_decision();
                self.phase = Phase::Approved;
                self.approved = amount;
                if count.is_none() {
                    self.note("paid with an electronic token, which has no amount");
                }
                self.reports.push(Report::VendApproved { device, amount });
            }
            Phase::Approved => self.note("VEND APPROVED again, its ACK was lost: one vend is one"),
            // Withdrawn, or never asked for: it must not stay charged.
            _ => {
                let shown = self.show(amount);
                self.note(format_args!(
                    "approved {shown} that is not wanted any more: reported as failed"
                ));
                self.settle_decision();
                self.approved = amount;
                self.phase = Phase::Approved;
                let detail = None;
                let failure = Kind::VendFailure(VendFailure { detail });
                self.wanted.push_front(super::Wanted {
                    kind: failure,
                    sent: false,
                });
            }
        }
    }

    fn vend_denied(&mut self) {
        let device = self.name.clone();
        match self.phase {
            Phase::Asked => {
                self.settle_decision();
                self.phase = Phase::Idle;
                self.reports.push(Report::VendDenied { device });
            }
            Phase::Withdrawn => {
                self.settle_decision();
                self.phase = Phase::Idle;
            }
            _ => {}
        }
    }

    fn session_ended(&mut self) {
        let device = self.name.clone();
        match self.phase {
            Phase::Ending => {
                self.paid_off(What::EndSession);
                self.forget(|w| matches!(w.kind, Kind::SessionComplete));
            }
            Phase::Closed => return,
            Phase::Approved => {
                self.note("END SESSION while a vend is under way: ignored");
                return;
            }
            Phase::Idle | Phase::Asked | Phase::Withdrawn => {
                self.note("END SESSION that was not asked for");
                self.settle_decision();
                self.owed = None;
                self.wanted.clear();
            }
        }
        self.phase = Phase::Closed;
        self.reports.push(Report::SessionEnded { device });
    }

    fn limit_came(&mut self, limit: Option<Money>) {
        let sent = self.forget(|w| matches!(w.kind, Kind::RevalueLimitRequest) && w.sent);
        if self.paid_off(What::RevalueLimit) || sent {
            let device = self.name.clone();
            self.reports.push(Report::RevalueLimit { device, limit });
        }
    }

    /// True when a REVALUE REQUEST was waiting for this.
    fn revalue_answered(&mut self) -> bool {
        let sent = self.forget(|w| matches!(w.kind, Kind::RevalueRequest(_)) && w.sent);
        self.paid_off(What::Revalued) || sent
    }

    fn selected(&mut self, request: &SelectionRequest) {
        if request.item_options != 0 {
            let options = ItemOptions(request.item_options);
            self.note(format_args!("item {} with {options}", request.item));
        }
        let device = self.name.clone();
        self.reports.push(Report::Selection {
            device,
            item: request.item,
            funds: request.funds.map(|n| self.money(n)),
        });
    }

    fn coupon_came(&mut self, report: &CouponReport) {
        let coupon = Coupon {
            device: self.name.clone(),
            item: (report.item != 0xFFFF).then_some(report.item),
            alone: report.options & 1 != 0,
            at_once: report.options & 2 != 0,
            value: report.value.map(|n| self.money(n)),
        };
        self.reports.push(Report::Coupon(coupon));
    }

    /// A lasting error comes with every POLL and is reported once (7.4.4).
    fn failed(&mut self, code: Malfunction) {
        if code == Malfunction::REFUND_LOST || code.is_transient() {
            self.note(code.text());
        } else if self.fault != Some(code) {
            self.fault = Some(code);
            self.note(code.text());
        }
    }
}
