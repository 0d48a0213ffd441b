//! A bench at work: bus, board, peripherals, script and books, moved along in time by whoever
//! drives it. Nothing here waits: [`Stage::next_time`] says when something happens next, and
//! [`Stage::advance`] makes it happen. The simulated and the live driver are both a loop of these
//! two ([`crate::run`]).

mod ending;
mod links;
mod log;
mod machines;

pub use links::{BusAt, LineLevel, Outbound};

use crate::VirtualBus;
use crate::on_link::OnLink;
use crate::peers::{Peers, Place};
use crate::player::Player;
use crate::rig::{BridgeWay, Kind, Rig};
use crate::wires::Wires;
use links::ToldOutside;
use payrig_controller::{Controller, Life};
use payrig_units::{Decimals, Micros};
use payrig_wire::analysis::{Analyst, Books, PulseLines, breach};
use payrig_wire::recording::{Entry, LineRole};
use payrig_wire::{Finding, Origin, RuleName, Source};
use std::collections::VecDeque;

/// How many rounds at one moment mean that a machine asks to be woken for ever.
const ROUNDS: u32 = 10_000;

/// A bench at work.
#[derive(Debug)]
pub struct Stage {
    now: Micros,
    bus: VirtualBus,
    board: Option<Controller>,
    peers: Peers,
    analyst: Analyst,
    pulses: PulseLines,
    books: Books,
    player: Player,
    decimals: Decimals,
    last_word: Option<Micros>,
    ending: Option<Micros>,
    ended: bool,
    /// Something of it is real.
    live: bool,
    /// The board's bus is on a real link: what is on its other end, and what we want sent to it.
    link: Option<OnLink>,
    /// Pulse lines that are on ports, and what is outside.
    wires: Wires,
    told_outside: Vec<ToldOutside>,
    /// Edges for ports.
    outbound: VecDeque<Outbound>,
    /// Entries of the block that is on the wire: put in order once it is complete.
    pending: Vec<Entry>,
    log: VecDeque<Entry>,
}

impl Stage {
    /// Sets up a rig at time zero. What of it is on links is at the other end of ports, and lines
    /// from there rest.
    #[must_use]
    pub fn new(rig: &Rig) -> Self {
        Self::live(rig, &[])
    }

    /// Sets up a rig at time zero with what is at the other end of its links: lines from there have
    /// these levels.
    #[must_use]
    pub fn live(rig: &Rig, levels: &[LineLevel]) -> Self {
        let mut rig = rig.clone();
        let outside = rig.link.as_ref().map(|l| l.outside);
        if let Some(outside) = outside {
            rig.board.ours = outside == Source::Peripheral;
        }
        let mut peers = Peers::new(&rig);
        let devices_outside = outside == Some(Source::Peripheral);
        if devices_outside {
            peers.unplug_from_bus();
        }
        let rig = &rig;
        let link = outside.map(|outside| OnLink::new(rig, outside));
        let board = rig
            .board
            .controller(rig)
            .map(|config| Controller::new(config, Micros::ZERO));
        let mut stage = Self {
            now: Micros::ZERO,
            bus: VirtualBus::new(rig.seed, rig.jitter),
            board,
            peers,
            analyst: Analyst::new().speaking_for(link.as_ref().map(OnLink::ours)),
            pulses: pulse_lines(rig),
            books: rig.books(),
            player: Player::new(rig.script.clone()),
            decimals: rig.decimals,
            last_word: None,
            ending: None,
            ended: false,
            live: rig.is_live(),
            link,
            wires: Wires::new(rig, devices_outside),
            told_outside: ToldOutside::of(rig),
            outbound: VecDeque::new(),
            pending: Vec::new(),
            log: VecDeque::new(),
        };
        for (name, line, high) in stage.peers.levels() {
            stage.pulses.level(&name, &line, high);
            if let Some(board) = &mut stage.board {
                board.pulse_level(Micros::ZERO, &name, &line, high);
            }
        }
        stage.set_up_lines(levels);
        let lines = stage.pulses.records().map(Entry::Line);
        stage.pending.extend(lines);
        stage.caution();
        stage.collect();
        stage.publish();
        stage
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.now
    }

    /// True once the script is played and the bench has come to rest, or was ended by
    /// [`finish_now`](Self::finish_now).
    #[must_use]
    pub fn ended(&self) -> bool {
        self.ended
    }

    /// What happened since this was last asked, in order.
    pub fn take_log(&mut self) -> impl Iterator<Item = Entry> + '_ {
        self.log.drain(..)
    }

    /// The books.
    #[must_use]
    pub fn books(&self) -> &Books {
        &self.books
    }

    /// The board, where it is our own.
    #[must_use]
    pub fn board(&self) -> Option<&Controller> {
        self.board.as_ref()
    }

    /// The analyst, for its counts.
    #[must_use]
    pub fn analyst(&self) -> &Analyst {
        &self.analyst
    }

    /// How amounts are written.
    #[must_use]
    pub fn decimals(&self) -> Decimals {
        self.decimals
    }

    /// When something happens next.
    #[must_use]
    pub fn next_time(&self) -> Micros {
        if self.ended {
            return Micros::NEVER;
        }
        self.machines_next()
            .min(self.player.next_deadline())
            .min(self.end_time())
    }

    fn machines_next(&self) -> Micros {
        let board = self
            .board
            .as_ref()
            .map_or(Micros::NEVER, Controller::next_deadline);
        self.bus
            .next()
            .min(board)
            .min(self.peers.next_deadline())
            .min(self.analyst.next_deadline())
            .min(self.pulses.next_deadline())
    }

    /// Moves the bench on to `to` (never backwards) and lets everything due happen.
    pub fn advance(&mut self, to: Micros) {
        if self.ended {
            return;
        }
        self.now = self.now.max(to);
        for round in 0.. {
            let mut busy = self.deliver();
            busy |= self.wake();
            self.collect();
            busy |= self.play();
            self.collect();
            if !busy && self.machines_next() > self.now {
                break;
            }
            if round > ROUNDS {
                let text = "a machine asks to be woken again and again at one moment: a fault of this tool";
                self.find(Finding::advice(RuleName::Bench, self.now, text));
                self.finish_now();
                return;
            }
        }
        // A bench on a link without a script goes on until it is stopped.
        let open_ended = self.live && !self.player.had_steps();
        if self.ending.is_none() && self.player.ended() && !open_ended {
            self.ending = Some(self.now);
        }
        if self.end_time() <= self.now {
            self.finish();
        }
        self.publish();
    }

    /// Lets the script go on as far as it can.
    fn play(&mut self) -> bool {
        let mut any = false;
        let mut player = std::mem::take(&mut self.player);
        while let Some(step) = player.step(self) {
            any = true;
            if step.passed == Some(false) {
                let text = format!(
                    "line {}: {}",
                    step.line,
                    step.why.clone().unwrap_or_default()
                );
                self.find(breach(RuleName::Script, Origin::Script, self.now, text));
            }
            self.pending.push(Entry::Step {
                at_us: self.now,
                number: step.number,
                text: step.text,
                passed: step.passed,
                why: step.why,
            });
        }
        // What was seen while the step acted is the player's to know too.
        player.merge(std::mem::take(&mut self.player));
        self.player = player;
        any
    }

    /// Bench time has come to `now`; what is due is left for [`advance`](Self::advance).
    pub fn move_on(&mut self, now: Micros) {
        self.now = self.now.max(now);
    }

    /// The virtual bus; `None` on a link, where nothing can be made to go wrong on purpose.
    pub(crate) fn bus_mut(&mut self) -> Option<&mut VirtualBus> {
        self.link.is_none().then_some(&mut self.bus)
    }

    pub(crate) fn peers_mut(&mut self) -> &mut Peers {
        &mut self.peers
    }

    pub(crate) fn board_mut(&mut self) -> Option<&mut Controller> {
        self.board.as_mut()
    }

    /// True when the board has set up everything it expects.
    pub(crate) fn is_ready(&self) -> bool {
        let board = match (&self.link, &self.board) {
            (Some(link), None) => link.all_polled(),
            (None, None) => true,
            (_, Some(board)) => board.is_ready(),
        };
        board && self.peers.others_running()
    }

    pub(crate) fn device_ready(&self, device: &str) -> bool {
        if let Some(running) = self.peers.is_running(device) {
            return running;
        }
        if let (Some(link), None) = (&self.link, &self.board) {
            return link.is_polled(device);
        }
        let life = self.board.as_ref().and_then(|b| b.life(device));
        life == Some(Life::Running)
    }

    /// The balance of a place by its printed name.
    pub(crate) fn balance(&self, place: &str) -> payrig_units::Money {
        Place::find(self.books.ledger(), place)
    }
}

/// The pulse lines of a rig.
fn pulse_lines(rig: &Rig) -> PulseLines {
    let mut lines = PulseLines::default();
    for device in &rig.devices {
        if let Kind::Bridge(bridge) = &device.kind
            && let BridgeWay::ToPulse { config, .. } = &bridge.way
        {
            let inhibit = &config.profile.inhibit;
            let high = !inhibit.inhibits.is_high();
            lines.add_input(&device.name, &inhibit.line, LineRole::Inhibit, high);
            let behind = device.behind.clone();
            lines.add_credit(&device.name, config.profile.clone(), behind, false);
        }
        let Kind::Pulse(pulse) = &device.kind else {
            continue;
        };
        for input in pulse.lines() {
            lines.add_input(&device.name, &input.name, input.role, input.high);
        }
        if let Some(profile) = pulse.profile() {
            let behind = device.behind.clone();
            lines.add_credit(&device.name, profile.clone(), behind, device.is_outside());
        }
    }
    lines
}
