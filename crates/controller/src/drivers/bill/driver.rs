//! The driver's turn: the initialization sequence, and what each answer means (MDB/ICP 4.3,
//! section 6.3).

use super::{Bill, BillChange, Step};
use crate::drivers::channel::{Driver, Setup as Next, Verdict};
use crate::drivers::report::Report;
use payrig_mdb::bill::{BillTypes, Command, Options, Response, Setup, Stacker};
use payrig_mdb::{Block, ParseError};
use payrig_units::{Micros, Money};

impl Bill {
    /// An answer that breaks the standard is complained of once. Only SETUP is indispensable.
    fn not_understood(&mut self, now: Micros, command: &Command, error: &ParseError) {
        let name = command.name();
        let text = format!("answer to {name} not understood: {error}");
        if self.complaint.as_ref() != Some(&text) {
            self.note(&text);
            self.complaint = Some(text);
        }
        match command {
            Command::Identification | Command::IdentificationWithOptions => {
                self.step = Step::Stacker;
            }
            Command::RecyclerSetup => self.step = Step::Stacker,
            Command::Stacker if self.step == Step::Stacker => self.step = Step::BillType,
            Command::Stacker if self.step == Step::Done => self.no_stacker_count(),
            Command::BillDispenseStatus => self.recycler.no_counts(),
            // Whether it was carried out is asked, as after silence.
            Command::DispenseBill { .. } | Command::DispenseValue(_) => {
                self.recycler.ordered(now, false, &mut self.wanted);
            }
            _ => {}
        }
    }

    fn took_setup(&mut self, now: Micros, setup: Setup) {
        self.setup = Some(setup);
        self.setups = self.setups.wrapping_add(1);
        self.update_welcome_types();
        let mut worth = [Money::ZERO; 16];
        for (t, each) in (0u8..16).zip(&mut worth) {
            *each = self.value(t).unwrap_or_default();
        }
        self.recycler.set_worth(worth);
        self.step = match self.high_security() {
            Some(_) => Step::Security,
            None => Step::Identification,
        };
        for (routing, bill_type) in std::mem::take(&mut self.unpriced) {
            self.routed(now, routing, bill_type);
        }
    }

    fn took_options(&mut self, offered: Options) {
        self.offered = offered;
        self.step = match self.used().0 {
            0 => Step::Stacker,
            _ => Step::FeatureEnable,
        };
    }

    /// The options this board uses, of those that are offered.
    fn used(&self) -> Options {
        match self.policy.change {
            BillChange::Off => self.offered.and(Options::FTL),
            BillChange::ByType | BillChange::ByValue => {
                self.offered.and(Options::RECYCLING.or(Options::FTL))
            }
        }
    }

    fn took_stacker(&mut self, now: Micros, stacker: Stacker) {
        self.stacker_asked = now;
        self.stacker_pending = false;
        self.stacker_repeated = false;
        let was_full = self.stacker.is_some_and(|s| s.full);
        self.stacker = Some(stacker);
        match (was_full, stacker.full) {
            (false, true) => self.note(format_args!(
                "the stacker is full ({} bills): no bills until it is emptied",
                stacker.count
            )),
            (true, false) => self.note("the stacker has room again"),
            _ => {}
        }
        if self.step == Step::Stacker {
            self.step = Step::BillType;
        }
        self.update_bill_type(true);
    }

    /// STACKER was answered, and not with a count: asked once more, then done without.
    fn no_stacker_count(&mut self) {
        if std::mem::replace(&mut self.stacker_repeated, true) {
            self.stacker_pending = false;
            self.stacker_repeated = false;
        } else {
            self.wanted.push_back(Command::Stacker);
        }
    }

    fn took_bill_type(&mut self, enable: BillTypes) {
        self.sent = Some(enable);
        self.bill_type_pending = false;
        if self.step == Step::BillType {
            self.step = Step::Done;
        }
        // What is welcome may have changed while it was on its way.
        self.update_bill_type(false);
    }
}

impl Driver for Bill {
    fn poll(&self) -> Block {
        Command::Poll.emit()
    }

    fn reset(&self) -> Block {
        Command::Reset.emit()
    }

    fn begin_setup(&mut self, _: Micros) {
        if self.escrow.take().is_some() {
            self.note("reset with a bill in escrow: it goes back, nothing is credited for it");
            let device = self.name.clone();
            self.reports.push(Report::BillReturned { device });
        }
        self.step = Step::Setup;
        self.sent = None;
        self.bill_type_pending = false;
        self.stacker = None;
        self.stacker_pending = false;
        self.disabled_itself = false;
        self.offered = Options::NONE;
        self.recycler.reset();
        self.wanted.clear();
    }

    fn next_setup(&mut self, now: Micros) -> Next {
        let level_2 = self.setup.as_ref().is_some_and(|s| s.level >= 2);
        let command = match self.step {
            Step::Setup => Command::Setup,
            Step::Security => Command::Security(self.high_security().unwrap_or_default()),
            Step::Identification if level_2 => Command::IdentificationWithOptions,
            Step::Identification => Command::Identification,
            Step::FeatureEnable => Command::FeatureEnable(self.used()),
            Step::RecyclerSetup => Command::RecyclerSetup,
            Step::RecyclerEnable => self.recycler_enable(),
            Step::Stacker => Command::Stacker,
            Step::BillType => self.bill_type(),
            Step::Done => {
                if self.used().contains(Options::RECYCLING) {
                    let ask = self.recycler.set_up(now);
                    self.wanted.push_back(ask);
                }
                return Next::Done;
            }
        };
        Next::Send(command.emit())
    }

    fn answered(&mut self, now: Micros, command: &Block, data: Option<&Block>) -> Verdict {
        let Ok(command) = Command::parse(command.bytes()) else {
            return Verdict::Fine;
        };
        let response = match data.map(|d| Response::parse(&command, d.bytes())) {
            None => None,
            Some(Ok(response)) => Some(response),
            Some(Err(error)) => {
                self.not_understood(now, &command, &error);
                return Verdict::Fine;
            }
        };
        let (how, scaling) = (self.policy.change, self.scaling());
        match (&command, response) {
            (Command::Poll, None) => return self.took_poll(now, &[]),
            (Command::Poll, Some(Response::Poll(reports))) => return self.took_poll(now, &reports),
            (Command::Setup, Some(Response::Setup(setup))) => self.took_setup(now, setup),
            (Command::Security(_), None) => self.step = Step::Identification,
            (Command::Identification, Some(_)) => self.step = Step::Stacker,
            (
                Command::IdentificationWithOptions,
                Some(Response::IdentificationWithOptions(_, offered)),
            ) => self.took_options(offered),
            (Command::FeatureEnable(on), None) => {
                self.step = match on.contains(Options::RECYCLING) {
                    true => Step::RecyclerSetup,
                    false => Step::Stacker,
                };
            }
            (Command::RecyclerSetup, Some(Response::RecyclerSetup(types))) => {
                self.recycler.types = types;
                self.step = Step::RecyclerEnable;
            }
            (Command::RecyclerEnable { .. }, None) => self.step = Step::Stacker,
            (Command::Stacker, Some(Response::Stacker(stacker))) => {
                self.took_stacker(now, stacker);
            }
            (Command::Stacker, None) if self.step == Step::Done => self.no_stacker_count(),
            (Command::BillType { enable, .. }, None) => self.took_bill_type(*enable),
            (Command::Escrow(status), None) => self.escrow_ordered(now, *status),
            (Command::DispenseBill { .. } | Command::DispenseValue(_), None) => {
                self.recycler.ordered(now, true, &mut self.wanted);
            }
            (Command::PayoutValuePoll, None) => {
                let news = self.recycler.value_poll(now, None, &mut self.wanted);
                return self.report(news);
            }
            (Command::PayoutValuePoll, Some(Response::PayoutValuePoll(value))) => {
                let value = Money(scaling.to_minor(value.count().into()));
                let news = self.recycler.value_poll(now, Some(value), &mut self.wanted);
                return self.report(news);
            }
            (Command::BillDispenseStatus, None) => self.recycler.no_counts(),
            (Command::PayoutStatus, None) => self.recycler.payout_status(None, &mut self.wanted),
            (Command::PayoutStatus, Some(Response::PayoutStatus(counts))) => {
                self.recycler.payout_status(Some(&counts), &mut self.wanted);
            }
            (Command::BillDispenseStatus, Some(Response::BillDispenseStatus { full, counts })) => {
                let news = self
                    .recycler
                    .dispense_status(now, full, &counts, how, scaling);
                return self.report(news);
            }
            _ => {}
        }
        Verdict::Fine
    }

    fn reads(&self, command: &Block, data: &Block) -> bool {
        Command::parse(command.bytes())
            .is_ok_and(|command| Response::parse(&command, data.bytes()).is_ok())
    }

    /// Section 6.3; unsent bytes of SETUP and of the tables of bills by type are zero.
    fn full_length(&self, command: &Block) -> Option<usize> {
        match Command::parse(command.bytes()).ok()? {
            Command::Setup => Some(27),
            Command::Stacker | Command::RecyclerSetup => Some(2),
            Command::Identification => Some(29),
            Command::IdentificationWithOptions => Some(33),
            Command::BillDispenseStatus => Some(34),
            Command::PayoutStatus => Some(32),
            _ => None,
        }
    }

    fn unanswered(&mut self, now: Micros, command: &Block) -> bool {
        match Command::parse(command.bytes()) {
            // Whether a payout has begun is found out, not tried (Appendix 3, section 3, condition 1).
            Ok(Command::DispenseBill { .. } | Command::DispenseValue(_)) => {
                self.note("a payout order was not answered: asking what came of it");
                self.recycler.ordered(now, false, &mut self.wanted);
                false
            }
            // Repeated after the next POLL, unless that shows what became of the bill.
            Ok(Command::Escrow(_)) => {
                self.escrow_unanswered();
                false
            }
            _ => true,
        }
    }

    fn lost(&mut self, _: Micros) {
        self.note("does not answer any more");
        if self.escrow.take().is_some() {
            let device = self.name.clone();
            self.reports.push(Report::BillReturned { device });
        }
        let news = self.recycler.lost();
        self.report(news);
        self.step = Step::Setup;
        self.wanted.clear();
    }
}
