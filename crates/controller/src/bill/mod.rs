//! The board's driver for a bill validator or recycler (MDB/ICP 4.3, section 6).

mod escrow;
mod guard;
mod payout;
mod policy;
mod polls;
mod words;

pub use policy::{BillChange, BillPolicy};

use crate::channel::{Driver, Setup as Next, Verdict};
use crate::{Report, Stock};
use escrow::Escrow;
use guard::Guard;
use payout::{News, Recycler};
use payrig_mdb::bill::{
    BillTypes, BillValue, Command, EscrowCapability, EscrowStatus, Options, RecyclerUse, Response,
    Routing, Setup, Stacker,
};
use payrig_mdb::{Block, ParseError, Scaling};
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

/// How often a full stacker is asked whether it was emptied (common practice, no source).
const ASK_FULL_STACKER: Micros = Micros::secs(10);

/// The initialization sequence: that of section 6.3, RESET, with the optional steps of 6.6.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Setup,
    Security,
    Identification,
    FeatureEnable,
    RecyclerSetup,
    RecyclerEnable,
    Stacker,
    BillType,
    Done,
}

/// The driver.
#[derive(Debug)]
pub(crate) struct Bill {
    name: String,
    policy: BillPolicy,
    step: Step,
    setup: Option<Setup>,
    offered: Options,
    /// Values the board takes now; larger ones could not be changed.
    welcome: Vec<Money>,
    sent: Option<BillTypes>,
    stacker: Option<Stacker>,
    stacker_asked: Micros,
    escrow: Option<Escrow>,
    guard: Guard,
    /// Bills reported before SETUP said what they are worth.
    unpriced: Vec<(Routing, u8)>,
    /// It said VALIDATOR DISABLED though bills are enabled.
    disabled_itself: bool,
    complaint: Option<String>,
    recycler: Recycler,
    wanted: VecDeque<Command>,
    reports: Vec<Report>,
}

impl Bill {
    pub(crate) fn new(name: String, policy: BillPolicy) -> Self {
        Self {
            name,
            policy,
            step: Step::Setup,
            setup: None,
            offered: Options::NONE,
            welcome: Vec::new(),
            sent: None,
            stacker: None,
            stacker_asked: Micros::ZERO,
            escrow: None,
            guard: Guard::default(),
            unpriced: Vec::new(),
            disabled_itself: false,
            complaint: None,
            recycler: Recycler::default(),
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
            self.update_bill_type();
        }
    }

    /// Bills that can be paid out now; none unless the board pays with bills.
    pub(crate) fn stock(&self) -> Vec<Stock> {
        if self.step == Step::Done && self.policy.change != BillChange::Off {
            self.recycler.stock()
        } else {
            Vec::new()
        }
    }

    /// True when the board is to pay change with this recycler's bills.
    pub(crate) fn pays(&self) -> bool {
        self.policy.change != BillChange::Off && self.offered.contains(Options::RECYCLING)
    }

    /// Pays an amount in bills; the outcome comes as [`Report::PaidOut`] or
    /// [`Report::BillsNotPaid`].
    pub(crate) fn pay(&mut self, now: Micros, amount: Money) {
        let (how, scaling) = (self.policy.change, self.scaling());
        if !self.recycler.pay(now, amount, how, scaling) {
            self.recycler.give_up_paying();
            self.reports.push(Report::BillsNotPaid);
        }
    }

    pub(crate) fn stack(&mut self) {
        self.order_escrow(EscrowStatus::STACK);
    }

    pub(crate) fn give_back(&mut self) {
        self.order_escrow(EscrowStatus::RETURN);
    }

    fn scaling(&self) -> Scaling {
        let unknown = Scaling {
            factor: 0,
            decimals: 0,
        };
        self.setup.as_ref().map_or(unknown, |s| s.scaling)
    }

    fn value(&self, bill_type: u8) -> Option<Money> {
        match self.setup.as_ref()?.value(bill_type) {
            BillValue::Minor(n) => Some(Money(n)),
            BillValue::Unused | BillValue::Token => None,
        }
    }

    fn enabled(&self) -> BillTypes {
        if self.stacker.is_some_and(|s| s.full) {
            return BillTypes::NONE;
        }
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

    fn update_bill_type(&mut self) {
        if self.step == Step::Done && self.sent != Some(self.enabled()) {
            self.wanted.push_back(self.bill_type());
        }
    }

    fn note(&mut self, text: impl std::fmt::Display) {
        self.reports
            .push(Report::Notice(format!("{}: {text}", self.name)));
    }

    /// The types that are worth money and of a high security level by the board's choice.
    fn high_security(&self) -> Option<BillTypes> {
        let high = self.policy.high_security.as_ref()?;
        let is_high = |t: &u8| self.value(*t).is_some_and(|v| high.contains(&v));
        Some((0..16).filter(is_high).collect())
    }

    fn recycler_enable(&self) -> Command {
        let types = self.recycler.types;
        let mut use_for = [RecyclerUse::Disabled; 16];
        for (t, each) in (0u8..16).zip(&mut use_for) {
            if types.contains(t) && self.value(t).is_some() {
                *each = RecyclerUse::All;
            }
        }
        Command::RecyclerEnable {
            manual_dispense: types,
            use_for,
        }
    }

    fn tell(&mut self, news: impl IntoIterator<Item = News>) -> Verdict {
        let mut verdict = Verdict::Fine;
        let device = self.name.clone();
        for one in news {
            match one {
                News::Note(text) => self.note(text),
                News::SoFar(value) => self.reports.push(Report::PayingOut { value }),
                News::Over(Money::ZERO) => self.reports.push(Report::BillsNotPaid),
                News::Over(value) => self.reports.push(Report::PaidOut {
                    device: device.clone(),
                    value,
                }),
                News::GivenUp(value) => self.reports.push(Report::PayoutGivenUp {
                    device: device.clone(),
                    value,
                }),
                News::Late(value) => {
                    self.note(format_args!(
                        "it had paid {} minor units more before it went away",
                        value.as_minor()
                    ));
                    self.reports.push(Report::PaidLate {
                        device: device.clone(),
                        value,
                    });
                }
                News::Stuck => {
                    self.note("the payout does not end, not even cancelled: RESET");
                    verdict = Verdict::Desynchronised;
                }
            }
        }
        verdict
    }

    /// An answer that breaks the standard is complained of once. Only SETUP is indispensable.
    fn not_understood(&mut self, command: &Command, error: &ParseError) {
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
            _ => {}
        }
    }

    fn took_setup(&mut self, now: Micros, setup: Setup) {
        self.setup = Some(setup);
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
        self.update_bill_type();
    }

    fn took_bill_type(&mut self, enable: BillTypes) {
        self.sent = Some(enable);
        if self.step == Step::BillType {
            self.step = Step::Done;
        }
        // What is welcome may have changed while it was on its way.
        self.update_bill_type();
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
        self.stacker = None;
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
                self.not_understood(&command, &error);
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
            (Command::BillType { enable, .. }, None) => self.took_bill_type(*enable),
            (Command::Escrow(status), None) => self.escrow_ordered(now, *status),
            (Command::DispenseBill { .. } | Command::DispenseValue(_), None) => {
                self.recycler.ordered(now, true, &mut self.wanted);
            }
            (Command::PayoutValuePoll, None) => {
                let news = self.recycler.value_poll(now, None, &mut self.wanted);
                return self.tell(news);
            }
            (Command::PayoutValuePoll, Some(Response::PayoutValuePoll(value))) => {
                let value = Money(scaling.to_minor(value.count().into()));
                let news = self.recycler.value_poll(now, Some(value), &mut self.wanted);
                return self.tell(news);
            }
            (Command::PayoutStatus, None) => self.recycler.payout_status(None, &mut self.wanted),
            (Command::PayoutStatus, Some(Response::PayoutStatus(counts))) => {
                self.recycler.payout_status(Some(&counts), &mut self.wanted);
            }
            (Command::BillDispenseStatus, Some(Response::BillDispenseStatus { full, counts })) => {
                let news = self
                    .recycler
                    .dispense_status(now, full, &counts, how, scaling);
                return self.tell(news);
            }
            _ => {}
        }
        Verdict::Fine
    }

    fn unanswered(&mut self, now: Micros, command: &Block) -> bool {
        match Command::parse(command.bytes()) {
            // Whether a payout has begun is found out, not tried (Appendix 3, section 3, condition 1).
            Ok(Command::DispenseBill { .. } | Command::DispenseValue(_)) => {
                self.note("a payout order was not answered: asking what came of it");
                self.recycler.ordered(now, false, &mut self.wanted);
                false
            }
            // Repeated after the next POLL, unless that tells what became of the bill.
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
        self.tell(news);
        self.step = Step::Setup;
        self.wanted.clear();
    }
}
