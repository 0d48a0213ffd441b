//! The bench of the end-to-end tests: [`payrig_bench::Bench`] with one bus, attended by the test, and
//! handles on what stands on it. All time passes in there.

use crate::frame::{decode, record, without_idle_polls};
use crate::{Frame, Spoken};
use payrig_bench::action::Action;
use payrig_bench::nodes::{drain_bus, hear_bus};
use payrig_bench::{
    BusId, Fault, FaultKind, FrameKind, Input, Node, NodeId, Observation, Observed, Output,
    Refusal, node_identity,
};
use payrig_controller::{BusMaster, Controller, MasterTiming, Outcome};
use payrig_mdb::{Address, Block};
use payrig_peripherals::{BusPeripheral, Device, Port, PortTiming};
use payrig_units::{Decimals, Micros, Money};
use payrig_wire::analysis::Books;
use payrig_wire::recording::Entry;
use payrig_wire::{RuleName, Source};
use std::fmt;
use std::sync::{Arc, RwLock, RwLockReadGuard, RwLockWriteGuard};

/// Something that stands on a bench and that the test has a hand on, too.
///
/// A clone is another hand on the same: for tests, which do not clone their benches. A node of a
/// bench that is cloned shares nothing.
#[derive(Debug)]
struct Shared<P>(Arc<RwLock<P>>);

impl<P> Clone for Shared<P> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

impl<P> Shared<P> {
    fn new(it: P) -> Self {
        Self(Arc::new(RwLock::new(it)))
    }

    #[track_caller]
    fn read(&self) -> RwLockReadGuard<'_, P> {
        self.0.try_read().expect("nobody else works on it")
    }

    #[track_caller]
    fn write(&self) -> RwLockWriteGuard<'_, P> {
        self.0.try_write().expect("nobody else has a hand on it")
    }
}

/// A peripheral as a node.
#[derive(Debug)]
struct OnBus<P>(Shared<P>);

impl<P> Clone for OnBus<P> {
    fn clone(&self) -> Self {
        Self(self.0.clone())
    }
}

impl<P: BusPeripheral + fmt::Debug + Send + Sync + 'static> Node for OnBus<P> {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        self.0.read().next_deadline()
    }
    fn wake(&mut self, now: Micros) {
        self.0.write().wake(now);
    }
    fn hear(&mut self, input: &Input<'_>) {
        hear_bus(&mut *self.0.write(), input);
    }
    fn drain(&mut self, _: Micros, out: &mut Output) {
        drain_bus(&mut *self.0.write(), out);
    }
    fn power(&mut self, now: Micros, on: bool) {
        self.0.write().power(now, on);
    }
}

/// Something that is a node already: the master, or what is on pulse lines.
#[derive(Debug)]
struct OnTop<M>(Shared<M>);

impl<M> Clone for OnTop<M> {
    fn clone(&self) -> Self {
        Self(self.0.clone())
    }
}

impl<M: Node + Sync> Node for OnTop<M> {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        self.0.read().next_deadline()
    }
    fn wake(&mut self, now: Micros) {
        self.0.write().wake(now);
    }
    fn hear(&mut self, input: &Input<'_>) {
        self.0.write().hear(input);
    }
    fn drain(&mut self, now: Micros, out: &mut Output) {
        self.0.write().drain(now, out);
    }
    fn power(&mut self, now: Micros, on: bool) {
        self.0.write().power(now, on);
    }
    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        self.0.write().act(now, action)
    }
    fn observe(&self, what: &Observation) -> Option<Observed> {
        self.0.read().observe(what)
    }
    fn is_quiet(&self) -> bool {
        self.0.read().is_quiet()
    }
    fn resting_levels(&self) -> Vec<(String, bool)> {
        self.0.read().resting_levels()
    }
}

/// A hand on a peripheral of a bench. What is changed through it is known to the bench when it next
/// lets time pass.
#[derive(Debug)]
pub struct Handle<P> {
    node: NodeId,
    it: Shared<P>,
}

impl<P> Clone for Handle<P> {
    fn clone(&self) -> Self {
        Self {
            node: self.node,
            it: self.it.clone(),
        }
    }
}

impl<P> Handle<P> {
    /// To look at it.
    ///
    /// # Panics
    /// While it is being worked on.
    #[track_caller]
    pub fn borrow(&self) -> RwLockReadGuard<'_, P> {
        self.it.read()
    }

    /// To work on it.
    ///
    /// # Panics
    /// While somebody else does, or looks at it.
    #[track_caller]
    pub fn borrow_mut(&self) -> RwLockWriteGuard<'_, P> {
        self.it.write()
    }
}

/// A device on the bus: `borrow_mut().device_mut()` is where a test puts coins in.
pub type Plugged<D> = Handle<Port<D>>;

/// A master that says what the test tells it to.
#[derive(Clone, Debug)]
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

impl Node for Asker {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        self.bus.next_deadline()
    }
    fn wake(&mut self, now: Micros) {
        if let Some(outcome) = self.bus.wake(now) {
            self.outcome = Some(outcome);
        }
    }
    fn hear(&mut self, input: &Input<'_>) {
        if let Input::Word(word) = *input
            && let Some(outcome) = self.bus.heard(word)
        {
            self.outcome = Some(outcome);
        }
    }
    fn drain(&mut self, _: Micros, out: &mut Output) {
        while let Some(sent) = self.bus.take_transmission() {
            out.sent.push_back(sent);
        }
    }
    fn power(&mut self, _: Micros, _: bool) {}
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

/// A bench in miniature: one bus, its master, and devices.
pub struct Bench<M> {
    inner: payrig_bench::Bench,
    master: Handle<M>,
    /// Everything on it, and how it is looked at again.
    nodes: Vec<(NodeId, Refresh)>,
    frames: Vec<Frame>,
    notes: Vec<String>,
}

/// Takes what a node has to give out and its deadline, which may be others than the bench knows.
type Refresh = fn(&mut payrig_bench::Bench, NodeId);

fn refresh<N: Node>(bench: &mut payrig_bench::Bench, node: NodeId) {
    bench.at_node(node, |_: &mut N, _| ()).expect("it is there");
}

impl<M: Node + Sync> Bench<M> {
    /// A bus without jitter and without devices, at time zero.
    pub fn new(master: M) -> Self {
        Self::with_jitter(master, 1, Micros::ZERO)
    }

    /// The same with a bus that times words so much later, at most; the seed says which how much.
    pub fn with_jitter(master: M, seed: u64, jitter: Micros) -> Self {
        let mut inner = payrig_bench::Bench::new(seed, jitter, Decimals(2));
        inner.attend();
        inner.listen();
        let it = Shared::new(master);
        let node = inner.add_board(Box::new(OnTop(it.clone())));
        let mut bench = Self {
            inner,
            master: Handle { node, it },
            nodes: vec![(node, refresh::<OnTop<M>>)],
            frames: Vec::new(),
            notes: Vec::new(),
        };
        bench.refresh();
        bench
    }

    /// The master, to look at.
    ///
    /// # Panics
    /// While it is being worked on.
    #[track_caller]
    pub fn master(&self) -> RwLockReadGuard<'_, M> {
        self.master.borrow()
    }

    /// The master, to work on. What it gives out goes on its way when the bench next lets time pass.
    ///
    /// # Panics
    /// While somebody looks at it.
    #[track_caller]
    pub fn master_mut(&self) -> RwLockWriteGuard<'_, M> {
        self.master.borrow_mut()
    }

    /// Does something at the master, at this moment.
    fn at_master<T>(&mut self, act: impl FnOnce(&mut M, Micros) -> T) -> T {
        let node = self.master.node;
        self.at_node(node, |top: &mut OnTop<M>, now| act(&mut top.0.write(), now))
    }

    fn at_node<N: Node, T>(&mut self, node: NodeId, act: impl FnOnce(&mut N, Micros) -> T) -> T {
        let done = self.inner.at_node(node, act);
        self.take_in();
        done.expect("it is there")
    }

    /// Plugs a device in.
    pub fn plug<D>(&mut self, name: &str, device: D) -> Plugged<D>
    where
        D: Device + fmt::Debug + Send + Sync + 'static,
    {
        self.plug_timed(name, device, PortTiming::default())
    }

    /// Plugs in a device that times its answers so.
    pub fn plug_timed<D>(&mut self, name: &str, device: D, timing: PortTiming) -> Plugged<D>
    where
        D: Device + fmt::Debug + Send + Sync + 'static,
    {
        self.plug_peripheral(name, Port::new(device, timing))
    }

    /// Plugs in something that is on the bus without being a [`Port`].
    pub fn plug_peripheral<P>(&mut self, name: &str, peripheral: P) -> Handle<P>
    where
        P: BusPeripheral + fmt::Debug + Send + Sync + 'static,
    {
        let it = Shared::new(peripheral);
        let on = Some((BusId::BOARD, Source::Peripheral));
        let node = self.inner.add_node(name, Box::new(OnBus(it.clone())), on);
        self.nodes.push((node, refresh::<OnBus<P>>));
        self.refresh();
        Handle { node, it }
    }

    /// Puts a node beside the master, on the bus where it is a peripheral.
    pub fn plug_node<N: Node + Sync>(
        &mut self,
        name: &str,
        node: N,
        on: Option<Source>,
    ) -> Handle<N> {
        let it = Shared::new(node);
        let on = on.map(|side| (BusId::BOARD, side));
        let node = self.inner.add_node(name, Box::new(OnTop(it.clone())), on);
        self.nodes.push((node, refresh::<OnTop<N>>));
        Handle { node, it }
    }

    /// Has the pulses of a device counted by a bridge; who is on a line knows its level from then on.
    pub fn begin_lines<N>(&mut self, device: &str, bridge: &Handle<N>) {
        self.inner.count_by(device, bridge.node);
        self.inner.begin();
        self.refresh();
    }

    /// Cuts or restores the power of what goes by this name.
    pub fn power_of(&mut self, name: &str, on: bool) {
        self.refresh();
        self.inner.power(Some(name), on).expect("it is there");
        self.take_in();
    }

    /// Does something at it, at this moment.
    pub fn at_peripheral<P, T>(
        &mut self,
        peripheral: &Handle<P>,
        act: impl FnOnce(&mut P, Micros) -> T,
    ) -> T
    where
        P: BusPeripheral + fmt::Debug + Send + Sync + 'static,
    {
        let work = |on: &mut OnBus<P>, now| act(&mut on.0.write(), now);
        self.at_node(peripheral.node, work)
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.inner.now()
    }

    /// Does something at a device, at this moment.
    pub fn at<D, T>(&mut self, device: &Plugged<D>, act: impl FnOnce(&mut D, Micros) -> T) -> T
    where
        D: Device + fmt::Debug + Send + Sync + 'static,
    {
        self.at_peripheral(device, |port, now| act(port.device_mut(), now))
    }

    /// Cuts or restores a device's power.
    pub fn power<D>(&mut self, device: &Plugged<D>, on: bool)
    where
        D: Device + fmt::Debug + Send + Sync + 'static,
    {
        self.at_peripheral(device, |port, now| port.power(now, on));
    }

    /// Adds a fault to the wire.
    pub fn add_fault(&mut self, fault: Fault) {
        let done = self.inner.inject(BusId::BOARD, fault);
        done.expect("a virtual bus can do them all");
    }

    /// Lets time pass.
    pub fn run_for(&mut self, time: Micros) {
        let until = self.now() + time;
        self.refresh();
        self.inner.run_until(until);
        self.take_in();
    }

    /// Lets time pass until something is so, at most a minute. True when it did.
    pub fn run_until(&mut self, mut so: impl FnMut(&mut Self) -> bool) -> bool {
        let limit = self.now() + Micros::secs(60);
        loop {
            if so(self) {
                return true;
            }
            self.refresh();
            let next = self.inner.next_deadline();
            if next > limit {
                self.inner.move_on(limit);
                return so(self);
            }
            self.inner.advance(next);
            self.take_in();
        }
    }

    /// Tests change what stands here through their handles: the bench looks at all of it again.
    fn refresh(&mut self) {
        for (node, refresh) in &self.nodes {
            refresh(&mut self.inner, *node);
        }
        self.take_in();
    }

    /// Takes what was heard and noted.
    fn take_in(&mut self) {
        for (_, heard) in self.inner.take_heard() {
            record(&mut self.frames, &heard.event, heard.reaches_peer);
        }
        for entry in self.inner.take_entries() {
            match entry {
                // The machine speaks for itself.
                Entry::Note { who, text, .. } => self.notes.push(match who.as_deref() {
                    None | Some("board" | "display") => text,
                    Some(who) => format!("{who}: {text}"),
                }),
                Entry::Finding(found) => {
                    let broken = found.rule == RuleName::Money || found.rule == RuleName::Bench;
                    assert!(!broken, "{}", found.text);
                }
                _ => {}
            }
        }
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

    /// What was said to and by one address, without the POLLs that had nothing to report.
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
        self.notes.iter().map(String::as_str).collect()
    }

    /// True when a note has these words in it.
    #[must_use]
    pub fn noted(&self, words: &str) -> bool {
        self.notes.iter().any(|text| text.contains(words))
    }

    /// The books.
    #[must_use]
    pub fn books(&self) -> &Books {
        self.inner.books()
    }

    /// The balance of a place by its printed name: `changer tube 2`, `customer`.
    #[must_use]
    pub fn balance(&self, place: &str) -> Money {
        let mut all = self.books().ledger().balances();
        all.find(|(p, _)| p.to_string() == place)
            .map_or(Money::ZERO, |(_, m)| m)
    }

    /// Where board and money disagree, in words.
    #[must_use]
    pub fn discrepancies(&self) -> Vec<String> {
        let found = self.books().discrepancies();
        found.iter().map(|d| d.text(Decimals(2))).collect()
    }

    /// Checks that no money came from nowhere and that the board knows where it all is.
    ///
    /// # Panics
    /// When it does not.
    #[track_caller]
    pub fn assert_books_agree(&self) {
        assert_eq!(self.books().ledger().sum(), 0);
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
        let free = self.master().bus.free_at();
        self.inner.move_on(free);
        self.at_master(|asker, now| {
            asker.outcome = None;
            asker.bus.command(now, &block);
        });
        let over = self.run_until(|b| b.master().outcome.is_some());
        assert!(over, "every exchange ends");
        // The ACK, NAK or RET after it is on the wire yet.
        let free = self.run_until(|b| b.master().bus.free_at() != Micros::NEVER);
        assert!(free, "the master becomes free");
        self.run_for(Micros::ms(2));
        let outcome = self.master().outcome;
        outcome.unwrap_or(Outcome::Silence)
    }

    /// Holds the line active, and waits for the set-up time to pass.
    pub fn bus_reset(&mut self) {
        self.at_master(|asker, now| asker.bus.bus_reset(now));
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
        assert!(self.run_until(|b| b.master().is_ready()), "not ready");
    }

    /// Runs until no sale, payout or command is under way, and then as long as given.
    ///
    /// # Panics
    /// When that does not come about within a minute.
    #[track_caller]
    pub fn run_until_quiet(&mut self, and_then: Micros) {
        assert!(self.run_until(|b| b.master().is_quiet()), "not quiet");
        self.run_for(and_then);
    }

    /// Presses a selection.
    pub fn select(&mut self, item: u16) {
        self.at_master(|board, now| board.select(now, item));
    }

    /// Presses the machine's coin return.
    pub fn press_return(&mut self) {
        self.at_master(Controller::press_return);
    }

    /// What the display shows as cash credit.
    #[must_use]
    pub fn credit(&self) -> Money {
        self.master().vending().credit()
    }
}
