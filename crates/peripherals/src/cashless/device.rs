//! The device: what it remembers, and its half of [`Device`].

mod account;
mod acts;
mod commands;
mod extras;
mod revalue;
mod session;
mod settle;
mod vend;

pub use account::Card;
pub use acts::Coupon;

use super::outbox::Outbox;
use super::state::{Phase, Stage};
use super::{CashlessConfig, CashlessState, WhileBusy};
use crate::{Device, Reply};
use account::Account;
use acts::Selection;
use extras::DataEntry;
use payrig_mdb::cashless::{
    Command, Kind, Level, Malfunction, Mode, Options, PriceRange, Report, TimeDate, VmcConfig,
    length_in,
};
use payrig_mdb::ftl::Station;
use payrig_mdb::{Address, Block, Length};
use payrig_units::{Micros, Money, Movement};
use settle::Refund;
use std::collections::BTreeMap;

/// An emulated cashless device: a state machine without clock or I/O.
#[derive(Clone, Debug)]
pub struct CashlessDevice {
    config: CashlessConfig,
    powered: bool,
    phase: Phase,
    /// SETUP config data as received since the last reset.
    vmc: Option<VmcConfig>,
    /// SETUP max / min prices as received since the last reset.
    prices: Option<PriceRange>,
    /// Options the VMC enabled.
    options: Options,
    /// READER ENABLE / DISABLE, as last received.
    wanted: bool,
    /// JUST RESET is due.
    just_reset: bool,
    /// JUST RESET is what awaits an ACK.
    just_reset_in_flight: bool,
    outbox: Outbox,
    /// The last command that was no POLL: to know a repetition.
    last_command: Option<Block>,
    /// The VMC has acknowledged a report since then: the same command again is a new one.
    heard_since: bool,
    /// The account of the card in use, or last used.
    account: Option<Account>,
    /// A card is in or at the reader.
    card_in: bool,
    /// The account takes part in a session or waits for one.
    account_open: bool,
    /// Vends approved in this session.
    vends: u32,
    /// SESSION CANCEL REQUEST follows the vend under way.
    cancel_after: bool,
    selection: Option<Selection>,
    coupon: Option<Coupon>,
    data_entry: Option<DataEntry>,
    refund: Option<Refund>,
    /// A malfunction that lasts.
    fault: Option<Malfunction>,
    files: BTreeMap<u8, Vec<u8>>,
    time: Option<TimeDate>,
    ftl: Station,
    /// A message of the file transport layer awaits an ACK.
    ftl_in_flight: bool,
    last_heard: Micros,
    last_answer: Micros,
    movements: Vec<Movement>,
    notes: Vec<String>,
}

impl CashlessDevice {
    /// A device that has just got power.
    #[must_use]
    pub fn new(config: CashlessConfig) -> Self {
        let just_reset = !config.quirks.no_just_reset;
        let manufacturer = [config.id.maker.as_slice(), &config.id.model].concat();
        Self {
            ftl: Station::new(config.unit.address(), manufacturer),
            ftl_in_flight: false,
            config,
            powered: true,
            phase: Phase::Inactive,
            vmc: None,
            prices: None,
            options: Options::NONE,
            wanted: false,
            just_reset,
            just_reset_in_flight: false,
            outbox: Outbox::default(),
            last_command: None,
            heard_since: false,
            account: None,
            card_in: false,
            account_open: false,
            vends: 0,
            cancel_after: false,
            selection: None,
            coupon: None,
            data_entry: None,
            refund: None,
            fault: None,
            files: BTreeMap::new(),
            time: None,
            last_heard: Micros::ZERO,
            last_answer: Micros::ZERO,
            movements: Vec::new(),
            notes: Vec::new(),
        }
    }

    /// What it is.
    #[must_use]
    pub const fn config(&self) -> &CashlessConfig {
        &self.config
    }

    /// What it is, to change policy, delays or quirks while it runs. The unit, level, scale and
    /// options the VMC already asked for should be left alone.
    pub const fn config_mut(&mut self) -> &mut CashlessConfig {
        &mut self.config
    }

    /// Where it is.
    #[must_use]
    pub fn state(&self) -> CashlessState {
        match &self.phase {
            Phase::Inactive => CashlessState::Inactive,
            Phase::Disabled => CashlessState::Disabled,
            Phase::Enabled if self.mode().has(Options::ALWAYS_IDLE) => CashlessState::AlwaysIdle,
            Phase::Enabled => CashlessState::Enabled,
            Phase::SessionIdle { .. } => CashlessState::SessionIdle,
            Phase::Vend(vend) if vend.negative => CashlessState::NegativeVend,
            Phase::Vend(_) => CashlessState::Vend,
            Phase::Revalue(_) => CashlessState::Revalue,
        }
    }

    /// The mode agreed with the VMC: level 01 before SETUP (2.4.4).
    #[must_use]
    pub fn mode(&self) -> Mode {
        Mode {
            level: self
                .vmc
                .map_or(Level::ONE, |vmc| vmc.level.min(self.config.level)),
            options: self.options,
            display: self.vmc.map_or(0, |vmc| vmc.display_size()),
        }
    }

    /// The prices the VMC announced.
    #[must_use]
    pub const fn prices(&self) -> Option<PriceRange> {
        self.prices
    }

    /// What is left on the card in use, or last used; below zero for one that is billed later.
    #[must_use]
    pub fn balance(&self) -> Option<Money> {
        self.account.map(|account| account.balance)
    }

    /// The time the VMC set (7.4.23).
    #[must_use]
    pub const fn time(&self) -> Option<TimeDate> {
        self.time
    }

    /// Its end of the file transport layer (section 2.6).
    #[must_use]
    pub const fn files(&self) -> &Station {
        &self.ftl
    }

    /// The same, to offer, ask for or deny files.
    pub const fn files_mut(&mut self) -> &mut Station {
        &mut self.ftl
    }

    /// The mode in which responses are formed.
    fn sending_mode(&self) -> Mode {
        let mut mode = self.mode();
        if self.config.quirks.responds_above_vmc_level {
            mode.level = self.config.level;
        }
        mode
    }

    fn note(&mut self, text: impl Into<String>) {
        self.notes.push(text.into());
    }

    /// Queues a report.
    fn report(&mut self, now: Micros, report: Report) {
        self.outbox.push(report, now);
    }

    /// The answer that was just queued, straight or at a POLL.
    fn answer_queued(&mut self, now: Micros) -> Reply {
        match self.config.answers {
            super::Answers::AtPoll => Reply::Ack,
            super::Answers::Straight => self.send_newest(now, |_| true),
        }
    }

    /// Queues an answer and gives it as the configuration says.
    fn answer(&mut self, now: Micros, report: Report) -> Reply {
        self.report(now, report);
        self.answer_queued(now)
    }

    /// The newest of some reports straight, where it is ready.
    fn send_newest(&mut self, now: Micros, which: impl Fn(&Report) -> bool) -> Reply {
        let mode = self.sending_mode();
        match self.outbox.send_newest(now, &mode, which) {
            None => Reply::Ack,
            Some(out) => {
                for report in &out.first_time {
                    self.was_sent(report);
                }
                Reply::Data(out.block)
            }
        }
    }

    /// ACK now, COMMAND OUT OF SEQUENCE at the next POLL. A vend or revalue whose answer has not
    /// gone out is given up (7.7, example 7, ends in Session Idle).
    fn out_of_sequence(&mut self, now: Micros) -> Reply {
        let reported = self.state().reported();
        self.give_up_undecided();
        if !self.outbox.holds(|r| matches!(r, Report::OutOfSequence(_))) {
            self.report(now, Report::OutOfSequence(Some(reported)));
        }
        Reply::Ack
    }

    fn poll(&mut self, now: Micros) -> Reply {
        if self.just_reset {
            self.just_reset_in_flight = true;
            return Reply::Data(Block::truncated(&[0x00]));
        }
        if self.refund.is_some() || self.is_silent(now) {
            return Reply::Silence;
        }
        if let Some(fault) = self.fault
            && !self.outbox.holds(|r| matches!(r, Report::Malfunction(_)))
        {
            self.report(now, Report::Malfunction(fault));
        }
        let mode = self.sending_mode();
        let Some(out) = self.outbox.send(now, &mode) else {
            return self.file_reply();
        };
        for report in &out.first_time {
            self.was_sent(report);
        }
        Reply::Data(out.block)
    }

    /// Busy and quiet; an ACK is due half a second before the non-response time is over.
    fn is_silent(&self, now: Micros) -> bool {
        let busy = matches!(&self.phase, Phase::Vend(vend) if matches!(vend.stage, Stage::Deciding { .. }));
        busy && self.config.while_busy == WhileBusy::Silence
            && !self.config.quirks.never_answers_vend_request
            && now.since(self.last_answer) < self.config.non_response() - Micros::ms(500)
    }

    /// How long nothing may be heard before the device resets itself (Appendix 3, section 2).
    fn patience(&self) -> Micros {
        let in_session = !matches!(
            self.phase,
            Phase::Inactive | Phase::Disabled | Phase::Enabled
        );
        match self.phase {
            Phase::Inactive => Micros::NEVER,
            _ if in_session && self.config.quirks.never_polled_gives_up => Micros::secs(1),
            _ => self.config.non_response() * 10,
        }
    }

    /// Does what has become due.
    fn advance(&mut self, now: Micros) {
        if let Some(refund) = self.refund
            && now >= refund.at
        {
            self.finish_refund(now);
        }
        self.advance_vend(now);
        if !self.is_uninterruptible() && self.ftl.wants_reset() {
            self.note("file received: reader resets itself");
            self.reset();
        }
        if now >= self.last_heard + self.patience() {
            self.note("reader hears nothing from the machine and starts again");
            self.reset();
        }
    }
}

impl Device for CashlessDevice {
    fn address(&self) -> Address {
        self.config.unit.address()
    }

    fn command_length(&self, bytes: &[u8]) -> Length {
        length_in(bytes, &self.mode())
    }

    fn command(&mut self, now: Micros, block: &Block) -> Reply {
        if !self.powered {
            return Reply::Silence;
        }
        self.advance(now);
        self.last_heard = now;
        let Ok(command) = Command::parse(block.bytes(), &self.mode()) else {
            return Reply::Silence;
        };
        if command.unit != self.config.unit {
            return Reply::Silence;
        }
        let reply = if command.kind == Kind::Poll {
            self.poll(now)
        } else {
            let same = self.last_command == Some(*block);
            let reply = self.execute(now, &command.kind, same);
            self.heard_since = false;
            // A RESET forgets what came before it; nothing is a repetition of it.
            self.last_command = (command.kind != Kind::Reset).then_some(*block);
            reply
        };
        if reply != Reply::Silence {
            self.last_answer = now;
        }
        reply
    }

    fn acknowledged(&mut self, now: Micros) {
        if std::mem::take(&mut self.just_reset_in_flight) {
            self.just_reset = false;
            return;
        }
        self.heard_since = true;
        if std::mem::take(&mut self.ftl_in_flight) {
            self.ftl.delivered();
            return;
        }
        for report in self.outbox.acknowledged() {
            self.was_heard(now, &report);
        }
    }

    fn unacknowledged(&mut self, now: Micros) {
        if self.config.quirks.forgets_unacknowledged {
            self.acknowledged(now);
            return;
        }
        self.just_reset_in_flight = false;
        if std::mem::take(&mut self.ftl_in_flight) {
            self.ftl.refused();
        }
        self.outbox.unacknowledged();
    }

    fn bus_reset(&mut self, now: Micros) {
        self.advance(now);
        self.last_heard = now;
        self.reset();
    }

    fn power(&mut self, now: Micros, on: bool) {
        if on != self.powered {
            self.advance(now);
            self.powered = on;
            self.last_heard = now;
            self.reset();
        }
    }

    fn next_deadline(&self) -> Micros {
        if !self.powered {
            return Micros::NEVER;
        }
        let refund = self.refund.map_or(Micros::NEVER, |refund| refund.at);
        let vend = match &self.phase {
            Phase::Vend(vend) => match vend.stage {
                Stage::AwaitingCard { until } => until,
                Stage::Deciding { at } => at,
                _ => Micros::NEVER,
            },
            _ => Micros::NEVER,
        };
        refund.min(vend).min(self.last_heard + self.patience())
    }

    fn wake(&mut self, now: Micros) {
        if self.powered {
            self.advance(now);
        }
    }

    fn take_movements(&mut self) -> Vec<Movement> {
        std::mem::take(&mut self.movements)
    }

    fn take_notes(&mut self) -> Vec<String> {
        let mut notes = std::mem::take(&mut self.notes);
        notes.extend(self.ftl.take_notes());
        notes
    }
}
