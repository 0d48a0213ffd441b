//! What the validator answers (section 6.3).

use super::path::{Bill, Path};
use super::payout::{Available, choose};
use super::validator::{InFlight, RecyclerSettings, Settings};
use super::{BillValidator, WhileMoving};
use crate::Reply;
use payrig_mdb::bill::{
    BillCounts, BillTypes, Command, EscrowAction, EscrowCapability, EscrowStatus, MAX_REPORTS,
    Options, PayoutValue, Report, Response, Setup, Stacker,
};
use payrig_mdb::ftl::Message;
use payrig_units::Micros;

fn data(response: &Response) -> Reply {
    Reply::Data(response.emit())
}

impl BillValidator {
    pub(super) fn answer(&mut self, now: Micros, command: &Command) -> Reply {
        let moving = self.path.is_moving() || self.payout.moving.is_some();
        match self.config.while_moving {
            WhileMoving::Silent if moving => return Reply::Silence,
            WhileMoving::ReportsBusy if moving && wants_details(command) => return Reply::Silence,
            _ => {}
        }
        match command {
            Command::Reset => {
                self.reset(now);
                Reply::Ack
            }
            Command::Setup => data(&Response::Setup(self.setup())),
            Command::Security(types) => {
                self.settings.security = Some(*types);
                Reply::Ack
            }
            Command::Poll => self.poll(),
            Command::BillType { enable, escrow } => {
                (self.settings.enable, self.settings.escrow) = (*enable, *escrow);
                Reply::Ack
            }
            Command::Escrow(status) => self.escrow(now, *status),
            Command::Stacker => data(&Response::Stacker(Stacker {
                full: self.refuses_because_full(),
                count: u16::try_from(self.holdings.stacked()).map_or(0x7FFF, |n| n.min(0x7FFF)),
            })),
            Command::Identification => {
                let id = self.config.identification;
                match self.quirks.option_bytes_in_short_identification {
                    false => data(&Response::Identification(id)),
                    true => data(&Response::IdentificationWithOptions(
                        id,
                        self.config.options(),
                    )),
                }
            }
            Command::FeatureEnable(_) | Command::IdentificationWithOptions
                if self.config.level < 2 =>
            {
                Reply::Silence
            }
            Command::FeatureEnable(options) => {
                self.feature_enable(*options);
                Reply::Ack
            }
            Command::IdentificationWithOptions => data(&Response::IdentificationWithOptions(
                self.config.identification,
                self.config.options(),
            )),
            Command::Ftl(message) => self.file_message(now, message),
            // What a maker's diagnostics are is not for the standard to say; here there are none.
            Command::Diagnostics(_) => match self.config.diagnostics.clone() {
                Some(data) => Reply::Data(Response::Diagnostics(data).emit()),
                None => Reply::Silence,
            },
            recycler => self.recycler_command(now, recycler),
        }
    }

    fn setup(&self) -> Setup {
        Setup {
            level: self.config.level,
            currency: self.config.currency,
            scaling: self.config.scaling,
            stacker_capacity: self.config.stacker_capacity,
            security: self.settings.security.unwrap_or(self.config.security),
            escrow: match self.config.escrow {
                true => EscrowCapability::Capable,
                false => EscrowCapability::None,
            },
            credits: (0..16).map(|t| self.config.credit(t)).collect(),
        }
    }

    fn poll(&mut self) -> Reply {
        let may = self.sayable();
        let mut reports = self.reports.take_for_answer(may);
        if !reports.is_empty() {
            self.in_flight = InFlight::Reports;
        }
        if reports.is_empty()
            && !self.file_reported
            && let Some(reply) = self.file_reply()
        {
            self.file_reported = true;
            return reply;
        }
        self.file_reported = false;
        if reports.first() != Some(&Report::JustReset) {
            reports.extend(self.conditions());
            reports.truncate(MAX_REPORTS);
        }
        match reports.is_empty() {
            true => Reply::Ack,
            false => data(&Response::Poll(reports)),
        }
    }

    /// What is reported at each POLL as long as it holds (section 6.3, 33H, notes 2).
    fn conditions(&self) -> Vec<Report> {
        let waiting = self.inlet.is_some();
        let speaks = self.recycler_speaks();
        let reports_busy = self.config.while_moving == WhileMoving::ReportsBusy;
        let pays = self.payout.moving.is_some();
        let all = [
            (reports_busy && self.path.is_moving(), Report::ValidatorBusy),
            (reports_busy && speaks && pays, Report::DispenserBusy),
            (!self.is_accepting(), Report::ValidatorDisabled),
            (
                speaks && self.payout.is_active() && !waiting,
                Report::DispenserPayoutBusy,
            ),
            (speaks && waiting, Report::BillWaiting),
            (
                speaks && self.dispenser_disabled(),
                Report::DispenserDisabled,
            ),
        ];
        let held = all.into_iter().filter(|(holds, _)| *holds);
        held.map(|(_, report)| report).collect()
    }

    fn escrow(&mut self, now: Micros, status: EscrowStatus) -> Reply {
        let Some(action) = status.action() else {
            return Reply::Silence;
        };
        if self.quirks.ignores_escrow_orders {
            return Reply::Ack;
        }
        let Path::Held { bill } = self.path else {
            if !self.quirks.invalid_escrow_unreported {
                self.reports.push(Report::InvalidEscrowRequest);
            }
            return Reply::Ack;
        };
        let bill = Bill { owed: true, ..bill };
        match action {
            EscrowAction::Stack if !self.quirks.returns_on_stack_order => self.store(now, bill),
            EscrowAction::Stack | EscrowAction::Return => self.send_back(now, bill),
        }
        Reply::Ack
    }

    fn feature_enable(&mut self, options: Options) {
        self.settings.options = options.and(self.config.options());
        if !self.settings.options.contains(Options::RECYCLING) {
            let off = Settings::default();
            self.settings.recycler_set_up = off.recycler_set_up;
            self.settings.recycler = off.recycler;
        }
    }

    /// A message of the file transport layer (section 2.6.4), answered at once.
    fn file_message(&mut self, now: Micros, message: &Message) -> Reply {
        if !self.settings.options.contains(Options::FTL) {
            return Reply::Silence;
        }
        self.files.heard(message);
        if self.files.wants_reset() {
            self.note("file received: validator resets itself".to_owned());
            self.reset(now);
        }
        self.file_reply().unwrap_or(Reply::Ack)
    }

    /// What the file transport layer has to say, alone (section 2.6.3). Conditions that are reported
    /// at each POLL (6.3, 33H, notes 2) take turns with it.
    fn file_reply(&mut self) -> Option<Reply> {
        let may_speak = self.settings.options.contains(Options::FTL);
        let message = may_speak.then(|| self.files.say()).flatten()?;
        self.in_flight = InFlight::File;
        Some(data(&Response::Ftl(message)))
    }

    fn recycler_command(&mut self, now: Micros, command: &Command) -> Reply {
        if *command == Command::RecyclerSetup && self.settings.options.contains(Options::RECYCLING)
        {
            self.settings.recycler_set_up = true;
        }
        if !self.recycler_speaks() {
            return Reply::Silence;
        }
        match command {
            Command::RecyclerSetup => {
                let types = self.holdings.stores().map(|(t, _)| t).collect();
                data(&Response::RecyclerSetup(types))
            }
            Command::RecyclerEnable {
                manual_dispense,
                use_for,
            } => {
                self.settings.recycler = Some(RecyclerSettings {
                    manual_dispense: *manual_dispense,
                    use_for: *use_for,
                });
                Reply::Ack
            }
            Command::BillDispenseStatus => data(&self.dispense_status()),
            Command::DispenseBill { bill_type, count } => {
                let held = self.recycled(*bill_type).min(u32::from(*count));
                self.pay_out(now, vec![(*bill_type, held)])
            }
            Command::DispenseValue(value) => {
                let of = |(bill_type, count): (u8, u32)| Available {
                    bill_type,
                    credit: match self.holdings.worth(bill_type).is_zero() {
                        true => 0,
                        false => self.config.credit(bill_type),
                    },
                    count,
                };
                let available: Vec<Available> = self.holdings.stores().map(of).collect();
                self.pay_out(now, choose(&available, *value))
            }
            Command::PayoutStatus if self.payout.is_active() => Reply::Ack,
            Command::PayoutStatus => {
                self.in_flight = InFlight::PayoutStatus;
                data(&Response::PayoutStatus(self.payout.status()))
            }
            Command::PayoutValuePoll => match self.payout.value() {
                None => Reply::Ack,
                Some(value) => {
                    self.in_flight = InFlight::PayoutValue(value);
                    data(&Response::PayoutValuePoll(PayoutValue::Word(value)))
                }
            },
            Command::PayoutCancel => {
                if !self.quirks.ignores_payout_cancel {
                    self.payout.cancel();
                }
                Reply::Ack
            }
            _ => Reply::Silence,
        }
    }

    /// A payout begins, unless one is going on (a repeated command must not pay twice). It ends at
    /// once with nothing paid when the dispenser is disabled or a bill is coming in.
    fn pay_out(&mut self, now: Micros, mut plan: Vec<(u8, u32)>) -> Reply {
        if self.payout.is_active() && self.quirks.double_dispense_on_repeat {
            self.payout.plan.extend(plan);
            return Reply::Ack;
        }
        if self.quirks.dispenses_one_bill_less
            && let Some((_, count)) = plan.last_mut()
        {
            *count = count.saturating_sub(1);
        }
        if self.payout.is_active() {
            self.note("payout command ignored: another payout is going on".to_owned());
            return Reply::Ack;
        }
        self.payout.begin(plan);
        if self.dispenser_disabled() || matches!(self.path, Path::Drawing { .. }) {
            self.payout.abort();
        }
        self.next_payout(now);
        Reply::Ack
    }

    /// A broken dispenser is "full" with no bills (section 6.3, 37H-05H, note).
    fn dispense_status(&self) -> Response {
        let bad = !self.dispenser_faults.is_empty();
        let mut full = BillTypes::NONE;
        let mut counts = Vec::new();
        for (bill_type, count) in self.holdings.stores() {
            if bad || !self.holdings.has_room(bill_type) {
                full = full.with(bill_type);
            }
            counts.resize(usize::from(bill_type), 0);
            counts.push(match bad {
                true => 0,
                false => u16::try_from(count).unwrap_or(u16::MAX),
            });
        }
        let counts = BillCounts::new(&counts);
        Response::BillDispenseStatus { full, counts }
    }
}

/// Commands a busy validator cannot answer (section 6.3, 33H, 03H): all that are answered with
/// data, but for POLL.
fn wants_details(command: &Command) -> bool {
    matches!(
        command,
        Command::Setup
            | Command::Stacker
            | Command::Identification
            | Command::IdentificationWithOptions
            | Command::RecyclerSetup
            | Command::BillDispenseStatus
            | Command::Ftl(_)
    )
}
