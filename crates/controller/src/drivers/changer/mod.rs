//! The board's driver for a coin changer (MDB/ICP 4.3, section 5).

mod activity;
mod guard;
mod payout;
mod service;
mod setup;

use crate::change::Stock;
use crate::drivers::channel::{Driver, Setup as Next, Verdict};
use crate::drivers::report::Report;
use guard::Guard;
use payout::Payout;
use payrig_mdb::Block;
use payrig_mdb::changer::{
    CoinCredit, CoinType, CoinTypes, Command, DiagnosticCode, DispenseCount, Features, Response,
    Setup, Status, TubeStatus,
};
use payrig_units::{Decimals, Micros, Money};
use service::ByHand;
use setup::Step;
use std::collections::VecDeque;

/// What the standard leaves to the board (MDB/ICP 4.3, section 5.3).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangerPolicy {
    /// Let the changer choose the coins (PAYOUT instead of DISPENSE), where it offers that (b0).
    pub alternative_payout: bool,
    /// The changer's inventory switches work outside payouts (COIN TYPE, Y3-Y4).
    pub manual_dispense: bool,
    /// Vend tokens are accepted, each for one item of any price (SETUP, credit FFH).
    pub tokens: bool,
    /// Coins of one DISPENSE, at most 15. How many of them came out only the tubes show:
    /// when one runs dry or jams in between, that is not known, unless each coin is ordered by
    /// itself. A payout goes on so once that has happened.
    pub coins_per_dispense: DispenseCount,
    /// From one SEND DIAGNOSTIC STATUS to the next, where the changer offers it (b1): about every
    /// 1 to 10 s (section 5.3, 0FH 05H).
    pub diagnose_every: Micros,
    /// No coins are taken while the credit is this or more (section 5.6: acceptance is suspended
    /// when the highest price is reached); `None` for no such limit.
    pub credit_limit: Option<Money>,
}

/// DISPENSE of up to 15 coins, switches on, tokens refused, diagnostics every 5 s, no limit.
impl Default for ChangerPolicy {
    fn default() -> Self {
        Self {
            alternative_payout: false,
            manual_dispense: true,
            tokens: false,
            coins_per_dispense: DispenseCount::MAX,
            diagnose_every: Micros::secs(5),
            credit_limit: None,
        }
    }
}

/// The driver.
#[derive(Clone, Debug)]
pub(crate) struct Changer {
    name: String,
    policy: ChangerPolicy,
    refused: Vec<Money>,
    /// Coins are wanted at all.
    welcome: bool,

    step: Step,
    step_since: Micros,
    tries: u32,
    ask_at: Micros,
    reset_seen: Micros,
    setup: Option<Setup>,
    /// How often SETUP was answered.
    setups: u32,
    offered: Features,
    enabled: Features,

    tubes: [u32; 16],
    defective: CoinTypes,
    /// The COIN TYPE command last asked for.
    asked_types: Option<Command>,
    guard: Guard,
    conditions: Vec<Status>,
    /// CHANGER PAYOUT BUSY is not believed any more, until the changer is reset.
    busy_for_ever: bool,
    codes: Vec<DiagnosticCode>,
    diagnose_at: Micros,
    /// Coins filled in by hand, as last reported.
    filled: ByHand,
    /// Coins paid out by hand, as last reported.
    paid_by_hand: ByHand,
    /// An answer that cannot be read is noticed once.
    unreadable: String,
    /// To be asked again after the next POLL.
    again: Vec<Command>,

    payout: Option<Payout>,
    wanted: VecDeque<Command>,
    reports: Vec<Report>,
}

/// What the coins that can be paid depend on: where it is equal, so are they.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct StockBasis {
    setups: u32,
    usable: bool,
    tubes: [u32; 16],
    defective: CoinTypes,
}

/// What a coin of this type is worth; nothing where that is not known, and for tokens.
fn worth(setup: Option<&Setup>, coin_type: CoinType) -> Money {
    match setup.map(|s| s.credit(coin_type)) {
        Some(CoinCredit::Worth(value)) => value,
        _ => Money::ZERO,
    }
}

impl Changer {
    /// A driver for the changer called `name`, refusing coins of these values.
    pub(crate) fn new(name: String, refused: Vec<Money>, policy: ChangerPolicy) -> Self {
        Self {
            name,
            policy,
            refused,
            welcome: true,
            step: Step::Setup,
            step_since: Micros::ZERO,
            tries: 0,
            ask_at: Micros::ZERO,
            reset_seen: Micros::ZERO,
            setup: None,
            setups: 0,
            offered: Features::NONE,
            enabled: Features::NONE,
            tubes: [0; 16],
            defective: CoinTypes::NONE,
            asked_types: None,
            guard: Guard::default(),
            conditions: Vec::new(),
            busy_for_ever: false,
            codes: Vec::new(),
            diagnose_at: Micros::ZERO,
            filled: ByHand::default(),
            paid_by_hand: ByHand::default(),
            unreadable: String::new(),
            again: Vec::new(),
            payout: None,
            wanted: VecDeque::new(),
            reports: Vec::new(),
        }
    }

    pub(crate) fn take_wanted(&mut self) -> Option<Command> {
        self.wanted.pop_front()
    }

    /// Reports since the last call, appended to others.
    pub(crate) fn take_reports(&mut self, into: &mut Vec<Report>) {
        into.append(&mut self.reports);
    }

    /// Coins that can be paid: counted, of known value, from tubes that work.
    pub(crate) fn stock(&self) -> Vec<Stock> {
        let setup = self.setup.as_ref();
        CoinType::all()
            .zip(self.tubes)
            .filter(|(t, _)| !self.defective.contains(*t))
            .map(|(t, count)| Stock {
                coin_type: t.get(),
                value: worth(setup, t),
                count,
            })
            .filter(|stock| stock.value > Money::ZERO)
            .collect()
    }

    /// What [`stock`](Self::stock) depends on.
    pub(crate) fn stock_basis(&self) -> StockBasis {
        StockBasis {
            setups: self.setups,
            usable: self.step == Step::Done,
            tubes: self.tubes,
            defective: self.defective,
        }
    }

    fn decimals(&self) -> Decimals {
        Decimals(self.setup.as_ref().map_or(2, |s| s.decimals))
    }

    /// Coins are wanted, or not: in service mode, when the highest price is reached, while a token
    /// is there (section 5.6).
    pub(crate) fn set_welcome(&mut self, welcome: bool) {
        if std::mem::replace(&mut self.welcome, welcome) == welcome {
            return;
        }
        if self.step == Step::Done && self.payout.is_none() {
            if welcome {
                // The enable sequence begins with the tubes (section 5.6).
                self.want(Command::TubeStatus);
            }
            self.want_coin_types();
        }
    }

    fn acceptable(&self, coin_type: CoinType) -> bool {
        match self.setup.as_ref().map(|s| s.credit(coin_type)) {
            Some(CoinCredit::Worth(value)) => value > Money::ZERO && !self.refused.contains(&value),
            Some(CoinCredit::Token) => self.policy.tokens,
            _ => false,
        }
    }

    /// COIN TYPE as it should be now. During a payout neither coins nor switches may disturb the
    /// tubes.
    fn coin_types(&mut self) -> Command {
        let open = self.welcome && self.payout.is_none();
        let accept = CoinType::all().filter(|t| open && self.acceptable(*t));
        let switches = self.policy.manual_dispense && self.payout.is_none();
        let command = Command::CoinType {
            accept: accept.collect(),
            manual_dispense: if switches {
                CoinTypes::ALL
            } else {
                CoinTypes::NONE
            },
        };
        self.asked_types = Some(command.clone());
        command
    }

    /// Queues COIN TYPE if it has to change. False when it has not.
    fn want_coin_types(&mut self) -> bool {
        let before = self.asked_types.clone();
        let command = self.coin_types();
        if before.as_ref() == Some(&command) || self.step != Step::Done {
            return false;
        }
        self.want(command);
        true
    }

    fn took_tube_status(&mut self, status: &TubeStatus) {
        let bad: CoinTypes = status
            .full
            .iter()
            .filter(|t| status.is_defective(*t))
            .collect();
        let known = std::mem::replace(&mut self.defective, bad);
        for coin_type in bad.iter().filter(|t| !known.contains(*t)) {
            self.notice(format!("tube {coin_type} is reported defective"));
        }
        for (t, count) in CoinType::all().zip(self.tubes.iter_mut()) {
            *count = u32::from(status.counts.get(t));
        }
        self.payout_tubes_read();
    }

    fn ask_again(&mut self, command: Command) {
        if !self.again.contains(&command) {
            self.again.push(command);
        }
    }

    fn took(&mut self, now: Micros, command: &Command, response: &Response) -> Verdict {
        match response {
            Response::Poll(activities) => return self.took_poll(now, activities),
            Response::TubeStatus(status) => self.took_tube_status(status),
            Response::DiagnosticStatus(codes) => self.took_codes(now, codes),
            Response::ManualFillReport(counts) => self.took_manual_fill(counts),
            Response::ManualPayoutReport(counts) => self.took_manual_payout(counts),
            Response::PayoutStatus(coins) => self.itemised(Some(*coins)),
            Response::PayoutValue(value) => self.value_polled(Some(*value)),
            Response::Setup(_) | Response::Identification(_) => {}
            Response::Ftl(_) | Response::Diagnostics(_) => {
                self.notice(format!("answered {} with {response}", command.name()));
            }
        }
        Verdict::Fine
    }

    fn acknowledged(&mut self, now: Micros, command: &Command) {
        match command {
            Command::Poll => {
                self.guard.quiet();
                self.conditions.clear();
                self.payout_polled(now, false, false);
            }
            Command::CoinType { accept, .. } if accept.is_empty() => self.payout_disabled(),
            Command::Dispense { .. } | Command::Payout { .. } => self.ordered(now, true),
            Command::PayoutValuePoll => self.value_polled(None),
            Command::PayoutStatus => self.itemised(None),
            // A changer has tubes to report: counts that begin with 00H look like ACK where a mode
            // bit was turned. Asked again with the next POLL.
            Command::TubeStatus if self.step == Step::Done => self.ask_again(command.clone()),
            // No coins moved by hand: the same holds, so that none is believed when reported twice.
            Command::SendControlledManualFillReport
                if self.step == Step::Done && self.filled.is_first_none() =>
            {
                self.ask_again(command.clone());
            }
            Command::SendControlledManualPayoutReport
                if self.step == Step::Done && self.paid_by_hand.is_first_none() =>
            {
                self.ask_again(command.clone());
            }
            _ => {}
        }
    }
}

impl Driver for Changer {
    fn poll(&self) -> Block {
        Command::Poll.emit()
    }

    fn choose(&mut self, _: Micros) -> Option<Block> {
        self.value_poll().map(|command| command.emit())
    }

    fn reset(&self) -> Block {
        Command::Reset.emit()
    }

    fn begin_setup(&mut self, now: Micros) {
        self.begin(now);
    }

    fn next_setup(&mut self, now: Micros) -> Next {
        self.next_step(now)
    }

    fn answered(&mut self, now: Micros, command: &Block, data: Option<&Block>) -> Verdict {
        let Ok(command) = Command::parse(command.bytes()) else {
            return Verdict::Fine;
        };
        self.diagnose_in_time(now);
        if command == Command::Poll {
            for again in std::mem::take(&mut self.again) {
                self.want(again);
            }
        }
        match data.map(|d| Response::parse(&command, d.bytes())) {
            None => {
                self.acknowledged(now, &command);
                self.step_answered(now, &command, None);
                Verdict::Fine
            }
            Some(Ok(response)) => {
                let verdict = self.took(now, &command, &response);
                if verdict != Verdict::JustReset {
                    self.step_answered(now, &command, Some(&response));
                }
                verdict
            }
            Some(Err(error)) => {
                let note = format!("answer to {} not understood: {error}", command.name());
                if self.unreadable != note {
                    self.notice(note.clone());
                    self.unreadable = note;
                }
                self.step_unreadable(now, &command);
                match command {
                    // It has been acknowledged, so the changer may have forgotten it.
                    Command::PayoutStatus => self.count(true),
                    // A valid block all the same, as of a turned mode bit: asked again with the
                    // next POLL.
                    Command::TubeStatus | Command::CoinType { .. } if self.step == Step::Done => {
                        self.ask_again(command);
                    }
                    // The tubes will show whether it was carried out.
                    Command::Dispense { .. } | Command::Payout { .. } => self.ordered(now, false),
                    _ => {}
                }
                Verdict::Fine
            }
        }
    }

    fn reads(&self, command: &Block, data: &Block) -> bool {
        Command::parse(command.bytes())
            .is_ok_and(|command| Response::parse(&command, data.bytes()).is_ok())
    }

    /// Section 5.3; unsent bytes of SETUP, TUBE STATUS and the lists of coins by type are zero.
    fn full_length(&self, command: &Block) -> Option<usize> {
        match Command::parse(command.bytes()).ok()? {
            Command::Setup => Some(23),
            Command::TubeStatus => Some(18),
            Command::Identification => Some(33),
            Command::PayoutStatus
            | Command::SendControlledManualFillReport
            | Command::SendControlledManualPayoutReport => Some(16),
            _ => None,
        }
    }

    fn unanswered(&mut self, now: Micros, command: &Block) -> bool {
        match Command::parse(command.bytes()) {
            Ok(Command::Dispense { .. } | Command::Payout { .. }) => {
                self.ordered(now, false);
                false
            }
            _ => true,
        }
    }

    fn lost(&mut self, _: Micros) {
        self.notice("does not answer any more".to_owned());
        self.wanted.clear();
        self.payout_interrupted();
    }
}
