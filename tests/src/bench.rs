//! The bench: bus, master, devices, books, moved along in simulated time.

use crate::frame::{decode, record, without_idle_polls};
use crate::{Frame, Spoken};
use payrig_bench::{Fault, FaultInjector, FaultKind, FrameKind, VirtualBus};
use payrig_controller::{BusMaster, Controller, MasterTiming, Outcome};
use payrig_mdb::{Address, Block};
use payrig_peripherals::{BusPeripheral, Device, Port, PortTiming};
use payrig_units::{Decimals, Micros, Money, Movement};
use payrig_wire::analysis::Books;
use payrig_wire::{BusEvent, Source, TimedWord, Transmission};
use std::cell::RefCell;
use std::rc::Rc;

/// A device on the bus: `borrow_mut().device_mut()` is where a test puts coins in.
pub type Plugged<D> = Rc<RefCell<Port<D>>>;

/// The master's side of a bench.
pub trait Master {
    /// A word of a peripheral.
    fn heard(&mut self, word: &TimedWord);
    /// When [`wake`](Self::wake) is wanted.
    fn next_deadline(&self) -> Micros;
    /// A deadline has come.
    fn wake(&mut self, now: Micros);
    /// The next transmission, if any.
    fn take_transmission(&mut self) -> Option<Transmission>;
    /// What it believes has moved since the last call.
    fn take_movements(&mut self) -> Vec<Movement>;
    /// What it showed since the last call.
    fn take_notes(&mut self) -> Vec<String>;
}

impl Master for Controller {
    fn heard(&mut self, word: &TimedWord) {
        Self::heard(self, word);
    }
    fn next_deadline(&self) -> Micros {
        Self::next_deadline(self)
    }
    fn wake(&mut self, now: Micros) {
        Self::wake(self, now);
    }
    fn take_transmission(&mut self) -> Option<Transmission> {
        Self::take_transmission(self)
    }
    fn take_movements(&mut self) -> Vec<Movement> {
        Self::take_movements(self)
    }
    fn take_notes(&mut self) -> Vec<String> {
        let (mut shown, notices) = self.take_shown();
        shown.extend(notices);
        shown
    }
}

/// A master that says what the test tells it to.
#[derive(Debug)]
pub struct Asker {
    bus: BusMaster,
    outcome: Option<Outcome>,
}

impl Asker {
    /// One that times its words so.
    #[must_use]
    pub fn new(timing: MasterTiming) -> Self {
        Self {
            bus: BusMaster::new(timing),
            outcome: None,
        }
    }

    /// How it times its words.
    pub fn timing_mut(&mut self) -> &mut MasterTiming {
        self.bus.timing_mut()
    }
}

impl Master for Asker {
    fn heard(&mut self, word: &TimedWord) {
        if let Some(outcome) = self.bus.heard(word) {
            self.outcome = Some(outcome);
        }
    }
    fn next_deadline(&self) -> Micros {
        self.bus.next_deadline()
    }
    fn wake(&mut self, now: Micros) {
        if let Some(outcome) = self.bus.wake(now) {
            self.outcome = Some(outcome);
        }
    }
    fn take_transmission(&mut self) -> Option<Transmission> {
        self.bus.take_transmission()
    }
    fn take_movements(&mut self) -> Vec<Movement> {
        Vec::new()
    }
    fn take_notes(&mut self) -> Vec<String> {
        Vec::new()
    }
}

/// A fault that strikes once, the next time. Change its fields for more.
#[must_use]
pub const fn fault(kind: FaultKind, from: Source, frame: FrameKind) -> Fault {
    Fault {
        kind,
        from,
        frame,
        address: None,
        skip: 0,
        count: 1,
    }
}

/// A bench in miniature.
pub struct Bench<M> {
    /// The master.
    pub master: M,
    now: Micros,
    wire: VirtualBus,
    faults: FaultInjector,
    devices: Vec<(String, Rc<RefCell<dyn BusPeripheral>>)>,
    frames: Vec<Frame>,
    books: Books,
    notes: Vec<(Micros, String)>,
}

impl<M: Master> Bench<M> {
    /// A bus without jitter and without devices, at time zero.
    pub fn new(master: M) -> Self {
        Self::with_wire(master, VirtualBus::new(1, Micros::ZERO))
    }

    /// The same on a given wire.
    pub fn with_wire(master: M, wire: VirtualBus) -> Self {
        Self {
            master,
            now: Micros::ZERO,
            wire,
            faults: FaultInjector::default(),
            devices: Vec::new(),
            frames: Vec::new(),
            books: Books::new(),
            notes: Vec::new(),
        }
    }

    /// Plugs a device in.
    pub fn plug<D: Device + 'static>(&mut self, name: &str, device: D) -> Plugged<D> {
        self.plug_timed(name, device, PortTiming::default())
    }

    /// Plugs in a device that times its answers so.
    pub fn plug_timed<D: Device + 'static>(
        &mut self,
        name: &str,
        device: D,
        timing: PortTiming,
    ) -> Plugged<D> {
        let port = Rc::new(RefCell::new(Port::new(device, timing)));
        self.devices.push((name.to_owned(), port.clone()));
        self.collect();
        port
    }

    /// Plugs in something that is on the bus without being a [`Port`].
    pub fn plug_peripheral<P: BusPeripheral + 'static>(
        &mut self,
        name: &str,
        peripheral: P,
    ) -> Rc<RefCell<P>> {
        let peripheral = Rc::new(RefCell::new(peripheral));
        self.devices.push((name.to_owned(), peripheral.clone()));
        self.collect();
        peripheral
    }

    /// Does something at it, at this moment.
    pub fn at_peripheral<P, T>(
        &mut self,
        peripheral: &Rc<RefCell<P>>,
        act: impl FnOnce(&mut P, Micros) -> T,
    ) -> T {
        let done = act(&mut peripheral.borrow_mut(), self.now);
        self.collect();
        done
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.now
    }

    /// Does something at a device, at this moment.
    pub fn at<D: Device, T>(
        &mut self,
        device: &Plugged<D>,
        act: impl FnOnce(&mut D, Micros) -> T,
    ) -> T {
        let done = act(device.borrow_mut().device_mut(), self.now);
        self.collect();
        done
    }

    /// Cuts or restores a device's power.
    pub fn power<D: Device>(&mut self, device: &Plugged<D>, on: bool) {
        device.borrow_mut().power(self.now, on);
        self.collect();
    }

    /// Adds a fault to the wire.
    pub fn add_fault(&mut self, fault: Fault) {
        self.faults.add(fault);
    }

    /// Lets time pass.
    pub fn run_for(&mut self, time: Micros) {
        let until = self.now + time;
        while self.next() <= until {
            self.step();
        }
        self.now = until;
    }

    /// Lets time pass until something is so, at most a minute. True when it came to be.
    pub fn run_until(&mut self, mut so: impl FnMut(&mut Self) -> bool) -> bool {
        let limit = self.now + Micros::secs(60);
        loop {
            if so(self) {
                return true;
            }
            let next = self.next();
            if next > limit {
                self.now = limit;
                return so(self);
            }
            self.step();
        }
    }

    fn next(&self) -> Micros {
        let devices = self.devices.iter().map(|(_, d)| d.borrow().next_deadline());
        self.wire
            .next()
            .min(self.master.next_deadline())
            .min(devices.min().unwrap_or(Micros::NEVER))
    }

    /// Goes to the next moment at which something happens, and lets it.
    fn step(&mut self) {
        self.now = self.now.max(self.next());
        if let Some(heard) = self.wire.pop(self.now) {
            record(&mut self.frames, &heard.event, heard.reaches_peer);
            if heard.reaches_peer {
                self.deliver(&heard.event);
            }
        } else {
            for (_, device) in &self.devices {
                let mut device = device.borrow_mut();
                if device.next_deadline() <= self.now {
                    device.wake(self.now);
                }
            }
            if self.master.next_deadline() <= self.now {
                self.master.wake(self.now);
            }
        }
        self.collect();
    }

    fn deliver(&mut self, event: &BusEvent) {
        match event {
            BusEvent::Word(word) if word.source == Source::Peripheral => self.master.heard(word),
            BusEvent::Word(word) => {
                for (_, device) in &self.devices {
                    device.borrow_mut().heard(word);
                }
            }
            BusEvent::Break { start, end, .. } => {
                for (_, device) in &self.devices {
                    device.borrow_mut().heard_break(*start, *end);
                }
            }
            BusEvent::Garbled { .. } => {}
        }
    }

    /// Takes what master and devices have to send and to tell.
    fn collect(&mut self) {
        for (name, device) in &self.devices {
            let mut device = device.borrow_mut();
            while let Some(sent) = device.take_transmission() {
                self.wire
                    .transmit_through(&mut self.faults, Source::Peripheral, sent);
            }
            for movement in device.take_movements() {
                self.books.book(self.now, None, movement).expect("booked");
            }
            let notes = device.take_notes();
            let told = |text| (self.now, format!("{name}: {text}"));
            self.notes.extend(notes.into_iter().map(told));
        }
        while let Some(sent) = self.master.take_transmission() {
            self.wire
                .transmit_through(&mut self.faults, Source::Master, sent);
        }
        for movement in self.master.take_movements() {
            self.books.book(self.now, None, movement).expect("booked");
        }
        let notes = self.master.take_notes();
        self.notes
            .extend(notes.into_iter().map(|text| (self.now, text)));
    }

    /// Forgets what was on the wire so far.
    pub fn forget(&mut self) {
        self.frames.clear();
    }

    /// What was on the wire since the start or [`forget`](Self::forget).
    #[must_use]
    pub fn frames(&self) -> &[Frame] {
        &self.frames
    }

    /// The same, in words: `> 0B* 0B`, `< 00*`. What the other side did not hear ends with `!`.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        self.frames.iter().map(Frame::to_string).collect()
    }

    /// The same, with what it means.
    #[must_use]
    pub fn spoken(&self) -> Vec<Spoken> {
        decode(&self.frames)
    }

    /// The same, by the names of the standard: `> POLL`, `< JUST RESET`, `> ACK`.
    #[must_use]
    pub fn names(&self) -> Vec<String> {
        self.spoken().iter().map(Spoken::name).collect()
    }

    /// What was said to and by one address, without the POLLs that had nothing to tell.
    #[must_use]
    pub fn conversation(&self, address: Address) -> Vec<Spoken> {
        let spoken = without_idle_polls(self.spoken());
        let with = |s: &Spoken| s.frame.address == Some(address);
        spoken.into_iter().filter(with).collect()
    }

    /// The names of [`conversation`](Self::conversation).
    #[must_use]
    pub fn conversation_names(&self, address: Address) -> Vec<String> {
        let spoken = self.conversation(address);
        spoken.iter().map(Spoken::name).collect()
    }

    /// What devices and master showed and noticed: `changer: returned: no power`.
    #[must_use]
    pub fn notes(&self) -> Vec<&str> {
        self.notes.iter().map(|(_, text)| text.as_str()).collect()
    }

    /// True when a note has these words in it.
    #[must_use]
    pub fn noted(&self, words: &str) -> bool {
        self.notes.iter().any(|(_, text)| text.contains(words))
    }

    /// The books.
    #[must_use]
    pub fn books(&self) -> &Books {
        &self.books
    }

    /// The balance of a place by its printed name: `changer tube 2`, `customer`.
    #[must_use]
    pub fn balance(&self, place: &str) -> Money {
        let mut all = self.books.ledger().balances();
        all.find(|(p, _)| p.to_string() == place)
            .map_or(Money::ZERO, |(_, m)| m)
    }

    /// Where board and money disagree, in words.
    #[must_use]
    pub fn discrepancies(&self) -> Vec<String> {
        let found = self.books.discrepancies();
        found.iter().map(|d| d.text(Decimals(2))).collect()
    }

    /// Checks that no money came from nowhere and that the board knows where it all is.
    ///
    /// # Panics
    /// When it does not.
    #[track_caller]
    pub fn assert_books_agree(&self) {
        assert_eq!(self.books.ledger().sum(), 0);
        assert_eq!(self.discrepancies(), Vec::<String>::new());
    }
}

impl Bench<Asker> {
    /// Sends a command (without CHK) and waits for the end of the exchange.
    ///
    /// # Panics
    /// When the bytes are no block.
    #[track_caller]
    pub fn ask(&mut self, bytes: &[u8]) -> Outcome {
        let block = Block::new(bytes).expect("1 to 35 bytes");
        self.now = self.now.max(self.master.bus.free_at());
        self.master.outcome = None;
        self.master.bus.command(self.now, &block);
        self.collect();
        let over = self.run_until(|b| b.master.outcome.is_some());
        assert!(over, "every exchange ends");
        // The ACK, NAK or RET after it is on the wire yet.
        let free = self.run_until(|b| b.master.bus.free_at() != Micros::NEVER);
        assert!(free, "the master becomes free");
        self.run_for(Micros::ms(2));
        self.master.outcome.unwrap_or(Outcome::Silence)
    }

    /// Holds the line active, and waits for the set-up time to pass.
    pub fn bus_reset(&mut self) {
        self.master.bus.bus_reset(self.now);
        self.collect();
        self.run_for(Micros::secs(1));
    }
}

impl Bench<Controller> {
    /// Runs until every peripheral is set up.
    ///
    /// # Panics
    /// When that does not come about within a minute.
    #[track_caller]
    pub fn run_until_ready(&mut self) {
        assert!(self.run_until(|b| b.master.is_ready()), "not ready");
    }

    /// Runs until no sale, payout or command is under way, and then as long as given.
    ///
    /// # Panics
    /// When that does not come about within a minute.
    #[track_caller]
    pub fn run_until_quiet(&mut self, and_then: Micros) {
        assert!(self.run_until(|b| b.master.is_quiet()), "not quiet");
        self.run_for(and_then);
    }

    /// Presses a selection.
    pub fn select(&mut self, item: u16) {
        self.master.select(self.now, item);
        self.collect();
    }

    /// Presses the machine's coin return.
    pub fn press_return(&mut self) {
        self.master.press_return(self.now);
        self.collect();
    }

    /// What the display shows as cash credit.
    #[must_use]
    pub fn credit(&self) -> Money {
        self.master.vending().credit()
    }
}
