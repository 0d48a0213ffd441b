//! The board's driver for a coin changer (MDB/ICP 4.3, section 5).

use crate::channel::{Driver, Setup as Next, Verdict};
use crate::repeat::RepeatGuard;
use crate::{Report, Stock, make_change};
use payrig_mdb::Block;
use payrig_mdb::changer::{
    CoinCredit, CoinType, CoinTypes, Command, DiagnosticCode, DispenseCount, Features,
    Report as Activity, Response, Routing, Setup, Status, TUBE_STATUS_DELAY, TubeStatus,
};
use payrig_units::{Micros, Money};
use std::collections::VecDeque;

/// Features this board uses where the changer offers them.
const USED: Features = Features::EXTENDED_DIAGNOSTIC;

/// How often a payout of which nothing came out is ordered again.
const PAYOUT_TRIES: u32 = 3;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Setup,
    Identification,
    FeatureEnable,
    DiagnosticStatus,
    TubeStatus,
    CoinType,
    Done,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum PayPhase {
    /// The next DISPENSE of the plan is to be sent, or on its way.
    Ordering,
    /// Ordered; the changer is POLLed until it is no longer busy.
    Busy,
    /// TUBE STATUS tells what came out.
    Counting,
}

#[derive(Debug)]
struct Payout {
    left: Money,
    paid: Money,
    plan: VecDeque<(CoinType, DispenseCount)>,
    before: [u32; 16],
    phase: PayPhase,
    tries: u32,
    /// A DISPENSE was not answered: only the tubes can tell whether it was carried out. It is
    /// never simply sent again (Appendix 3, section 3, condition 1).
    uncertain: bool,
}

/// The driver.
#[derive(Debug)]
pub(crate) struct Changer {
    name: String,
    step: Step,
    setup: Option<Setup>,
    offered: Features,
    tubes: [u32; 16],
    defective: CoinTypes,
    refused: Vec<Money>,
    accept: CoinTypes,
    sent_accept: Option<CoinTypes>,
    reset_seen: Micros,
    guard: RepeatGuard,
    payout: Option<Payout>,
    wanted: VecDeque<Command>,
    reports: Vec<Report>,
}

impl Changer {
    /// A driver for the changer called `name`, refusing coins of these values.
    pub(crate) fn new(name: String, refused: Vec<Money>) -> Self {
        Self {
            name,
            step: Step::Setup,
            setup: None,
            offered: Features::NONE,
            tubes: [0; 16],
            defective: CoinTypes::NONE,
            refused,
            accept: CoinTypes::NONE,
            sent_accept: None,
            reset_seen: Micros::ZERO,
            guard: RepeatGuard::default(),
            payout: None,
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

    /// Coins that can be paid: counted, of known value, from tubes that work.
    pub(crate) fn stock(&self) -> Vec<Stock> {
        let worth = |t: CoinType| match self.setup.as_ref()?.credit(t) {
            CoinCredit::Worth(value) => Some(value),
            _ => None,
        };
        CoinType::all()
            .zip(self.tubes)
            .filter(|(t, _)| !self.defective.contains(*t))
            .filter_map(|(t, count)| {
                Some(Stock {
                    coin_type: t.get(),
                    value: worth(t)?,
                    count,
                })
            })
            .collect()
    }

    pub(crate) fn can_pay(&self, amount: Money) -> bool {
        self.step == Step::Done && make_change(amount, &self.stock()).is_some()
    }

    /// Pays an amount; the outcome comes as [`Report::PaidOut`] or [`Report::PayoutFailed`].
    pub(crate) fn pay(&mut self, amount: Money) {
        match self.plan(amount) {
            Some(plan) if self.payout.is_none() && self.step == Step::Done => {
                self.payout = Some(Payout {
                    left: amount,
                    paid: Money::ZERO,
                    plan,
                    before: self.tubes,
                    phase: PayPhase::Ordering,
                    tries: 1,
                    uncertain: false,
                });
                self.order_next();
            }
            _ => self.reports.push(Report::PayoutFailed),
        }
    }

    fn plan(&self, amount: Money) -> Option<VecDeque<(CoinType, DispenseCount)>> {
        let mut plan = VecDeque::new();
        for (coin_type, mut count) in make_change(amount, &self.stock())? {
            // One DISPENSE pays at most 15 coins (section 5.3).
            while count > 0 {
                let coins = DispenseCount::saturating(count as usize);
                plan.push_back((CoinType::of(coin_type), coins));
                count -= u32::from(coins.get());
            }
        }
        Some(plan)
    }

    fn order_next(&mut self) {
        let Some(payout) = &mut self.payout else {
            return;
        };
        match payout.plan.pop_front() {
            Some((coin_type, coins)) => {
                payout.phase = PayPhase::Ordering;
                self.wanted
                    .push_back(Command::Dispense { coin_type, coins });
            }
            None => {
                payout.phase = PayPhase::Counting;
                self.wanted.push_back(Command::TubeStatus);
            }
        }
    }

    /// Compares the tubes with what they held before the payout.
    fn count_payout(&mut self) {
        let Some(mut payout) = self.payout.take() else {
            return;
        };
        let setup = self.setup.as_ref();
        let worth = |t: CoinType| match setup.map(|s| s.credit(t)) {
            Some(CoinCredit::Worth(value)) => value,
            _ => Money::ZERO,
        };
        let out: Money = CoinType::all()
            .zip(payout.before.iter().zip(self.tubes))
            .map(|(t, (before, after))| {
                let gone = i64::from(before.saturating_sub(after));
                worth(t).checked_mul(gone).unwrap_or_default()
            })
            .sum();
        payout.paid = payout.paid.saturating_add(out);
        payout.left = payout.left.saturating_sub(out);
        payout.before = self.tubes;
        if payout.left > Money::ZERO {
            let (left, name) = (payout.left, &self.name);
            let why = if payout.uncertain {
                "a DISPENSE was not acknowledged"
            } else {
                "a tube ran dry"
            };
            let note = format!(
                "{name}: {} minor units not paid out: {why}",
                left.as_minor()
            );
            self.reports.push(Report::Notice(note));
            if payout.tries < PAYOUT_TRIES
                && let Some(plan) = self.plan(payout.left)
            {
                payout.plan = plan;
                payout.tries += 1;
                payout.uncertain = false;
                self.payout = Some(payout);
                self.order_next();
                return;
            }
        }
        let device = self.name.clone();
        self.reports.push(Report::PaidOut {
            device,
            value: payout.paid,
        });
    }

    fn took_tube_status(&mut self, status: &TubeStatus) {
        self.defective = status
            .full
            .iter()
            .filter(|t| status.is_defective(*t))
            .collect();
        for (t, count) in CoinType::all().zip(self.tubes.iter_mut()) {
            *count = u32::from(status.counts.get(t));
        }
        if self
            .payout
            .as_ref()
            .is_some_and(|p| p.phase == PayPhase::Counting)
        {
            self.count_payout();
        }
    }

    fn took_poll(&mut self, now: Micros, data: &Block, activities: &[Activity]) -> Verdict {
        let brings_money = activities.iter().any(|a| {
            matches!(
                a,
                Activity::CoinsDeposited { .. } | Activity::CoinsDispensedManually { .. }
            )
        });
        let repeated = self.guard.is_repetition(now, data, brings_money);
        if repeated {
            let note = format!(
                "{}: the same report again, its ACK was lost: not credited twice",
                self.name
            );
            self.reports.push(Report::Notice(note));
        }
        let mut verdict = if brings_money {
            Verdict::CheckRepeat
        } else {
            Verdict::Fine
        };
        let mut busy = false;
        for activity in activities {
            match activity {
                Activity::Status(Status::JustReset) => verdict = Verdict::JustReset,
                Activity::Status(Status::ChangerPayoutBusy) => busy = true,
                Activity::Status(Status::EscrowRequest) if !repeated => {
                    self.reports.push(Report::ReturnLever);
                }
                Activity::CoinsDeposited {
                    coin_type,
                    routing,
                    in_tube,
                } if !repeated => {
                    self.coin_in(*coin_type, *routing, *in_tube);
                }
                Activity::CoinsDispensedManually {
                    coin_type,
                    coins,
                    in_tube,
                } if !repeated => {
                    self.set_tube(*coin_type, *in_tube);
                    if let Some(CoinCredit::Worth(worth)) =
                        self.setup.as_ref().map(|s| s.credit(*coin_type))
                    {
                        let value = worth
                            .checked_mul(i64::from(coins.get()))
                            .unwrap_or_default();
                        self.reports.push(Report::Service {
                            device: self.name.clone(),
                            value,
                        });
                    }
                }
                Activity::CoinsDeposited { .. } | Activity::CoinsDispensedManually { .. } => {}
                other => {
                    let note = format!("{}: {other}", self.name);
                    self.reports.push(Report::Notice(note));
                }
            }
        }
        if !busy
            && self
                .payout
                .as_ref()
                .is_some_and(|p| p.phase == PayPhase::Busy)
        {
            self.order_next();
        }
        verdict
    }

    fn set_tube(&mut self, coin_type: CoinType, in_tube: u8) {
        if let Some(count) = self.tubes.get_mut(coin_type.index()) {
            *count = u32::from(in_tube);
        }
    }

    fn coin_in(&mut self, coin_type: CoinType, routing: Routing, in_tube: u8) {
        let device = self.name.clone();
        if routing == Routing::Tubes {
            self.set_tube(coin_type, in_tube);
            if let Some(payout) = &mut self.payout
                && let Some(before) = payout.before.get_mut(coin_type.index())
            {
                *before += 1;
            }
        }
        let place = match routing {
            Routing::Tubes => "to its tube",
            Routing::CashBox => "to the cash box",
            Routing::NotUsed | Routing::Reject => {
                let note = format!("{device}: coin type {coin_type} refused");
                self.reports.push(Report::Notice(note));
                return;
            }
        };
        match self.setup.as_ref().map(|s| s.credit(coin_type)) {
            Some(CoinCredit::Worth(value)) => {
                let what = format!("coin type {coin_type} {place}");
                self.reports.push(Report::Credit {
                    device,
                    value,
                    what,
                });
            }
            _ => {
                let note = format!("{device}: coin type {coin_type} has no value: not credited");
                self.reports.push(Report::Notice(note));
            }
        }
    }

    fn wanted_accept(&self) -> CoinTypes {
        CoinType::all()
            .filter(|t| match self.setup.as_ref().map(|s| s.credit(*t)) {
                Some(CoinCredit::Worth(value)) => !self.refused.contains(&value),
                _ => false,
            })
            .collect()
    }

    fn coin_type_command(&self) -> Command {
        Command::CoinType {
            accept: self.accept,
            manual_dispense: CoinTypes::ALL,
        }
    }
}

impl Driver for Changer {
    fn poll(&self) -> Block {
        Command::Poll.emit()
    }

    fn reset(&self) -> Block {
        Command::Reset.emit()
    }

    fn begin_setup(&mut self, now: Micros) {
        self.step = Step::Setup;
        self.reset_seen = now;
        self.sent_accept = None;
        self.wanted.clear();
        self.guard = RepeatGuard::default();
        if let Some(payout) = self.payout.take() {
            // What came out before the reset is only known from the tubes, once they are read.
            self.payout = Some(Payout {
                phase: PayPhase::Counting,
                uncertain: true,
                ..payout
            });
        }
    }

    fn next_setup(&mut self, now: Micros) -> Next {
        let command = match self.step {
            Step::Setup => Command::Setup,
            Step::Identification => Command::Identification,
            Step::FeatureEnable => Command::FeatureEnable(self.offered & USED),
            Step::DiagnosticStatus => Command::SendDiagnosticStatus,
            // At least 500 ms after a reset, for some older changers (section 5.3, note 1).
            Step::TubeStatus if now < self.reset_seen + TUBE_STATUS_DELAY => {
                return Next::Wait(self.reset_seen + TUBE_STATUS_DELAY);
            }
            Step::TubeStatus => Command::TubeStatus,
            Step::CoinType => {
                self.accept = self.wanted_accept();
                self.coin_type_command()
            }
            Step::Done => return Next::Done,
        };
        Next::Send(command.emit())
    }

    fn answered(&mut self, now: Micros, command: &Block, data: Option<&Block>) -> Verdict {
        let Ok(command) = Command::parse(command.bytes()) else {
            return Verdict::Fine;
        };
        let response = data.map(|d| (d, Response::parse(&command, d.bytes())));
        let mut verdict = Verdict::Fine;
        match (&command, response) {
            (_, Some((_, Err(error)))) => {
                let note = format!(
                    "{}: answer to {} not understood: {error}",
                    self.name,
                    command.name()
                );
                self.reports.push(Report::Notice(note));
            }
            (Command::Poll, Some((block, Ok(Response::Poll(activities))))) => {
                return self.took_poll(now, block, &activities);
            }
            (Command::Poll, None) => {
                self.guard.quiet();
                if self
                    .payout
                    .as_ref()
                    .is_some_and(|p| p.phase == PayPhase::Busy)
                {
                    self.order_next();
                }
            }
            (Command::Setup, Some((_, Ok(Response::Setup(setup))))) => {
                self.step = if setup.level >= 3 {
                    Step::Identification
                } else {
                    Step::TubeStatus
                };
                self.setup = Some(setup);
            }
            (Command::Identification, Some((_, Ok(Response::Identification(id))))) => {
                self.offered = id.features;
                self.step = Step::FeatureEnable;
            }
            (Command::FeatureEnable(on), None) => {
                let diagnostic = on.contains(Features::EXTENDED_DIAGNOSTIC);
                self.step = if diagnostic {
                    Step::DiagnosticStatus
                } else {
                    Step::TubeStatus
                };
            }
            (Command::SendDiagnosticStatus, answer) => {
                if let Some((_, Ok(Response::DiagnosticStatus(codes)))) = answer {
                    for code in codes.iter().filter(|c| **c != DiagnosticCode::OK) {
                        self.reports
                            .push(Report::Notice(format!("{}: {code}", self.name)));
                    }
                }
                if self.step == Step::DiagnosticStatus {
                    self.step = Step::TubeStatus;
                }
            }
            (Command::TubeStatus, Some((_, Ok(Response::TubeStatus(status))))) => {
                self.took_tube_status(&status);
                if self.step == Step::TubeStatus {
                    self.step = Step::CoinType;
                }
            }
            (Command::CoinType { accept, .. }, None) => {
                self.sent_accept = Some(*accept);
                if self.step == Step::CoinType {
                    self.step = Step::Done;
                }
            }
            (Command::Dispense { .. }, None) => {
                if let Some(payout) = &mut self.payout {
                    payout.phase = PayPhase::Busy;
                }
            }
            _ => verdict = Verdict::Fine,
        }
        verdict
    }

    fn unanswered(&mut self, _: Micros, command: &Block) -> bool {
        match Command::parse(command.bytes()) {
            Ok(Command::Dispense { .. }) => {
                if let Some(payout) = &mut self.payout {
                    payout.uncertain = true;
                    payout.phase = PayPhase::Busy;
                    payout.plan.clear();
                }
                false
            }
            _ => true,
        }
    }

    fn lost(&mut self, _: Micros) {
        self.reports.push(Report::Notice(format!(
            "{} does not answer any more",
            self.name
        )));
    }
}
