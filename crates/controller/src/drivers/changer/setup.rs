//! The initialization sequence (MDB/ICP 4.3, section 5.3, RESET).

use super::Changer;
use crate::drivers::channel::Setup as Next;
use crate::drivers::report::Report;
use payrig_mdb::changer::{Command, Features, Response, TUBE_STATUS_DELAY};
use payrig_units::Micros;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Step {
    Setup,
    Identification,
    FeatureEnable,
    DiagnosticStatus,
    ManualFill,
    ManualPayout,
    TubeStatus,
    CoinType,
    Done,
}

/// After an answer of no use the same is asked again this much later.
const ASK_AGAIN: Micros = Micros::secs(1);

/// How often, and how long, a step that a board can do without is tried.
const TRIES: u32 = 5;
const GIVE_UP: Micros = Micros::secs(5);

impl Changer {
    pub(super) fn begin(&mut self, now: Micros) {
        self.go_on(now, Step::Setup);
        self.reset_seen = now;
        self.offered = Features::NONE;
        self.enabled = Features::NONE;
        self.asked_types = None;
        self.conditions.clear();
        self.busy_for_ever = false;
        self.wanted.clear();
        self.again.clear();
        self.payout_interrupted();
    }

    /// The next step of the sequence; commands of level 3 only to a changer of level 3.
    pub(super) fn next_step(&mut self, now: Micros) -> Next {
        let optional = self.step > Step::Setup && self.step < Step::TubeStatus;
        if optional && self.tries >= TRIES && now.since(self.step_since) >= GIVE_UP {
            let command = self.step_command().map_or("", |c| c.name());
            self.notice(format!("no answer to {command} that is of use: left out"));
            self.go_on(now, self.step_after());
        }
        if self.step == Step::TubeStatus && now < self.reset_seen + TUBE_STATUS_DELAY {
            // At least 500 ms after a reset, for some older changers (section 5.3, note 1).
            return Next::Wait(self.reset_seen + TUBE_STATUS_DELAY);
        }
        if now < self.ask_at {
            return Next::Wait(self.ask_at);
        }
        self.tries = self.tries.saturating_add(1);
        match self.step_command() {
            Some(command) => Next::Send(command.emit()),
            None => Next::Done,
        }
    }

    fn step_command(&mut self) -> Option<Command> {
        Some(match self.step {
            Step::Setup => Command::Setup,
            Step::Identification => Command::Identification,
            Step::FeatureEnable => Command::FeatureEnable(self.offered & self.used()),
            Step::DiagnosticStatus => Command::SendDiagnosticStatus,
            Step::ManualFill => Command::SendControlledManualFillReport,
            Step::ManualPayout => Command::SendControlledManualPayoutReport,
            Step::TubeStatus => Command::TubeStatus,
            Step::CoinType => self.coin_types(),
            Step::Done => return None,
        })
    }

    /// Features this board uses where the changer offers them.
    fn used(&self) -> Features {
        let used = Features::EXTENDED_DIAGNOSTIC
            .with(Features::MANUAL_FILL_PAYOUT)
            .with(Features::FTL);
        if self.policy.alternative_payout {
            used.with(Features::ALTERNATIVE_PAYOUT)
        } else {
            used
        }
    }

    fn step_after(&self) -> Step {
        let has = |feature| self.enabled.contains(feature);
        match self.step {
            Step::Setup if self.level() >= 3 => Step::Identification,
            Step::Identification => Step::FeatureEnable,
            Step::FeatureEnable if has(Features::EXTENDED_DIAGNOSTIC) => Step::DiagnosticStatus,
            Step::FeatureEnable | Step::DiagnosticStatus if has(Features::MANUAL_FILL_PAYOUT) => {
                Step::ManualFill
            }
            Step::ManualFill => Step::ManualPayout,
            Step::Setup | Step::FeatureEnable | Step::DiagnosticStatus | Step::ManualPayout => {
                Step::TubeStatus
            }
            Step::TubeStatus => Step::CoinType,
            Step::CoinType | Step::Done => Step::Done,
        }
    }

    fn go_on(&mut self, now: Micros, step: Step) {
        self.step = step;
        self.tries = 0;
        self.step_since = now;
        self.ask_at = now;
    }

    /// An answer: does it end the step that is under way?
    pub(super) fn step_answered(
        &mut self,
        now: Micros,
        command: &Command,
        response: Option<&Response>,
    ) {
        match (self.step, command, response) {
            (Step::Setup, Command::Setup, Some(Response::Setup(setup))) => {
                if setup.scaling_factor == 0 {
                    self.notice("scaling factor 0: its coins have no value".to_owned());
                }
                self.setup = Some(setup.clone());
                self.setups = self.setups.wrapping_add(1);
            }
            (Step::Identification, Command::Identification, Some(Response::Identification(id))) => {
                self.offered = id.features
            }
            (Step::FeatureEnable, Command::FeatureEnable(on), None) => self.enabled = *on,
            // ACK alone: there is nothing to say.
            (Step::DiagnosticStatus, Command::SendDiagnosticStatus, _)
            | (Step::ManualFill, Command::SendControlledManualFillReport, _)
            | (Step::ManualPayout, Command::SendControlledManualPayoutReport, _)
            | (Step::TubeStatus, Command::TubeStatus, Some(_))
            | (Step::CoinType, Command::CoinType { .. }, None) => {}
            _ => return self.step_unreadable(now, command),
        }
        self.go_on(now, self.step_after());
    }

    /// An answer of no use to the step's question: asked again, a little later.
    pub(super) fn step_unreadable(&mut self, now: Micros, command: &Command) {
        if self.step != Step::Done && self.step_command().as_ref() == Some(command) {
            self.ask_at = now + ASK_AGAIN;
        }
    }

    fn level(&self) -> u8 {
        self.setup.as_ref().map_or(2, |s| s.level)
    }

    /// Queues a command, unless the changer's level or features do not have it (section 2.4.4).
    pub(super) fn want(&mut self, command: Command) {
        let feature = match &command {
            Command::Payout { .. } | Command::PayoutStatus | Command::PayoutValuePoll => {
                Features::ALTERNATIVE_PAYOUT
            }
            Command::SendDiagnosticStatus => Features::EXTENDED_DIAGNOSTIC,
            Command::SendControlledManualFillReport | Command::SendControlledManualPayoutReport => {
                Features::MANUAL_FILL_PAYOUT
            }
            _ => Features::NONE,
        };
        let known = !command.is_expansion() || self.level() >= 3;
        if known && self.enabled.contains(feature) {
            self.wanted.push_back(command);
        }
    }

    pub(super) fn notice(&mut self, text: String) {
        let text = format!("{}: {text}", self.name);
        self.reports.push(Report::Notice(text));
    }
}
