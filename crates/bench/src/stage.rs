//! A bench at work: bus, board, peripherals, script and books, moved along in time by whoever
//! drives it. Nothing here waits: [`Stage::next_time`] says when something happens next, and
//! [`Stage::advance`] makes it happen. The simulated and the live driver are both a loop of these
//! two ([`crate::run`]).

mod links;

pub use links::{BusAt, LineLevel, Outbound};

use crate::analyst::Analyst;
use crate::books::{Books, Discrepancy};
use crate::on_link::OnLink;
use crate::peers::{Peers, Place};
use crate::player::Player;
use crate::pulse_lines::PulseLines;
use crate::reading::at;
use crate::rig::Rig;
use crate::tally::Tally;
use crate::wires::Wires;
use links::ToldOutside;
use payrig_controller::{Controller, Life};
use payrig_link::VirtualBus;
use payrig_units::{Decimals, Micros, Movement};
use payrig_wire::recording::{Entry, MovementRecord};
use payrig_wire::{BusEvent, Finding, Severity, Source, Transmission, WORD_TIME};
use std::borrow::Cow;
use std::collections::VecDeque;

/// How long a bench goes on after its script, so that what is under way comes to an end.
const SETTLE: Micros = Micros::secs(2);

/// How long it waits for that at the most.
const SETTLE_AT_MOST: Micros = Micros::secs(30);

/// How long the log waits for the end of a pulse train.
const TRAIN_WAIT: Micros = Micros::secs(3);

/// How late at the most an edge on a modem line is told.
const LINES_LATE: Micros = Micros::ms(20);

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
            pulses: PulseLines::new(rig),
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

    fn end_time(&self) -> Micros {
        self.ending.map_or(Micros::NEVER, |since| {
            let rest = since + SETTLE;
            if self.is_quiet() {
                rest.max(self.now)
            } else {
                since + SETTLE_AT_MOST
            }
        })
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

    fn is_quiet(&self) -> bool {
        let board = self.board.as_ref();
        board.is_none_or(|b| !b.powered() || b.is_quiet()) && self.peers.pulses_quiet()
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
                self.find(Finding::advice("bench", self.now, text));
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

    /// Takes what is complete off the bus and gives it to those who hear it.
    fn deliver(&mut self) -> bool {
        let mut any = false;
        while let Some(heard) = self.bus.pop(self.now) {
            any = true;
            self.tap(&heard.event);
            if heard.reaches_peer {
                self.hear(&heard.event);
            }
            self.collect();
        }
        any
    }

    /// The watcher on the wire sees an event.
    fn tap(&mut self, event: &BusEvent) {
        if let BusEvent::Word(word) = event {
            self.last_word = Some(word.start);
        }
        let entries = self.analyst.event(event);
        self.pending.extend(entries);
    }

    /// The machines on the other side of an event hear it.
    fn hear(&mut self, event: &BusEvent) {
        match *event {
            BusEvent::Word(word) => match (word.source, &mut self.board) {
                (Source::Master, _) => self.peers.heard(&word),
                (Source::Peripheral, Some(board)) => board.heard(&word),
                (Source::Peripheral, None) => {}
            },
            BusEvent::Break {
                start,
                end,
                source: Source::Master,
                ..
            } => {
                self.peers.heard_break(start, end);
            }
            BusEvent::Break { .. } | BusEvent::Garbled { .. } => {}
        }
    }

    fn transmit(&mut self, source: Source, sent: Transmission) {
        match &mut self.link {
            Some(link) => link.outbox.push_back(sent),
            None => {
                self.bus.transmit(source, sent);
            }
        }
    }

    fn wake(&mut self) -> bool {
        let mut any = self.peers.wake(self.now);
        if let Some(board) = &mut self.board
            && board.next_deadline() <= self.now
        {
            board.wake(self.now);
            any = true;
        }
        if self.analyst.next_deadline() <= self.now {
            let entries = self.analyst.idle(self.now);
            any |= !entries.is_empty();
            self.pending.extend(entries);
        }
        if self.pulses.next_deadline() <= self.now {
            self.pulses.idle(self.now);
            any = true;
        }
        any
    }

    /// Gathers what the machines want sent, what moved, and what is to be seen.
    fn collect(&mut self) {
        while let Some(sent) = self.peers.take_transmission() {
            self.transmit(Source::Peripheral, sent);
        }
        for (name, line, edge) in self.peers.take_edges() {
            if self.send_edge(&name, &line, edge) {
                continue;
            }
            self.log_edge(&name, &line, edge, Micros::ZERO);
            if let Some(board) = &mut self.board {
                board.pulse_edge(&name, &line, edge);
            }
        }
        let (movements, notes) = self.peers.take_news();
        self.book(movements);
        for (who, text) in notes {
            self.note(Some(who), text);
        }
        self.collect_board();
        self.measured();
    }

    fn collect_board(&mut self) {
        while let Some(sent) = self.board.as_mut().and_then(Controller::take_transmission) {
            self.transmit(Source::Master, sent);
        }
        let Some(board) = &mut self.board else { return };
        let edges = board.take_pulse_edges();
        let movements = board.take_movements();
        let delivered = board.take_delivered();
        let (shown, notices) = board.take_shown();
        self.player.delivered(delivered.len());
        for (name, line, edge) in edges {
            if self.send_edge(&name, &line, edge) {
                continue;
            }
            self.log_edge(&name, &line, edge, Micros::ZERO);
            self.peers.input_edge(&name, &line, edge);
        }
        self.book(movements);
        for text in shown {
            self.note(Some("display".to_owned()), text);
        }
        for text in notices {
            self.note(Some("board".to_owned()), text);
        }
    }

    /// What the bench itself measured on pulse lines, and what was on buses behind bridges.
    fn measured(&mut self) {
        let measured = self.pulses.take_entries(self.decimals);
        for entry in measured.into_iter().chain(self.peers.take_entries()) {
            match entry {
                Entry::Finding(finding) => self.find(finding),
                other => self.pending.push(other),
            }
        }
        self.book_counted();
    }

    /// The script switches a supply.
    pub(crate) fn powered(&mut self, who: Option<&str>, on: bool) {
        self.pulses.power(who, self.now, on);
        self.pending.push(Entry::Power {
            at_us: self.now,
            who: who.map(str::to_owned),
            on,
        });
    }

    fn note(&mut self, who: Option<String>, text: String) {
        self.player.saw(&text);
        self.pending.push(Entry::Note {
            at_us: self.now,
            who,
            text,
        });
    }

    fn book(&mut self, movements: Vec<Movement>) {
        for movement in movements {
            let reported = self.as_reported(&movement);
            if !reported.is_empty() {
                self.book(reported);
            }
            // The opening fill is moved by no word.
            let word = self.last_word.filter(|_| self.now > Micros::ZERO);
            match self.books.book(self.now, word, movement) {
                Ok(entry) => {
                    self.pulses.moved(&entry.movement);
                    self.pending
                        .push(Entry::Movement(MovementRecord::from(&entry)));
                }
                Err(error) => self.find(finding("money", "ledger", self.now, error.to_string())),
            }
        }
    }

    fn find(&mut self, finding: Finding) {
        self.analyst.count(&finding);
        self.pending.push(Entry::Finding(finding));
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
                self.find(finding("script", "the rig", self.now, text));
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

    /// Ends the bench now, and puts all of its log out.
    pub fn finish_now(&mut self) {
        self.finish();
        self.publish();
    }

    /// Ends the bench: last findings, the books, the verdict.
    fn finish(&mut self) {
        if self.ended {
            return;
        }
        self.ended = true;
        let last = self.analyst.finish(self.now);
        self.pending.extend(last);
        self.pulses.finish(self.now);
        self.peers.finish(self.now);
        self.measured();
        // An outside board keeps books of its own, which nobody here can see.
        let comparable = self.board.is_some();
        let discrepancies = self.books.discrepancies();
        let ours = |d: &Discrepancy| comparable && !self.is_told_outside(&d.device);
        let discrepancies: Vec<_> = discrepancies.into_iter().filter(ours).collect();
        for discrepancy in discrepancies {
            let text = match self.wires.outside_place(&discrepancy.device) {
                Some(_) => discrepancy.text_unseen(self.decimals),
                None => discrepancy.text(self.decimals),
            };
            self.find(finding("money", "the ledger", discrepancy.since, text));
        }
        self.settle_told_outside();
        self.hold_off_what_is_real();
        for text in self.player.unplayed(self.decimals) {
            self.find(finding("script", "the rig", self.now, text));
        }
        let tally = Tally::of(&self.analyst, self.pulses.trains());
        let verdict = tally.verdict(self.now);
        self.pending.push(verdict);
    }

    /// A block is known when it ends, what it caused is known at the same time, and it is logged by
    /// its start: entries wait until no block is open, and then go out in order of time.
    fn publish(&mut self) {
        let open = self.analyst.next_deadline() != Micros::NEVER || self.peers.bus_open();
        if !self.ended && open {
            return;
        }
        self.pending.sort_by_key(at);
        // A word that is on the wire now is known when it ends, and began before.
        let settled = if self.ended {
            Micros::NEVER
        } else {
            // What a port tells comes a little after it happened.
            let late = if self.wires.any() {
                LINES_LATE
            } else {
                WORD_TIME
            };
            self.now - late
        };
        // A pulse train is known when it ends, too; one that goes on and on is not waited for.
        let train = self.pulses.open_since().filter(|_| !self.ended);
        let settled = match train {
            Some(start) if self.now < start + TRAIN_WAIT => settled.min(start - Micros(1)),
            _ => settled,
        };
        let count = self.pending.partition_point(|entry| at(entry) <= settled);
        self.log.extend(self.pending.drain(..count));
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

/// A finding of the bench itself: money or script.
pub(crate) fn finding(
    rule: &'static str,
    section: &'static str,
    at: Micros,
    text: String,
) -> Finding {
    let mut finding = Finding::advice(rule, at, text);
    finding.severity = Severity::Limit;
    finding.section = Cow::Borrowed(section);
    finding
}
