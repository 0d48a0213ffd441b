//! What the changer answers to each command (section 5.3).

use super::choose::{Stock, choose};
use super::state::{Manual, Sent};
use super::{Changer, CoinWorth, WhilePaying};
use crate::Reply;
use payrig_mdb::changer::{
    CoinType, Command, DiagnosticCode, Features, NON_RESPONSE, PerType, Report, Response, Status,
    TUBE_STATUS_DELAY, TubeStatus,
};
use payrig_units::Micros;

/// How long a changer that is silent while paying stays so: short of the non-response time, so
/// that a VMC polling every 200 ms (section 2.4.3) hears from it before that is over.
const SILENT_PAYOUT: Micros = NON_RESPONSE.since(Micros::ms(200));

/// Codes in one diagnostic answer (section 5.3, 0FH 05H).
const MAX_CODES: usize = 8;

impl Changer {
    pub(super) fn answer(&mut self, now: Micros, command: &Command) -> Reply {
        if self.is_silent_for(now, command) {
            return Reply::Silence;
        }
        match command {
            Command::Reset => {
                self.reset(now);
                Reply::Ack
            }
            Command::Setup => self.data(Sent::Other, Response::Setup(self.config.setup())),
            Command::TubeStatus => {
                let status = self.tube_status(now);
                self.data(Sent::Other, Response::TubeStatus(status))
            }
            Command::Poll => self.poll(now),
            Command::CoinType {
                accept,
                manual_dispense,
            } => {
                self.accept = *accept;
                self.manual_dispense = *manual_dispense;
                Reply::Ack
            }
            Command::Dispense { coin_type, coins } => self.dispense(now, *coin_type, coins.get()),
            Command::Identification => {
                let id = self.config.identification();
                self.data(Sent::Other, Response::Identification(id))
            }
            Command::FeatureEnable(wanted) => {
                self.enabled = *wanted & self.config.features;
                Reply::Ack
            }
            Command::Payout { value } => self.pay_value(now, *value),
            Command::PayoutStatus if self.payout.is_busy() => Reply::Ack,
            Command::PayoutStatus => {
                let paid = self.payout.status();
                self.data(Sent::PayoutStatus, Response::PayoutStatus(paid))
            }
            Command::PayoutValuePoll => match self.payout.value() {
                0 if !self.payout.is_busy() => Reply::Ack,
                value => self.data(Sent::PayoutValue(value), Response::PayoutValue(value)),
            },
            Command::SendDiagnosticStatus => {
                let codes = self.diagnostic_codes();
                self.data(Sent::Diagnostic, Response::DiagnosticStatus(codes))
            }
            Command::SendControlledManualFillReport => {
                let counts = self.filled;
                let report = Response::ManualFillReport(PerType::full(counts));
                self.data(Sent::FillReport(counts), report)
            }
            Command::SendControlledManualPayoutReport => {
                let counts = self.bulk_paid;
                let report = Response::ManualPayoutReport(PerType::full(counts));
                self.data(Sent::BulkPayoutReport(counts), report)
            }
            Command::Ftl(message) => {
                self.files.heard(message);
                if self.files.wants_reset() {
                    self.note("file received: changer resets itself");
                    self.reset(now);
                }
                self.file_reply()
            }
            // Manufacturer specific: this maker has none, and only acknowledges.
            Command::Diagnostics(_) => match self.config.diagnostics.clone() {
                Some(data) => Reply::Data(Response::Diagnostics(data).emit()),
                None => Reply::Ack,
            },
        }
    }

    fn data(&mut self, sent: Sent, response: Response) -> Reply {
        self.pending = Some(sent);
        Reply::Data(response.emit())
    }

    /// Commands that are not heard, or not understood, just now.
    fn is_silent_for(&self, now: Micros, command: &Command) -> bool {
        let paying = self.payout.is_busy();
        if paying
            && self.config.while_paying == WhilePaying::StaySilent
            && now < self.payout.began() + SILENT_PAYOUT
        {
            return true;
        }
        // CHANGER BUSY: no detailed answers (section 5.3, POLL, 0AH).
        if now < self.busy_until && !matches!(command, Command::Poll | Command::Reset) {
            return true;
        }
        if !command.is_expansion() {
            return false;
        }
        if self.config.level < 3 {
            return true;
        }
        let needed = match command {
            Command::Payout { .. } | Command::PayoutStatus | Command::PayoutValuePoll => {
                Features::ALTERNATIVE_PAYOUT
            }
            Command::SendDiagnosticStatus => Features::EXTENDED_DIAGNOSTIC,
            Command::SendControlledManualFillReport | Command::SendControlledManualPayoutReport => {
                Features::MANUAL_FILL_PAYOUT
            }
            Command::Ftl(_) => Features::FTL,
            _ => Features::NONE,
        };
        !self.enabled.contains(needed)
    }

    fn tube_status(&self, now: Micros) -> TubeStatus {
        let early = now < self.reset_at + TUBE_STATUS_DELAY;
        if self.quirks.tube_status_too_early && early {
            return TubeStatus {
                full: Default::default(),
                counts: PerType::full([0; 16]),
            };
        }
        self.tubes.status(self.quirks.wrong_tube_count)
    }

    fn poll(&mut self, now: Micros) -> Reply {
        let mut conditions = Vec::new();
        if self.payout.is_busy() || (self.quirks.always_busy && self.payout.ever()) {
            conditions.push(Status::ChangerPayoutBusy);
        }
        if self.unplugged {
            conditions.push(Status::AcceptorUnplugged);
        }
        if now < self.busy_until {
            conditions.push(Status::ChangerBusy);
        }
        if self.quirks.escrow_repeats_while_held && self.lever_held {
            self.events.push_once(Status::EscrowRequest);
        }
        let reports = self.events.compose(&conditions, self.quirks);
        if reports.is_empty() {
            // FTL responses travel alone (section 2.6.3).
            return self.file_reply();
        }
        self.data(Sent::Reports, Response::Poll(reports))
    }

    fn file_reply(&mut self) -> Reply {
        let may_speak = self.enabled.contains(Features::FTL);
        match may_speak.then(|| self.files.say()).flatten() {
            Some(message) => self.data(Sent::File, Response::Ftl(message)),
            None => Reply::Ack,
        }
    }

    fn dispense(&mut self, now: Micros, coin_type: CoinType, coins: u8) -> Reply {
        if self.payout.is_busy() && !self.quirks.double_dispense_on_repeat {
            // Busy with the coins of an earlier command: not heard (section 5.3, DISPENSE, note 2).
            return Reply::Silence;
        }
        let less = u8::from(self.quirks.dispenses_one_coin_less);
        let coins = coins.saturating_sub(less);
        self.payout
            .dispense(now, self.config.payout_time, coin_type, coins);
        if self.quirks.dispense_without_ack {
            return Reply::Silence;
        }
        Reply::Ack
    }

    fn pay_value(&mut self, now: Micros, value: u8) -> Reply {
        if self.payout.is_busy() {
            return Reply::Silence;
        }
        let coins = self.choose(value);
        self.payout.pay(now, self.config.payout_time, value, coins);
        self.payout.settle();
        Reply::Ack
    }

    /// The coins for a value, from tubes in order.
    pub(super) fn choose(&self, value: u8) -> Vec<CoinType> {
        let stocks: Vec<Stock> = CoinType::all()
            .filter(|t| {
                let coin = self.config.coin(*t);
                matches!(coin.map(|c| c.worth), Some(CoinWorth::Money(_)))
            })
            .map(|coin_type| Stock {
                coin_type,
                credit: self.config.credit(coin_type),
                coins: self.tubes.payable(coin_type),
            })
            .collect();
        choose(value, &stocks)
    }

    /// What is the matter, or that nothing is (section 5.3, 0FH 05H).
    fn diagnostic_codes(&self) -> Vec<DiagnosticCode> {
        let mut codes = Vec::new();
        if self.manual.is_some() || self.owes_manual_code {
            codes.push(DiagnosticCode::MANUAL_ACTIVE);
        } else if [self.filled, self.bulk_paid]
            .iter()
            .flatten()
            .any(|n| *n > 0)
        {
            codes.push(DiagnosticCode::NEW_INVENTORY);
        }
        let mut faults = self.faults.clone();
        if self.coin_jam {
            faults.insert(DiagnosticCode::COIN_JAM);
        }
        if self.tubes.any_jam() {
            faults.insert(DiagnosticCode::DISPENSER_ERROR);
        }
        if !self.tubes.defective().is_empty() {
            faults.insert(DiagnosticCode::TUBE_ERROR);
        }
        if self.unplugged {
            faults.insert(DiagnosticCode::new(0x11, 0x00));
        }
        if self.accept.is_empty() {
            codes.push(DiagnosticCode::INHIBITED);
        } else if faults.is_empty() && self.manual.is_none() {
            codes.push(DiagnosticCode::OK);
        }
        codes.extend(faults);
        codes.truncate(MAX_CODES);
        codes
    }

    /// Coins that left through inventory switches or, where the VMC has not enabled the reports
    /// for it, in manual payout mode (section 5.3, 0FH 07H).
    pub(super) fn report_manual_dispense(&mut self, coin_type: CoinType, coins: u16) {
        let mut left = usize::from(coins);
        while left > 0 {
            let now = payrig_mdb::changer::ManualCount::saturating(left);
            left -= usize::from(now.get());
            let in_tube = self.reported_count(coin_type);
            self.events.push(Report::CoinsDispensedManually {
                coin_type,
                coins: now,
                in_tube,
            });
        }
    }

    pub(super) fn in_manual_payout(&self) -> bool {
        self.manual == Some(Manual::Payout)
    }
}
