//! The bench of a board examination: the tool plays all peripherals, one board is the subject.
//!
//! Checks see what passes on the wire, where money physically is, and what a person sees at the
//! machine. They never look into the board.

mod doing;
mod lines;
mod measured;
mod outside;
mod seeing;

pub use outside::BoardOutside;

use super::habit::Board;
use super::heard::{BILL, CHANGER, HeardBlock, Listener, READER, What};
use super::setup::BoardSetup;
use crate::device::habit::Layer;
use crate::operator::{self, Deed, Question, Reply, SeenBy, Sight, Unattended};
use crate::remains::Remains;
use crate::result::Interval;
use crate::seen::Seen;
use crate::skip::Skip;
use crate::wire::{Linked, Wire};
use payrig_bench::Fault;
use payrig_controller::Controller;
use payrig_mdb::Address;
use payrig_mdb::cashless::{Identification, Kind};
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::BillValidator;
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::Changer;
use payrig_peripherals::pulse::{PulseAcceptor, PulseDevice};
use payrig_peripherals::{BusPeripheral, Port, PortTiming};
use payrig_pulse::Inhibit;
use payrig_units::{Decimals, Micros, Money, Place};
use payrig_wire::analysis::{Analyst, Books};
use payrig_wire::recording::{BlockRecord, Entry, MovementRecord};
use payrig_wire::{BusEvent, Edge, Finding, Source};
use std::cell::Cell;
use std::collections::BTreeMap;

/// The board under examination.
#[derive(Debug)]
enum Subject {
    /// Our controller with its habits.
    Emulated(Box<Board>),
    /// At the other end of a port; a person is at it.
    Outside(Box<outside::AtHand>),
}

/// The bench.
#[derive(Debug)]
pub struct BoardBench {
    began: Micros,
    now: Micros,
    wire: Wire,
    board: Subject,
    identity: Option<Identification>,
    /// How the check ended in truth, where somebody or something was missing.
    over: Option<Seen>,
    /// Peripherals the board never enabled.
    never: Vec<Address>,
    changer: Port<Changer>,
    bill: Port<BillValidator>,
    cashless: Port<CashlessDevice>,
    pulse: PulseAcceptor,
    layers: BTreeMap<Address, Layer>,
    analyst: Analyst,
    books: Books,
    decimals: Decimals,
    listener: Listener,
    blocks: Vec<HeardBlock>,
    breaks: Vec<(Micros, Micros)>,
    findings: Vec<Finding>,
    delivered: Vec<u16>,
    shown: Vec<String>,
    pulse_name: String,
    /// The line by which the board holds the pulse acceptor off.
    inhibit: Inhibit,
    prices: BTreeMap<u16, Money>,
    /// Edges of the line that holds the pulse acceptor off: when, and whether it does from then on.
    held_off: Vec<(Micros, bool)>,
    /// Since when the bench is at rest, so that polling intervals say something.
    resting_since: Option<Micros>,
    /// How far the ends of bus resets may be off.
    break_uncertainty: Micros,
    /// Who saw what was judged by.
    seen_by: Cell<SeenBy>,
    /// All that happened, for the recording.
    entries: Vec<Entry>,
}

impl BoardBench {
    /// Sets a board up. `None` when a peripheral contradicts itself.
    #[must_use]
    pub fn new(setup: &BoardSetup) -> Option<Self> {
        let controller = Controller::new(setup.board.clone(), Micros::ZERO);
        let board = Board::new(controller, setup.habits.clone());
        let subject = Subject::Emulated(Box::new(board));
        Self::set_up(setup, Wire::simulated(), subject, None)
    }

    /// A bench with a board outside, which knows all peripherals as new. `None`, and the board is
    /// lost, when a peripheral contradicts itself: no check arranges that.
    pub(super) fn outside(setup: &BoardSetup, outside: BoardOutside) -> Option<Self> {
        let BoardOutside {
            linked,
            mut hand,
            identity,
            ..
        } = outside;
        hand.begin();
        let subject = Subject::Outside(hand);
        Self::set_up(setup, Wire::linked(linked), subject, identity)
    }

    fn set_up(
        setup: &BoardSetup,
        wire: Wire,
        board: Subject,
        identity: Option<Identification>,
    ) -> Option<Self> {
        let timing = PortTiming::default();
        let changer = Changer::new(setup.changer.clone(), setup.changer_quirks).ok()?;
        let bill = BillValidator::new(setup.bill.clone(), Default::default()).ok()?;
        let cashless = CashlessDevice::new(setup.cashless.clone());
        let layer = |address: Address| {
            let habits = setup.device_habits.get(&address).cloned();
            let layer = Layer::new(habits.unwrap_or_default(), address);
            (address, layer)
        };
        let now = wire.now();
        let ours = matches!(board, Subject::Outside(_)).then_some(Source::Peripheral);
        let mut bench = Self {
            began: now,
            now,
            wire,
            board,
            identity,
            over: None,
            never: Vec::new(),
            changer: Port::new(changer, timing),
            bill: Port::new(bill, timing),
            cashless: Port::new(cashless, timing),
            pulse: PulseAcceptor::new(setup.pulse.clone()).ok()?,
            layers: [CHANGER, BILL, READER].map(layer).into(),
            analyst: Analyst::new().speaking_for(ours),
            books: Books::new(),
            decimals: setup.board.decimals,
            listener: Listener::default(),
            blocks: Vec::new(),
            breaks: Vec::new(),
            findings: Vec::new(),
            delivered: Vec::new(),
            shown: Vec::new(),
            pulse_name: setup.pulse.name.clone(),
            inhibit: setup.pulse.pulse.inhibit.clone(),
            prices: setup
                .board
                .items
                .iter()
                .map(|i| (i.number, i.price))
                .collect(),
            held_off: Vec::new(),
            resting_since: None,
            break_uncertainty: Micros::ZERO,
            seen_by: Cell::default(),
            entries: Vec::new(),
        };
        if bench.is_outside() {
            // They come to life now: JUST RESET, which the board answers by setting them up.
            for (_, port) in bench.ports() {
                port.power(now, false);
                port.power(now, true);
            }
        }
        bench.begin_lines(setup);
        bench.collect();
        Some(bench)
    }

    /// True when the board is at the other end of a port.
    #[must_use]
    pub fn is_outside(&self) -> bool {
        matches!(self.board, Subject::Outside(_))
    }

    /// How far the times of what is heard may be off.
    #[must_use]
    pub fn uncertainty(&self) -> Micros {
        self.wire.uncertainty()
    }

    /// How far the ends of bus resets may be off: over some links their length is not known at all.
    #[must_use]
    pub fn break_uncertainty(&self) -> Micros {
        self.break_uncertainty.max(self.uncertainty())
    }

    fn board_next(&self) -> Micros {
        match &self.board {
            Subject::Emulated(board) => board.next_deadline(),
            Subject::Outside(_) => Micros::NEVER,
        }
    }

    fn next(&mut self) -> Micros {
        let board = self.wire.next().min(self.board_next());
        board.min(self.devices_next())
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.now
    }

    /// An amount as it is printed.
    #[must_use]
    pub fn show(&self, amount: Money) -> String {
        amount.show(self.decimals).to_string()
    }

    /// What all places that `which` accepts hold together.
    #[must_use]
    pub fn sum(&self, which: impl Fn(&Place) -> bool) -> Money {
        self.books.ledger().held(which)
    }

    /// What the customer has more than at the start; less is negative.
    #[must_use]
    pub fn customer(&self) -> Money {
        self.sum(|p| *p == Place::Customer)
    }

    /// Lets time pass until `to`.
    pub fn until(&mut self, to: Micros) {
        loop {
            let due = self.next().min(to).min(self.look_after_lines());
            self.now = self.now.max(self.wire.reach(due));
            self.hear_lines();
            let now = self.now;
            if self.next() > now {
                if now < to {
                    continue;
                }
                break;
            }
            self.deliver();
            self.wake_devices(now);
            if let Subject::Emulated(board) = &mut self.board
                && board.next_deadline() <= now
            {
                board.wake(now);
            }
            self.collect();
        }
        self.now = self.now.max(to);
        let mut entries = self.analyst.idle(self.now);
        entries.extend(self.wire.take_notes());
        self.log(entries);
    }

    /// Lets time pass.
    pub fn wait(&mut self, time: Micros) {
        self.until(self.now + time);
    }

    /// Lets so many seconds pass.
    pub fn secs(&mut self, seconds: u64) {
        self.wait(Micros::secs(seconds));
    }

    fn ports(&mut self) -> [(Address, &mut dyn BusPeripheral); 3] {
        [
            (CHANGER, &mut self.changer),
            (BILL, &mut self.bill),
            (READER, &mut self.cashless),
        ]
    }

    fn devices_next(&mut self) -> Micros {
        let pulse = self.pulse.next_deadline();
        let next = self.ports().map(|(_, p)| p.next_deadline());
        next.into_iter().fold(pulse, Micros::min)
    }

    fn wake_devices(&mut self, now: Micros) {
        for (_, port) in self.ports() {
            if port.next_deadline() <= now {
                port.wake(now);
            }
        }
        let due = self.pulse.next_deadline();
        if due <= now {
            let at = self.pulse_time(due);
            self.pulse.wake(at);
        }
    }

    fn deliver(&mut self) {
        while let Some(heard) = self.wire.pop(self.now) {
            let entries = self.analyst.event(&heard.event);
            self.log(entries);
            match heard.event {
                BusEvent::Break {
                    start,
                    end,
                    source: Source::Master,
                    uncertainty,
                } => {
                    self.break_uncertainty = self.break_uncertainty.max(uncertainty);
                    self.breaks.push((start, end));
                    self.with_layers(|layer, port| {
                        if layer.bus_reset(end) {
                            port.heard_break(start, end);
                        }
                    });
                }
                BusEvent::Word(word) if heard.reaches_peer => match word.source {
                    Source::Master => self.with_layers(|layer, port| layer.heard(word, port)),
                    Source::Peripheral => {
                        if let Subject::Emulated(board) = &mut self.board {
                            board.heard(word);
                        }
                    }
                },
                _ => {}
            }
            self.collect();
        }
    }

    fn with_layers(&mut self, mut each: impl FnMut(&mut Layer, &mut dyn BusPeripheral)) {
        let mut layers = std::mem::take(&mut self.layers);
        for (address, port) in self.ports() {
            if let Some(layer) = layers.get_mut(&address) {
                each(layer, port);
            }
        }
        self.layers = layers;
    }

    fn collect(&mut self) {
        let mut sent = Vec::new();
        let mut movements = Vec::new();
        self.with_layers(|layer, port| {
            while let Some(words) = layer.take(port) {
                sent.push(words);
            }
            movements.extend(port.take_movements());
        });
        for words in sent {
            self.wire.transmit(Source::Peripheral, words);
        }
        movements.extend(self.pulse.take_movements());
        for (line, edge) in self.pulse.take_edges() {
            self.credit_edge(&line, edge);
        }
        if let Subject::Emulated(board) = &mut self.board {
            while let Some(words) = board.take_transmission() {
                self.wire.transmit(Source::Master, words);
            }
            let inhibit = board.take_pulse_edges(self.now);
            self.shown.extend(board.take_shown());
            let person = board.person();
            self.delivered.extend(person.take_delivered());
            // What the board believes has moved is not looked at: the money is.
            person.take_movements();
            for (line, edge) in inhibit {
                self.inhibit_edge(&line, edge, Micros::ZERO);
            }
        }
        for movement in movements {
            // Amounts too large for the ledger do not occur on this bench.
            if let Ok(entry) = self.books.book(self.now, None, movement) {
                let record = MovementRecord::from(&entry);
                self.entries.push(Entry::Movement(record));
            }
        }
    }

    fn log(&mut self, entries: Vec<Entry>) {
        for entry in entries {
            match &entry {
                Entry::Finding(finding) => self.findings.push(finding.clone()),
                Entry::Block(block) => self.keep_block(block),
                _ => {}
            }
            self.entries.push(entry);
        }
    }

    fn keep_block(&mut self, block: &BlockRecord) {
        let block = self.listener.block(block);
        // REQUEST ID to a card reader says who the board is (section 7.4.20).
        if let Some(Kind::RequestId(id)) = block.to_reader() {
            self.identity = Some(*id);
        }
        self.blocks.push(block);
    }
}
