//! The bench of a board examination: the tool plays all peripherals, one board is the subject.
//!
//! Checks see what passes on the wire, where money physically is, and what a person sees at the
//! machine. They never look into the board.

use super::habit::Board;
use super::setup::BoardSetup;
use crate::device::habit::Layer;
use crate::operator::SeenBy;
use crate::remains::Remains;
use crate::result::Interval;
use crate::wire::Wire;
use payrig_bench::{Analyst, Books};
use payrig_controller::Controller;
use payrig_link::Fault;
use payrig_mdb::Address;
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::BillValidator;
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::Changer;
use payrig_peripherals::pulse::{PulseAcceptor, PulseDevice};
use payrig_peripherals::{BusPeripheral, Port, PortTiming};
use payrig_units::{Decimals, Micros, Money, Place};
use payrig_wire::recording::{BlockRecord, Entry, MovementRecord};
use payrig_wire::{BusEvent, Edge, Finding, Source};
use std::cell::Cell;
use std::collections::BTreeMap;

/// The changer's address.
pub(super) const CHANGER: u8 = 0x08;
/// The bill validator's.
pub(super) const BILL: u8 = 0x30;
/// The card reader's.
pub(super) const READER: u8 = 0x10;

/// A block on the wire.
#[derive(Clone, Debug)]
pub struct Line {
    /// Start of its first word.
    pub at: Micros,
    /// End of its last.
    pub end: Micros,
    /// The board said it.
    pub board: bool,
    /// To, or by, the peripheral at this address.
    pub address: u8,
    /// Its bytes, CHK included.
    pub bytes: Vec<u8>,
    /// Its mode bits.
    pub modes: Vec<bool>,
    /// Its name in the standard's terms.
    pub name: String,
    /// The longest pause in it.
    pub pause: Micros,
}

impl Line {
    /// True for a command of the board of this name to this address.
    #[must_use]
    pub fn is(&self, address: u8, name: &str) -> bool {
        self.board && self.address == address && self.name == name
    }

    /// True when it is a command: more than ACK, NAK or RET.
    #[must_use]
    pub fn is_command(&self) -> bool {
        self.board && self.bytes.len() > 1
    }
}

/// The bench.
#[derive(Debug)]
pub struct BoardBench {
    now: Micros,
    wire: Wire,
    board: Board,
    changer: Port<Changer>,
    bill: Port<BillValidator>,
    cashless: Port<CashlessDevice>,
    pulse: PulseAcceptor,
    layers: BTreeMap<u8, Layer>,
    analyst: Analyst,
    books: Books,
    decimals: Decimals,
    speaking_to: u8,
    lines: Vec<Line>,
    breaks: Vec<(Micros, Micros)>,
    findings: Vec<Finding>,
    delivered: Vec<u16>,
    shown: Vec<String>,
    pulse_name: String,
    prices: BTreeMap<u16, Money>,
    /// Edges of the line that holds the pulse acceptor off: when, and whether it does from then on.
    held_off: Vec<(Micros, bool)>,
    /// Since when the bench is at rest, so that polling intervals say something.
    resting_since: Option<Micros>,
    /// Who saw what was judged by.
    seen_by: Cell<SeenBy>,
    /// All that happened, for the recording.
    entries: Vec<Entry>,
}

impl BoardBench {
    /// Sets a board up. `None` when a peripheral contradicts itself.
    #[must_use]
    pub fn new(setup: &BoardSetup) -> Option<Self> {
        let timing = PortTiming::default();
        let changer = Changer::new(setup.changer.clone(), setup.changer_quirks).ok()?;
        let bill = BillValidator::new(setup.bill.clone(), Default::default()).ok()?;
        let cashless = CashlessDevice::new(setup.cashless.clone());
        let layer = |address: u8| {
            let habits = setup.device_habits.get(&address).cloned();
            let layer = Layer::new(habits.unwrap_or_default(), Address::of(address));
            (address, layer)
        };
        let controller = Controller::new(setup.board.clone(), Micros::ZERO);
        let mut bench = Self {
            now: Micros::ZERO,
            wire: Wire::simulated(),
            board: Board::new(controller, setup.habits.clone()),
            changer: Port::new(changer, timing),
            bill: Port::new(bill, timing),
            cashless: Port::new(cashless, timing),
            pulse: PulseAcceptor::new(setup.pulse.clone()).ok()?,
            layers: [CHANGER, BILL, READER].map(layer).into(),
            analyst: Analyst::new(),
            books: Books::new(),
            decimals: setup.board.decimals,
            speaking_to: 0,
            lines: Vec::new(),
            breaks: Vec::new(),
            findings: Vec::new(),
            delivered: Vec::new(),
            shown: Vec::new(),
            pulse_name: setup.pulse.name.clone(),
            prices: setup
                .board
                .items
                .iter()
                .map(|i| (i.number, i.price))
                .collect(),
            held_off: Vec::new(),
            resting_since: None,
            seen_by: Cell::default(),
            entries: Vec::new(),
        };
        bench.collect();
        Some(bench)
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
            let next = self.wire.next().min(self.board.next_deadline());
            let next = next.min(self.devices_next());
            if next > to {
                break;
            }
            self.now = self.now.max(next);
            let now = self.now;
            self.deliver();
            self.wake_devices(now);
            if self.board.next_deadline() <= now {
                self.board.wake(now);
            }
            self.collect();
        }
        self.now = self.now.max(to);
        let entries = self.analyst.idle(self.now);
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

    fn ports(&mut self) -> [(u8, &mut dyn BusPeripheral); 3] {
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
        if self.pulse.next_deadline() <= now {
            self.pulse.wake(now);
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
                    ..
                } => {
                    self.breaks.push((start, end));
                    self.with_layers(|layer, port| {
                        if layer.bus_reset(end) {
                            port.heard_break(start, end);
                        }
                    });
                }
                BusEvent::Word(word) if heard.reaches_peer => match word.source {
                    Source::Master => self.with_layers(|layer, port| layer.heard(word, port)),
                    Source::Peripheral => self.board.heard(word),
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
        let name = self.pulse_name.clone();
        for (line, edge) in self.pulse.take_edges() {
            self.entries.push(Entry::Edge {
                line: format!("{name} {line}"),
                at_us: edge.at,
                high: edge.high,
                uncertainty_us: Micros::ZERO,
            });
            self.board.pulse_edge(&name, &line, edge);
        }
        while let Some(words) = self.board.take_transmission() {
            self.wire.transmit(Source::Master, words);
        }
        for (line, edge) in self.board.take_pulse_edges(self.now) {
            self.pulse.input_edge(edge.at, &line, edge.high);
            self.held_off.push((edge.at, edge.high));
        }
        self.shown.extend(self.board.take_shown());
        let person = self.board.person();
        self.delivered.extend(person.take_delivered());
        // What the board believes has moved is not looked at: the money is.
        person.take_movements();
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
                Entry::Block(block) => self.line(block),
                _ => {}
            }
            self.entries.push(entry);
        }
    }

    fn line(&mut self, block: &BlockRecord) {
        let board = block.source == Source::Master;
        let first = block.bytes.first().copied().unwrap_or(0);
        if board && block.bytes.len() > 1 {
            self.speaking_to = Address::of(first).byte();
        }
        let words = block.words();
        let pauses = words.iter().zip(words.iter().skip(1));
        let pauses = pauses.map(|(a, b)| b.start.since(a.end));
        self.lines.push(Line {
            at: block.start_us,
            end: block.end_us,
            board,
            address: self.speaking_to,
            bytes: block.bytes.clone(),
            modes: block.modes.clone(),
            name: block.name.clone().unwrap_or_default(),
            pause: pauses.max().unwrap_or_default(),
        });
    }

    // ---- what was seen -----------------------------------------------------------------------

    /// Blocks so far, in order.
    #[must_use]
    pub fn lines(&self) -> &[Line] {
        &self.lines
    }

    /// Blocks since a time.
    pub fn since(&self, from: Micros) -> impl Iterator<Item = &Line> {
        self.lines.iter().filter(move |l| l.at >= from)
    }

    /// Bus resets so far: start and end.
    #[must_use]
    pub fn breaks(&self) -> &[(Micros, Micros)] {
        &self.breaks
    }

    /// How often the board gave this command since a time.
    #[must_use]
    pub fn count(&self, from: Micros, address: u8, name: &str) -> usize {
        self.since(from).filter(|l| l.is(address, name)).count()
    }

    /// Items delivered so far: a person saw them fall.
    #[must_use]
    pub fn delivered(&self) -> &[u16] {
        self.seen_by.set(SeenBy::Emulation);
        &self.delivered
    }

    /// The exact-change light: a person sees it.
    #[must_use]
    pub fn exact_change(&self) -> bool {
        self.seen_by.set(SeenBy::Emulation);
        self.board.exact_change()
    }

    /// What the display showed: a person reads it.
    #[must_use]
    pub fn shown(&self) -> &[String] {
        self.seen_by.set(SeenBy::Emulation);
        &self.shown
    }

    // ---- what a person does ------------------------------------------------------------------

    /// Presses a selection.
    pub fn select(&mut self, item: u16) {
        let now = self.now;
        self.board.person().select(now, item);
        self.collect();
    }

    /// Presses the machine's coin return.
    pub fn press_return(&mut self) {
        let now = self.now;
        self.board.person().press_return(now);
        self.collect();
    }

    /// Blocks the motor of an item once.
    pub fn block_motor(&mut self, item: u16) {
        self.board.block_motor(item);
    }

    /// Cuts the board's power, or gives it back.
    pub fn board_power(&mut self, on: bool) {
        self.board.power(self.now, on);
        self.collect();
    }

    /// Does something at the changer.
    pub fn changer_do(&mut self, act: impl FnOnce(&mut Changer, Micros)) {
        act(self.changer.device_mut(), self.now);
        self.collect();
    }

    /// Puts a coin of this type into the changer.
    pub fn coin(&mut self, coin_type: u8) {
        self.changer_do(|c, now| c.insert_coin(now, CoinType::of(coin_type)));
    }

    /// Does something at the bill validator.
    pub fn bill_do(&mut self, act: impl FnOnce(&mut BillValidator, Micros)) {
        act(self.bill.device_mut(), self.now);
        self.collect();
    }

    /// Puts in a bill of this type.
    pub fn bill(&mut self, bill_type: u8) {
        self.bill_do(|b, now| {
            b.insert_bill(now, bill_type);
        });
    }

    /// Does something at the card reader.
    pub fn reader_do(&mut self, act: impl FnOnce(&mut CashlessDevice, Micros)) {
        act(self.cashless.device_mut(), self.now);
        self.collect();
    }

    /// Presents a card with this balance in minor units; `None` when the reader does not know it.
    pub fn card(&mut self, balance: Option<i64>) {
        let card = balance.map_or_else(Card::unknown, |b| Card::with(Money(b)));
        self.reader_do(|r, now| {
            r.present_card(now, card);
        });
    }

    /// Puts a bill into the old acceptor.
    pub fn pulse_bill(&mut self, value: i64) {
        self.pulse.insert_bill(self.now, Money(value));
        self.collect();
    }

    /// Sends pulses of a width on the credit line, as noise or a wrong setting would.
    pub fn stray_pulses(&mut self, count: u32, width: Micros) {
        let name = self.pulse_name.clone();
        for _ in 0..count {
            for (high, time) in [(false, width), (true, Micros::ms(50))] {
                let at = self.now;
                self.board.pulse_edge(&name, "credit", Edge { at, high });
                self.collect();
                self.wait(time);
            }
        }
        self.secs(1);
    }

    /// Cuts or gives back the power of the peripheral at an address.
    pub fn power(&mut self, address: u8, on: bool) {
        let now = self.now;
        for (of, port) in self.ports() {
            if of == address {
                port.power(now, on);
            }
        }
        self.collect();
    }

    /// Puts a fault on the wire.
    pub fn fault(&mut self, fault: Fault) {
        self.wire.add_fault(fault);
    }

    /// Waits until the board has enabled every peripheral, half a minute at most. When it never
    /// does, other checks say so.
    pub fn ready(&mut self) -> Micros {
        let from = self.now;
        for _ in 0..300 {
            self.wait(Micros::ms(100));
            let enabled = |address, name| self.count(from, address, name) > 0;
            if enabled(CHANGER, "COIN TYPE")
                && enabled(BILL, "BILL TYPE")
                && enabled(READER, "READER ENABLE")
            {
                break;
            }
        }
        self.secs(2);
        self.now
    }

    /// From here on nobody does anything: polling intervals are measured.
    pub fn rest(&mut self) -> Micros {
        self.resting_since = Some(self.now);
        self.now
    }

    /// Edges so far of the line that holds the pulse acceptor off: when, and whether it does from
    /// then on.
    #[must_use]
    pub fn held_off(&self) -> &[(Micros, bool)] {
        &self.held_off
    }

    /// Takes the card out of the reader.
    pub fn take_card(&mut self) {
        self.reader_do(|r, now| {
            r.remove_card(now);
        });
    }

    /// Lets time pass until the bench is so, for so long at most; false when it never was.
    pub fn until_so(&mut self, most: Micros, so: impl Fn(&Self) -> bool) -> bool {
        let by = self.now + most;
        while self.now < by {
            if so(self) {
                return true;
            }
            self.wait(Micros::ms(5));
        }
        so(self)
    }

    /// What cards have paid.
    #[must_use]
    pub fn card_paid(&self) -> Money {
        self.sum(|p| matches!(p, Place::CardReceipts(_)))
    }

    /// What was sold, at its prices.
    #[must_use]
    pub fn sold(&self) -> Money {
        let price = |item: &u16| self.prices.get(item).copied().unwrap_or_default();
        self.delivered.iter().map(price).sum()
    }

    /// Ends the bench.
    #[must_use]
    pub fn finish(mut self) -> Remains {
        let last = self.analyst.finish(self.now);
        self.log(last);
        let from = self.resting_since.unwrap_or(Micros::NEVER);
        let polls = |address: u8| -> Vec<Micros> {
            let polls = self.since(from).filter(|l| l.is(address, "POLL"));
            let at: Vec<Micros> = polls.map(|l| l.at).collect();
            let pairs = at.iter().zip(at.iter().skip(1));
            pairs.map(|(a, b)| b.since(*a)).collect()
        };
        let interval = |what: &str, values| Interval::at_most(what, Micros::ms(200), values);
        let intervals = vec![
            interval("polling interval of the changer", polls(CHANGER)),
            interval("polling interval of the bill validator", polls(BILL)),
            interval("polling interval of the cashless device", polls(READER)),
        ];
        Remains {
            began: Micros::ZERO,
            live: false,
            uncertainty: Micros::ZERO,
            late_by: Micros::ZERO,
            entries: self.entries,
            seen_by: self.seen_by.get(),
            over: None,
            now: self.now,
            intervals,
            findings: self.findings,
            trains: Vec::new(),
            books: self.books,
        }
    }
}
