//! The board's driver for a bill validator (MDB/ICP 4.3, section 6).

use crate::Report;
use crate::channel::{Driver, Setup as Next, Verdict};
use crate::repeat::RepeatGuard;
use payrig_mdb::Block;
use payrig_mdb::bill::{
    BillTypes, BillValue, Command, EscrowCapability, EscrowStatus, Options, Report as Activity,
    Response, Routing, Setup,
};
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

/// How long an escrowed bill may take to be stacked or returned before it is said so: 30 s is the
/// general wait for data (Appendix 3, section 2).
const ESCROW_PATIENCE: Micros = Micros::secs(30);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Setup,
    Identification,
    FeatureEnable,
    Stacker,
    BillType,
    Done,
}

/// The driver.
#[derive(Debug)]
pub(crate) struct Bill {
    name: String,
    step: Step,
    setup: Option<Setup>,
    /// Values the board takes now; larger ones could not be changed.
    welcome: Vec<Money>,
    sent: Option<BillTypes>,
    stacker_full: bool,
    escrow_since: Option<Micros>,
    guard: RepeatGuard,
    wanted: VecDeque<Command>,
    reports: Vec<Report>,
}

impl Bill {
    pub(crate) fn new(name: String) -> Self {
        Self {
            name,
            step: Step::Setup,
            setup: None,
            welcome: Vec::new(),
            sent: None,
            stacker_full: false,
            escrow_since: None,
            guard: RepeatGuard::default(),
            wanted: VecDeque::new(),
            reports: Vec::new(),
        }
    }

    pub(crate) fn take_wanted(&mut self) -> Option<Command> {
        self.wanted.pop_front()
    }

    pub(crate) fn take_reports(&mut self) -> Vec<Report> {
        std::mem::take(&mut self.reports)
    }

    /// The values of the bills this validator knows, once it said so.
    pub(crate) fn values(&self) -> Vec<Money> {
        (0..16).filter_map(|t| self.value(t)).collect()
    }

    /// Takes bills of these values only, from now on.
    pub(crate) fn set_welcome(&mut self, welcome: Vec<Money>) {
        if self.welcome != welcome {
            self.welcome = welcome;
            if self.step == Step::Done && self.sent != Some(self.enabled()) {
                self.wanted.push_back(self.bill_type());
            }
        }
    }

    pub(crate) fn stack(&mut self) {
        self.wanted.push_back(Command::Escrow(EscrowStatus::STACK));
    }

    pub(crate) fn give_back(&mut self) {
        self.wanted.push_back(Command::Escrow(EscrowStatus::RETURN));
    }

    fn value(&self, bill_type: u8) -> Option<Money> {
        match self.setup.as_ref()?.value(bill_type) {
            BillValue::Minor(n) => Some(Money(n)),
            BillValue::Unused | BillValue::Token => None,
        }
    }

    fn enabled(&self) -> BillTypes {
        (0..16)
            .filter(|t| self.value(*t).is_some_and(|v| self.welcome.contains(&v)))
            .collect()
    }

    fn bill_type(&self) -> Command {
        let enable = self.enabled();
        let escrow = match self.setup.as_ref().map(|s| s.escrow) {
            Some(EscrowCapability::Capable) => enable,
            _ => BillTypes::NONE,
        };
        Command::BillType { enable, escrow }
    }

    fn note(&mut self, text: impl std::fmt::Display) {
        self.reports
            .push(Report::Notice(format!("{}: {text}", self.name)));
    }

    fn routed(&mut self, now: Micros, routing: Routing, bill_type: u8) {
        let device = self.name.clone();
        let Some(value) = self.value(bill_type) else {
            self.note(format_args!(
                "bill type {bill_type} has no value: not credited"
            ));
            return;
        };
        match routing {
            Routing::EscrowPosition => {
                self.escrow_since = Some(now);
                self.reports.push(Report::BillEscrowed { device, value });
            }
            // Only now is the bill the machine's (section 6.3, POLL, note 2).
            Routing::Stacked | Routing::ToRecycler => {
                self.escrow_since = None;
                let what = format!("bill type {bill_type} stacked");
                self.reports.push(Report::Credit {
                    device,
                    value,
                    what,
                });
            }
            Routing::Returned => {
                self.escrow_since = None;
                self.reports.push(Report::BillReturned { device });
            }
            Routing::DisabledBillRejected => self.note("a bill of a disabled type was refused"),
            Routing::ManualFill => {
                self.reports.push(Report::Service {
                    device,
                    value: -value,
                });
            }
            Routing::ManualDispense => self.reports.push(Report::Service { device, value }),
            Routing::RecyclerToCashbox => self.note("a bill moved from recycler to cash box"),
        }
    }

    fn took_poll(&mut self, now: Micros, data: &Block, activities: &[Activity]) -> Verdict {
        let brings_money = activities
            .iter()
            .any(|a| matches!(a, Activity::Bill { .. }));
        let repeated = self.guard.is_repetition(now, data, brings_money);
        if repeated {
            self.note("the same report again, its ACK was lost: not credited twice");
        }
        let mut verdict = if brings_money {
            Verdict::CheckRepeat
        } else {
            Verdict::Fine
        };
        for activity in activities {
            match activity {
                Activity::JustReset => verdict = Verdict::JustReset,
                Activity::Bill { routing, bill_type } if !repeated => {
                    self.routed(now, *routing, *bill_type);
                }
                Activity::Bill { .. } => {}
                Activity::EscrowRequest if !repeated => self.reports.push(Report::ReturnLever),
                // Said at every POLL: not news.
                Activity::ValidatorDisabled | Activity::ValidatorBusy => {}
                Activity::CashBoxOutOfPosition => {
                    self.note("cash box out of position");
                }
                other => self.note(other),
            }
        }
        verdict
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
        self.step = Step::Setup;
        self.sent = None;
        self.escrow_since = None;
        self.wanted.clear();
        self.guard = RepeatGuard::default();
    }

    fn next_setup(&mut self, _: Micros) -> Next {
        let level_2 = self.setup.as_ref().is_some_and(|s| s.level >= 2);
        let command = match self.step {
            Step::Setup => Command::Setup,
            Step::Identification if level_2 => Command::IdentificationWithOptions,
            Step::Identification => Command::Identification,
            // No optional feature is used: none is switched on.
            Step::FeatureEnable => Command::FeatureEnable(Options::NONE),
            Step::Stacker => Command::Stacker,
            Step::BillType => self.bill_type(),
            Step::Done => return Next::Done,
        };
        Next::Send(command.emit())
    }

    fn answered(&mut self, now: Micros, command: &Block, data: Option<&Block>) -> Verdict {
        let Ok(command) = Command::parse(command.bytes()) else {
            return Verdict::Fine;
        };
        let response = data.map(|d| (d, Response::parse(&command, d.bytes())));
        match (&command, response) {
            (_, Some((_, Err(error)))) => {
                let name = command.name();
                self.note(format_args!("answer to {name} not understood: {error}"));
            }
            (Command::Poll, Some((block, Ok(Response::Poll(activities))))) => {
                return self.took_poll(now, block, &activities);
            }
            (Command::Poll, None) => self.guard.quiet(),
            (Command::Setup, Some((_, Ok(Response::Setup(setup))))) => {
                self.setup = Some(setup);
                self.step = Step::Identification;
            }
            (Command::Identification, Some(_)) => self.step = Step::Stacker,
            (Command::IdentificationWithOptions, Some(_)) => self.step = Step::FeatureEnable,
            (Command::FeatureEnable(_), None) => self.step = Step::Stacker,
            (Command::Stacker, Some((_, Ok(Response::Stacker(stacker))))) => {
                self.stacker_full = stacker.full;
                if stacker.full {
                    self.note("stacker full");
                }
                if self.step == Step::Stacker {
                    self.step = Step::BillType;
                }
            }
            (Command::BillType { enable, .. }, None) => {
                self.sent = Some(*enable);
                if self.step == Step::BillType {
                    self.step = Step::Done;
                    if *enable != self.enabled() {
                        self.wanted.push_back(self.bill_type());
                    }
                }
            }
            _ => {}
        }
        if self
            .escrow_since
            .is_some_and(|since| now.since(since) > ESCROW_PATIENCE)
        {
            self.escrow_since = None;
            self.note("the bill in escrow was neither stacked nor returned for 30 s");
        }
        Verdict::Fine
    }

    fn unanswered(&mut self, _: Micros, _: &Block) -> bool {
        // ESCROW may be repeated: with no bill there it is answered INVALID ESCROW REQUEST.
        true
    }

    fn lost(&mut self, _: Micros) {
        self.note("does not answer any more");
    }
}
