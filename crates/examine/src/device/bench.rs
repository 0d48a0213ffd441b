//! The bench of a device examination: the tool is the board, one device is the subject.
//!
//! Checks see what passes on the wire, edges on the credit line, and where money physically is.
//! They never look into the device.

use super::habit::Layer;
use super::pulse_unit::{HopperWires, PulseUnit};
use super::setup::{Kind, Setup};
use crate::check::Seen;
use crate::result::Interval;
use payrig_bench::{Analyst, Books};
use payrig_link::VirtualBus;
use payrig_mdb::changer::CoinType;
use payrig_mdb::{ACK, Address, Block, NAK, Word};
use payrig_peripherals::bill::{BillValidator, Fault};
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::Changer;
use payrig_peripherals::{BusPeripheral, Port};
use payrig_pulse::{Profile, Train};
use payrig_units::{Decimals, Micros, Money, Place};
use payrig_wire::recording::{Entry, TrainRecord};
use payrig_wire::{BusEvent, Finding, Source, TimedWord, Transmission, WORD_TIME};

/// From the end of data to the tool's ACK.
const TURNAROUND: Micros = Micros(600);

/// Between exchanges.
const REST: Micros = Micros::ms(3);

/// How long the tool waits for an answer (Appendix 3, section 2).
const PATIENCE: Micros = Micros::ms(20);

/// From one POLL to the next.
pub(super) const POLL_EVERY: Micros = Micros::ms(125);

/// What the operator does at the device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    /// Puts in a coin of this type.
    Coin(u8),
    /// Puts in something that is no coin.
    Slug,
    /// Presses the return lever.
    PressLever,
    /// Lets it go.
    ReleaseLever,
    /// Disturbs a tube sensor: unplugs it, covers it.
    BreakTubeSensor(u8),
    /// Puts in a bill of this type.
    Bill(u8),
    /// Puts in a piece of paper.
    Paper,
    /// Takes the cash box away.
    RemoveCashBox,
    /// Blocks the bill path.
    JamBill,
    /// Presents a card with this balance.
    Card(i64),
    /// Puts a bill or coin of this value into the pulse acceptor, or shows a card for so much.
    PulseMoney(i64),
    /// Takes the card away before it is answered.
    TakeCard,
    /// Fills the stacker with bills.
    FillStacker,
    /// Cuts the device's power, or gives it back.
    Power(bool),
}

/// How an exchange is closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Close {
    /// ACK after good data.
    Ack,
    /// NAK after data.
    Nak,
    /// Nothing, as if the ACK were lost.
    Silence,
}

/// What the device answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Nothing.
    Silence,
    /// ACK.
    Ack,
    /// NAK.
    Nak,
    /// Data with a right CHK, without it.
    Data(Vec<u8>),
    /// Something that is no valid answer.
    Bad(Vec<u8>),
}

impl Answer {
    /// The data, where there is any.
    #[must_use]
    pub fn data(&self) -> Option<&[u8]> {
        match self {
            Self::Data(data) => Some(data),
            _ => None,
        }
    }

    /// The answer in plain words.
    #[must_use]
    pub fn text(&self) -> String {
        let hex = |bytes: &[u8]| {
            let hex: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
            hex.join(" ")
        };
        match self {
            Self::Silence => "silence".to_owned(),
            Self::Ack => "ACK".to_owned(),
            Self::Nak => "NAK".to_owned(),
            Self::Data(data) => format!("data {}", hex(data)),
            Self::Bad(bytes) => format!("{}, which is no valid answer", hex(bytes)),
        }
    }
}

#[derive(Debug)]
enum Machine {
    Changer(Box<Port<Changer>>),
    Bill(Box<Port<BillValidator>>),
    Cashless(Box<Port<CashlessDevice>>),
    Pulse(Box<PulseUnit>),
}

impl Machine {
    fn bus(&mut self) -> Option<&mut dyn BusPeripheral> {
        match self {
            Self::Changer(p) => Some(&mut **p),
            Self::Bill(p) => Some(&mut **p),
            Self::Cashless(p) => Some(&mut **p),
            Self::Pulse(_) => None,
        }
    }
}

/// The bench.
#[derive(Debug)]
pub struct Bench {
    kind: Kind,
    now: Micros,
    bus: VirtualBus,
    machine: Machine,
    layer: Layer,
    analyst: Analyst,
    books: Books,
    decimals: Decimals,
    heard: Vec<TimedWord>,
    answer_times: Vec<Micros>,
    gaps: Vec<Micros>,
    findings: Vec<Finding>,
    trains: Vec<TrainRecord>,
    currency_scale: i64,
}

impl Bench {
    /// Sets a device up. `None` when it contradicts itself.
    #[must_use]
    pub fn new(setup: &Setup) -> Option<Self> {
        let machine = match setup.kind {
            Kind::Changer => {
                let mut changer = Changer::new(setup.changer.clone(), setup.changer_quirks).ok()?;
                for code in &setup.changer_faults {
                    changer.set_fault(Micros::ZERO, *code, true);
                }
                Machine::Changer(Box::new(Port::new(changer, setup.timing)))
            }
            Kind::BillValidator | Kind::BillRecycler => {
                let bill = BillValidator::new(setup.bill.clone(), setup.bill_quirks).ok()?;
                Machine::Bill(Box::new(Port::new(bill, setup.timing)))
            }
            Kind::Cashless => {
                let cashless = CashlessDevice::new(setup.cashless.clone());
                Machine::Cashless(Box::new(Port::new(cashless, setup.timing)))
            }
            Kind::PulseBill
            | Kind::PulseCoin
            | Kind::PulseCoinHopper
            | Kind::PulseHopper
            | Kind::PulseCard => Machine::Pulse(Box::new(PulseUnit::new(setup).ok()?)),
        };
        let address = setup.kind.address().unwrap_or(Address::VMC);
        let mut bench = Self {
            kind: setup.kind,
            now: Micros::ZERO,
            bus: VirtualBus::new(1, Micros(60)),
            machine,
            layer: Layer::new(setup.habits.clone(), address),
            analyst: Analyst::new(),
            books: Books::new(),
            decimals: setup.decimals,
            heard: Vec::new(),
            answer_times: Vec::new(),
            gaps: Vec::new(),
            findings: Vec::new(),
            trains: Vec::new(),
            currency_scale: 1,
        };
        bench.collect();
        Some(bench)
    }

    /// What is examined.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.now
    }

    /// Decimals of all amounts.
    #[must_use]
    pub fn decimals(&self) -> Decimals {
        self.decimals
    }

    /// An amount as it is printed.
    #[must_use]
    pub fn show(&self, amount: Money) -> String {
        amount.show(self.decimals).to_string()
    }

    /// Where money is.
    #[must_use]
    pub fn books(&self) -> &Books {
        &self.books
    }

    /// What is in a place.
    #[must_use]
    pub fn balance(&self, place: &Place) -> Money {
        self.books.ledger().balance(place)
    }

    /// What all places that `which` accepts hold together.
    #[must_use]
    pub fn sum(&self, which: impl Fn(&Place) -> bool) -> Money {
        self.books.ledger().held(which)
    }

    /// Minor units per count, once SETUP told it.
    #[must_use]
    pub fn scale(&self) -> i64 {
        self.currency_scale
    }

    /// Remembers the scaling factor.
    pub fn set_scale(&mut self, factor: i64) {
        self.currency_scale = factor.max(1);
    }

    // ---- time --------------------------------------------------------------------------------

    fn machine_next(&mut self) -> Micros {
        match &mut self.machine {
            Machine::Pulse(d) => d.next_deadline(),
            other => other.bus().map_or(Micros::NEVER, |b| b.next_deadline()),
        }
    }

    /// Lets time pass until `to`.
    pub fn until(&mut self, to: Micros) {
        loop {
            let next = self.bus.next().min(self.machine_next());
            let next = next.min(self.layer.next_deadline());
            if next > to {
                break;
            }
            self.now = self.now.max(next);
            self.deliver();
            let now = self.now;
            match &mut self.machine {
                Machine::Pulse(d) => d.wake(now),
                other => {
                    if let Some(bus) = other.bus()
                        && bus.next_deadline() <= now
                    {
                        bus.wake(now);
                    }
                }
            }
            self.layer.wake(now);
            self.collect();
        }
        self.now = self.now.max(to);
        let now = self.now;
        let entries = self.analyst.idle(now);
        self.log(entries);
    }

    /// Lets time pass.
    pub fn wait(&mut self, time: Micros) {
        self.until(self.now + time);
    }

    fn deliver(&mut self) {
        while let Some(heard) = self.bus.pop(self.now) {
            let entries = self.analyst.event(&heard.event);
            self.log(entries);
            match heard.event {
                BusEvent::Word(word) if word.source == Source::Peripheral => self.heard.push(word),
                BusEvent::Word(word) => {
                    if let Some(bus) = self.machine.bus() {
                        self.layer.heard(word, bus);
                    }
                }
                BusEvent::Break { start, end, .. } => {
                    if self.layer.bus_reset(end)
                        && let Some(bus) = self.machine.bus()
                    {
                        bus.heard_break(start, end);
                    }
                }
                BusEvent::Garbled { .. } => {}
            }
            self.collect();
        }
    }

    fn log(&mut self, entries: Vec<Entry>) {
        self.findings
            .extend(entries.into_iter().filter_map(|e| match e {
                Entry::Finding(finding) => Some(finding),
                _ => None,
            }));
    }

    fn collect(&mut self) {
        let mut movements = Vec::new();
        match &mut self.machine {
            Machine::Pulse(d) => movements.extend(d.take_movements()),
            other => {
                if let Some(bus) = other.bus() {
                    while let Some(sent) = self.layer.take(bus) {
                        self.bus.transmit(Source::Peripheral, sent);
                    }
                    movements.extend(bus.take_movements());
                }
            }
        }
        for movement in movements {
            // Amounts too large for the ledger do not occur on these benches.
            let _ = self.books.book(self.now, None, movement);
        }
    }

    // ---- the operator ------------------------------------------------------------------------

    /// Has something done at the device. The end of the check when it cannot be.
    ///
    /// # Errors
    /// A skipped check: the device is of another kind.
    pub fn act(&mut self, act: Act) -> Result<(), Seen> {
        let now = self.now;
        match (&mut self.machine, act) {
            (Machine::Pulse(d), Act::Power(on)) => d.power(now, on),
            (machine, Act::Power(on)) => {
                self.layer.power(on);
                if let Some(bus) = machine.bus() {
                    bus.power(now, on);
                }
            }
            (Machine::Changer(p), act) => {
                let changer = p.device_mut();
                match act {
                    Act::Coin(t) => changer.insert_coin(now, CoinType::of(t)),
                    Act::Slug => changer.insert_slug(now),
                    Act::PressLever => changer.press_escrow_lever(now),
                    Act::ReleaseLever => changer.release_escrow_lever(now),
                    Act::BreakTubeSensor(t) => {
                        changer.break_tube_sensor(now, CoinType::of(t), true);
                    }
                    _ => return Err(Seen::skipped("a changer cannot do that")),
                }
            }
            (Machine::Bill(p), act) => {
                let bill = p.device_mut();
                match act {
                    Act::Bill(t) => {
                        bill.insert_bill(now, t);
                    }
                    Act::Paper => {
                        bill.insert_unknown_paper(now);
                    }
                    Act::RemoveCashBox => bill.remove_cash_box(now),
                    Act::FillStacker => {
                        bill.fill_stacker(now);
                    }
                    Act::JamBill => bill.break_down(now, Fault::Jam),
                    _ => return Err(Seen::skipped("a bill validator cannot do that")),
                }
            }
            (Machine::Cashless(p), Act::Card(balance)) => {
                p.device_mut().present_card(now, Card::with(Money(balance)));
            }
            (Machine::Pulse(d), Act::PulseMoney(value)) => d.put_in(now, Money(value)),
            (Machine::Pulse(d), Act::TakeCard) => d.remove_card(now),
            _ => return Err(Seen::skipped("this device cannot do that")),
        }
        self.collect();
        Ok(())
    }

    // ---- the bus -----------------------------------------------------------------------------

    /// Sends words and gives the end of the last.
    pub fn send(&mut self, words: Vec<Word>, gap: Micros) -> Micros {
        let at = self.now;
        let sent = Transmission::Words { at, words, gap };
        self.bus.transmit(Source::Master, sent)
    }

    /// Holds the bus for `length`.
    pub fn hold(&mut self, length: Micros) {
        let at = self.now;
        let sent = Transmission::Break { at, length };
        let end = self.bus.transmit(Source::Master, sent);
        self.until(end);
    }

    /// Resets the bus (section 3.2: 100 ms, then at least 200 ms of silence; 500 ms for older
    /// devices, Appendix 3, section 2).
    pub fn bus_reset(&mut self) {
        self.hold(Micros::ms(120));
        self.wait(Micros::ms(500));
    }

    /// One exchange; the command is without CHK.
    pub fn exchange(&mut self, command: &[u8], close: Close) -> Answer {
        let words = Block::truncated(command).master_words().collect();
        self.exchange_words(words, Micros(60), close)
    }

    /// One exchange with an ordinary end.
    pub fn ask(&mut self, command: &[u8]) -> Answer {
        self.exchange(command, Close::Ack)
    }

    /// One exchange, the words as they are.
    pub fn exchange_words(&mut self, words: Vec<Word>, gap: Micros, close: Close) -> Answer {
        self.heard.clear();
        let end = self.send(words, gap);
        self.until(end);
        let answer = self.listen(end);
        let after_data = matches!(answer, Answer::Data(_) | Answer::Bad(_));
        let say = match close {
            Close::Ack => ACK,
            Close::Nak => NAK,
            Close::Silence => {
                // Long enough for the device to give up on the ACK.
                self.wait(PATIENCE + Micros::ms(10));
                return answer;
            }
        };
        if after_data {
            self.say(say);
        }
        self.wait(REST);
        answer
    }

    /// Says one byte, as ACK, NAK and RET are said.
    pub fn say(&mut self, byte: u8) -> Micros {
        self.wait(TURNAROUND);
        self.heard.clear();
        let end = self.send(vec![Word::plain(byte)], Micros::ZERO);
        self.until(end);
        end
    }

    /// Waits for an answer to what ended at `end`.
    pub fn listen(&mut self, end: Micros) -> Answer {
        let mut by = end + PATIENCE + WORD_TIME;
        loop {
            let next = self.bus.next().min(self.machine_next());
            if next > by {
                break;
            }
            let known = self.heard.len();
            self.until(next);
            if self.heard.len() > known {
                by = self.now + Micros::ms(5) + WORD_TIME;
            }
            if self.heard.last().is_some_and(|w| w.word.mode) {
                break;
            }
        }
        let words = std::mem::take(&mut self.heard);
        let Some(first) = words.first() else {
            self.until(by);
            return Answer::Silence;
        };
        self.answer_times.push(first.start.since(end));
        let ends = words.iter().map(|w| w.end);
        let gaps = ends
            .zip(words.iter().skip(1))
            .map(|(end, next)| next.start.since(end));
        self.gaps.extend(gaps);
        let bytes: Vec<u8> = words.iter().map(|w| w.word.byte).collect();
        let closed = words.last().is_some_and(|w| w.word.mode);
        match (bytes.as_slice(), closed) {
            ([0x00], true) => Answer::Ack,
            ([0xFF], true) => Answer::Nak,
            ([_, _, ..], true) => match Block::from_wire(&bytes) {
                Ok(block) => Answer::Data(block.bytes().to_vec()),
                Err(_) => Answer::Bad(bytes),
            },
            _ => Answer::Bad(bytes),
        }
    }

    /// Words of the device that nobody asked for, since this was last called.
    pub fn take_unasked(&mut self) -> Vec<TimedWord> {
        std::mem::take(&mut self.heard)
    }

    /// Answer times so far.
    #[must_use]
    pub fn answer_times(&self) -> &[Micros] {
        &self.answer_times
    }

    /// Pauses inside answers so far.
    #[must_use]
    pub fn gaps(&self) -> &[Micros] {
        &self.gaps
    }

    // ---- the credit line ---------------------------------------------------------------------

    fn unit(&self) -> Result<&PulseUnit, Seen> {
        match &self.machine {
            Machine::Pulse(d) => Ok(d),
            _ => Err(Seen::skipped("the device has no credit line")),
        }
    }

    fn unit_mut(&mut self) -> Option<&mut PulseUnit> {
        match &mut self.machine {
            Machine::Pulse(d) => Some(d),
            _ => None,
        }
    }

    /// The profile the acceptor was set to.
    ///
    /// # Errors
    /// A skipped check: the device has no credit line.
    pub fn profile(&self) -> Result<&Profile, Seen> {
        self.unit().map(PulseUnit::profile)
    }

    /// The bills or coins the acceptor was set to take.
    #[must_use]
    pub fn values(&self) -> Vec<Money> {
        self.unit().map_or(Vec::new(), |d| d.values().to_vec())
    }

    /// Pulses a value is said by.
    #[must_use]
    pub fn pulses_for(&self, value: Money) -> u64 {
        self.unit().map_or(0, |d| d.pulses_for(value))
    }

    /// True for a card reader that asks every card for the same price.
    #[must_use]
    pub fn has_fixed_price(&self) -> bool {
        self.unit().is_ok_and(PulseUnit::has_fixed_price)
    }

    /// The wires of the payout hopper.
    ///
    /// # Errors
    /// A skipped check: there is none.
    pub(super) fn hopper(&self) -> Result<HopperWires, Seen> {
        let hopper = self.unit()?.hopper().cloned();
        hopper.ok_or_else(|| Seen::skipped("there is no hopper below it"))
    }

    /// Runs the motor of the hopper, or stops it.
    pub fn motor(&mut self, on: bool) {
        let now = self.now;
        if let Some(unit) = self.unit_mut() {
            unit.motor(now, on);
        }
        self.collect();
    }

    /// Pulses of the exit sensor since this was last called: when each began, and its width.
    pub fn take_exit(&mut self) -> Vec<(Micros, Micros)> {
        self.unit_mut().map_or(Vec::new(), PulseUnit::take_exit)
    }

    /// Lines that rest at the wrong level: credit lines, or the exit sensor's.
    #[must_use]
    pub fn wrong_at_rest(&self, exit: bool) -> Vec<String> {
        self.unit().map_or(Vec::new(), |d| d.wrong_at_rest(exit))
    }

    /// Sets the inhibit line.
    pub fn inhibit(&mut self, on: bool) {
        let now = self.now;
        if let Some(unit) = self.unit_mut() {
            unit.inhibit(now, on);
        }
        self.collect();
    }

    /// True when a credit line has moved since [`take_trains`](Self::take_trains) was last called.
    #[must_use]
    pub fn has_edges(&self) -> bool {
        self.unit().is_ok_and(PulseUnit::has_edges)
    }

    /// Edges on credit lines since this was last called, read as trains by the profile.
    pub fn take_trains(&mut self) -> Vec<Train> {
        let now = self.now;
        let Some(unit) = self.unit_mut() else {
            return Vec::new();
        };
        let (trains, name) = (unit.take_trains(now), unit.profile().name.clone());
        self.trains.extend(trains.iter().map(|train| TrainRecord {
            line: train.line.clone(),
            start_us: train.start(),
            pulses: train.count() as u64,
            widths_us: train.widths(),
            gaps_us: train.gaps(),
            profile: name.clone(),
            text: None,
        }));
        trains
    }

    // ---- what is left for the report ---------------------------------------------------------

    /// Ends the bench: findings, intervals and trains for the report.
    #[must_use]
    pub fn finish(mut self) -> Remains {
        let last = self.analyst.finish(self.now);
        self.log(last);
        Remains {
            now: self.now,
            findings: self.findings,
            intervals: vec![
                Interval::at_most("answer time", Micros::ms(5), self.answer_times),
                Interval::at_most("pause between bytes", Micros::ms(1), self.gaps),
            ],
            trains: self.trains,
            books: self.books,
        }
    }
}

/// What is left of a bench once its check is over.
#[derive(Debug)]
pub struct Remains {
    /// When it ended.
    pub now: Micros,
    /// Found on the wire.
    pub findings: Vec<Finding>,
    /// Measured.
    pub intervals: Vec<Interval>,
    /// Seen on the credit line.
    pub trains: Vec<TrainRecord>,
    /// Where money went.
    pub books: Books,
}
