//! The board's driver for a cashless device (MDB/ICP 4.3, section 7).
//!
//! The driver keeps to the command protocol of 7.3: while an answer is owed nothing but VEND CANCEL
//! is sent, and a vend is not interrupted by anything that is not part of it. So there are two
//! queues: `wanted`, what belongs to the session, in order; and `aside`, what may wait until no vend
//! is under way. A command stays at the head of its queue until it is acknowledged.

mod answers;
mod clock;
mod config;
mod orders;
mod patience;
mod setup;

pub use clock::{Calendar, Clock};
pub use config::{CashlessUse, VmcIdentity};

use crate::drivers::channel::{Driver, Setup as Next, Verdict};
use crate::drivers::report::Report;
use patience::{Owed, What};
use payrig_mdb::Block;
use payrig_mdb::cashless::{
    Command, Kind, Level, Malfunction, Mode, Negotiation, Options, ReaderConfig, Response, Unit,
};
use payrig_units::{Amount, Decimals, Micros, Money};
use setup::Step;
use std::collections::VecDeque;

/// How many sales are kept for a reader that is away (CASH SALE, 7.4.10).
const AUDIT_ROOM: usize = 64;

/// Where the conversation is, as the board knows it (section 7.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// No session: Disabled or Enabled.
    Closed,
    /// Session Idle.
    Idle,
    /// Vend, Negative Vend: the decision is awaited.
    Asked,
    /// The same, withdrawn by the board: VEND DENIED is awaited (7.4.6).
    Withdrawn,
    /// VEND APPROVED was heard; what became of it is to be reported.
    Approved,
    /// SESSION COMPLETE was sent.
    Ending,
}

/// Which queue the command on the wire is from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lane {
    Wanted,
    Aside,
}

/// A command to be sent.
#[derive(Clone, Debug)]
struct Wanted {
    kind: Kind,
    /// It went out at least once.
    sent: bool,
}

/// What a board is to its readers.
#[derive(Clone, Debug)]
pub(crate) struct Board {
    pub(crate) level: Level,
    pub(crate) identity: VmcIdentity,
    pub(crate) uses: CashlessUse,
    /// The lowest and the highest price.
    pub(crate) prices: (Money, Money),
}

/// The driver.
#[derive(Clone, Debug)]
pub(crate) struct Cashless {
    name: String,
    unit: Unit,
    board: Board,
    step: Step,
    tries: u32,
    negotiation: Negotiation,
    reader: Option<ReaderConfig>,
    offered: Options,
    phase: Phase,
    owed: Option<Owed>,
    wanted: VecDeque<Wanted>,
    aside: VecDeque<Wanted>,
    out: Option<Lane>,
    /// A POLL goes out before the next command.
    poll_first: bool,
    /// Cards are welcome (READER ENABLE / DISABLE).
    enabled: bool,
    /// What the last VEND APPROVED allows.
    approved: Money,
    /// An error that lasts, reported once.
    fault: Option<Malfunction>,
    reports: Vec<Report>,
}

impl Cashless {
    /// A driver for the reader called `name`.
    pub(crate) fn new(name: String, unit: Unit, board: Board) -> Self {
        Self {
            name,
            unit,
            board,
            step: Step::Confirm,
            tries: 0,
            negotiation: Negotiation::new(),
            reader: None,
            offered: Options::NONE,
            phase: Phase::Closed,
            owed: None,
            wanted: VecDeque::new(),
            aside: VecDeque::new(),
            out: None,
            poll_first: false,
            enabled: true,
            approved: Money::ZERO,
            fault: None,
            reports: Vec::new(),
        }
    }

    pub(crate) fn unit(&self) -> Unit {
        self.unit
    }

    /// Reports since the last call, appended to others.
    pub(crate) fn take_reports(&mut self, into: &mut Vec<Report>) {
        into.append(&mut self.reports);
    }

    /// True while a command other than POLL is to be sent, or an answer is owed.
    pub(crate) fn is_busy(&self) -> bool {
        self.owed.is_some() || !self.wanted.is_empty() || !self.aside.is_empty()
    }

    /// Non-response time: 5 s, or what the reader said when that is more (section 7.5).
    pub(crate) fn non_response(&self) -> Micros {
        Micros::secs(u64::from(
            self.reader.map_or(5, |r| r.non_response_seconds()),
        ))
    }

    fn mode(&self) -> Mode {
        self.negotiation.mode()
    }

    fn block(&self, kind: &Kind) -> Block {
        Command::new(self.unit, kind.clone()).emit(&self.mode())
    }

    /// A price in the reader's counts; says so when its scaling cannot express it.
    fn count(&mut self, price: Money) -> Option<u32> {
        let scaling = self.reader?.scaling();
        match scaling.to_count(price.as_minor(), self.mode().money_max() - 1) {
            Ok(count) => Some(count),
            Err(error) => {
                self.note(error);
                None
            }
        }
    }

    /// The largest count that is no more than this.
    fn count_down(&self, amount: Money) -> u32 {
        let step = self.reader.map_or(1, |r| i64::from(r.scale.max(1)));
        let counts = amount.as_minor().max(0) / step;
        let top = self.mode().money_max() - 1;
        u32::try_from(counts).unwrap_or(top).min(top)
    }

    fn money(&self, count: u32) -> Money {
        Money(self.reader.map_or(0, |r| r.scaling().to_minor(count)))
    }

    /// An amount as the reader's decimal places have it.
    fn show(&self, amount: Money) -> Amount {
        amount.show(Decimals(self.reader.map_or(2, |r| r.decimals)))
    }

    fn note(&mut self, text: impl std::fmt::Display) {
        self.reports
            .push(Report::Notice(format!("{}: {text}", self.name)));
    }

    /// From which queue the next command comes; `None` when the reader is to be POLLed.
    fn lane(&self) -> Option<Lane> {
        if self.poll_first {
            return None;
        }
        let next = self.wanted.front().map(|w| &w.kind);
        match self.owed {
            Some(Owed {
                what: What::Decision,
                ..
            }) => return matches!(next, Some(Kind::VendCancel)).then_some(Lane::Wanted),
            Some(_) => return None,
            None => {}
        }
        let calm = matches!(self.phase, Phase::Closed | Phase::Idle);
        match next {
            Some(_) => Some(Lane::Wanted),
            None if calm && !self.aside.is_empty() => Some(Lane::Aside),
            None => None,
        }
    }

    fn queue(&mut self, lane: Lane) -> &mut VecDeque<Wanted> {
        match lane {
            Lane::Wanted => &mut self.wanted,
            Lane::Aside => &mut self.aside,
        }
    }

    /// Forgets commands that are no longer wanted. True when there were any.
    fn forget(&mut self, which: impl Fn(&Wanted) -> bool) -> bool {
        let before = self.wanted.len() + self.aside.len();
        self.wanted.retain(|w| !which(w));
        self.aside.retain(|w| !which(w));
        before != self.wanted.len() + self.aside.len()
    }

    /// The reader starts anew, by itself or because it was ordered to: what was under way is over.
    fn lose(&mut self) {
        let failed = |w: &Wanted| matches!(w.kind, Kind::VendFailure(_));
        if self.forget(failed) {
            let amount = self.show(self.approved);
            self.note(format_args!(
                "reset before VEND FAILURE was heard: it keeps {amount} for nothing (7.4.7, note)"
            ));
        }
        let session = self.phase != Phase::Closed;
        let asked = self.forget(|w| matches!(w.kind, Kind::VendRequest(_)));
        self.wanted.clear();
        // Sales made meanwhile are reported when it is back.
        self.aside.retain(|w| matches!(w.kind, Kind::CashSale(_)));
        for waiting in &mut self.aside {
            waiting.sent = false;
        }
        self.phase = Phase::Closed;
        self.owed = None;
        self.out = None;
        self.poll_first = false;
        self.fault = None;
        // A coupon or keys may be under way without a session.
        if session || asked || self.is_set_up() {
            let device = self.name.clone();
            self.reports.push(Report::SessionLost { device });
        }
    }
}

impl Driver for Cashless {
    fn poll(&self) -> Block {
        self.block(&Kind::Poll)
    }

    fn reset(&self) -> Block {
        self.block(&Kind::Reset)
    }

    fn begin_setup(&mut self, _: Micros) {
        self.lose();
        self.step = Step::Confirm;
        self.tries = 0;
        self.negotiation = Negotiation::new();
    }

    fn next_setup(&mut self, now: Micros) -> Next {
        self.setup_step(now)
    }

    fn answered(&mut self, now: Micros, block: &Block, data: Option<&Block>) -> Verdict {
        let mode = self.mode();
        let Ok((command, _)) = Command::parse_any(block.bytes(), &mode) else {
            return Verdict::Fine;
        };
        self.negotiation.command(&command);
        let out = self.out.take().filter(|_| command.kind != Kind::Poll);
        match out.and_then(|lane| self.queue(lane).pop_front()) {
            Some(done) => self.heard(now, &done.kind),
            None if command.kind == Kind::Poll => self.poll_heard(data.is_some()),
            None => self.setup_heard(now, &command.kind),
        }
        let mut verdict = Verdict::Fine;
        if let Some(data) = data {
            match Response::parse_any(&command, data.bytes(), &self.mode()) {
                Ok((response, _)) => {
                    self.negotiation.response(&response);
                    for activity in response.reports() {
                        match self.took(now, activity) {
                            Verdict::Fine => {}
                            other => verdict = other,
                        }
                    }
                }
                Err(error) => self.note(format_args!("answer not understood: {error}")),
            }
        }
        if self.step == Step::Confirm && command.kind == Kind::Poll && verdict == Verdict::Fine {
            self.step = Step::Config;
        }
        match self.check_patience(now) {
            Verdict::Fine => verdict,
            other => other,
        }
    }

    /// In the form that was agreed on: a part of a longer form may read as a whole shorter one.
    fn reads(&self, block: &Block, data: &Block) -> bool {
        let mode = self.mode();
        Command::parse_any(block.bytes(), &mode)
            .is_ok_and(|(command, _)| Response::parse(&command, data.bytes(), &mode).is_ok())
    }

    fn unanswered(&mut self, _: Micros, _: &Block) -> bool {
        // Every command of section 7 may be repeated: a vend is charged once per VEND state, not
        // per message (7.2.5).
        self.out = None;
        true
    }

    fn lost(&mut self, _: Micros) {
        self.note("does not answer any more");
        self.lose();
    }

    fn choose(&mut self, _: Micros) -> Option<Block> {
        let lane = self.lane()?;
        let waiting = self.queue(lane).front_mut()?;
        waiting.sent = true;
        let kind = waiting.kind.clone();
        self.out = Some(lane);
        match kind {
            Kind::VendRequest(_) | Kind::NegativeVendRequest { .. } => self.phase = Phase::Asked,
            Kind::SessionComplete => self.phase = Phase::Ending,
            _ => {}
        }
        Some(self.block(&kind))
    }

    fn has_choice(&self) -> bool {
        self.step == Step::Done && self.lane().is_some()
    }
}
