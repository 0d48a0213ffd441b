//! The loop: nodes on buses and pulse lines, moved along in time by whoever drives them. Nothing here
//! waits: [`Bench::next_deadline`] is when something happens next, and [`Bench::advance`] makes it
//! happen. Simulated, live and lock-step drivers are all loops of these two.

mod event;
mod ports;
mod script;

pub use event::Event;
pub(crate) use ports::ReportedOutside;
pub use ports::{BusAt, LineLevel, OWN_LATENESS, Outbound};
pub(crate) use script::Script;

use crate::action::Action;
use crate::bus::{Bus, BusId, other_side};
use crate::fault::Fault;
use crate::machine::Keys;
use crate::node::{Input, Node, NodeId, Output, Refusal, Shown};
use crate::observation::{Observation, Observed};
use crate::plan::{DeviceLink, DevicePlan};
use crate::virtual_bus::Heard;
use crate::wiring::Wiring;
use payrig_controller::Controller;
use payrig_mdb::Address;
use payrig_units::{Decimals, Micros, Place};
use payrig_wire::analysis::{Books, PulseLines, breach};
use payrig_wire::recording::Entry;
use payrig_wire::{BusEvent, Edge, Finding, Origin, RuleName, Source, Transmission};
use std::collections::{BTreeMap, VecDeque};

/// How many rounds at one moment mean that a node asks to be woken for ever.
const ROUNDS: u32 = 10_000;

/// A node in its place.
#[derive(Clone, Debug)]
struct Placed {
    name: String,
    node: Box<dyn Node>,
    /// Its bus, and its side of it.
    on: Option<(BusId, Source)>,
    /// The address it answers to there.
    address: Option<Address>,
    /// When it wants to be woken, as of the last call.
    due: Micros,
    /// It was called since it was last emptied.
    touched: bool,
}

impl Placed {
    /// Calls the node: what it gives out is waiting then, and its deadline may be another.
    fn call<T>(&mut self, work: impl FnOnce(&mut dyn Node) -> T) -> T {
        let done = self.touch(work);
        self.due = self.node.next_deadline();
        done
    }

    /// The same where [`Bench::collect`] comes next, which asks for the deadline.
    fn touch<T>(&mut self, work: impl FnOnce(&mut dyn Node) -> T) -> T {
        self.touched = true;
        work(&mut *self.node)
    }
}

/// Whether a bench on which nobody was heard has tested something.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Peers {
    /// Whoever drives the bench judges that.
    #[default]
    NotAsked,
    /// It has not, and does not pass.
    Needed,
    /// It need not.
    Optional,
}

/// A bench. A clone of it goes on exactly as the original would.
#[derive(Clone, Debug)]
pub struct Bench {
    pub(crate) now: Micros,
    nodes: Vec<Placed>,
    pub(crate) buses: Vec<Bus>,
    /// The board, where it is our own.
    board: Option<usize>,
    /// The board keeps no books: there is nothing to compare those of its devices with.
    pub(crate) unbooked: bool,
    /// The bridge that counts the pulses of a device, where not the board does.
    behind: BTreeMap<String, usize>,
    pub(crate) pulses: PulseLines,
    pub(crate) books: Books,
    pub(crate) script: Script,
    /// What stands on the machine for its items.
    pub(crate) keys: Keys,
    pub(crate) decimals: Decimals,
    last_word: Option<Micros>,
    /// The driver did not look from when until, with what had piled up, when.
    pub(crate) stall: Option<ports::Stall>,
    pub(crate) ending: Option<Micros>,
    pub(crate) ended: bool,
    /// Something of it is real.
    pub(crate) live: bool,
    /// Somebody takes part in it: see [`attend`](Self::attend).
    pub(crate) attended: bool,
    /// Whether somebody has to be heard.
    pub(crate) peers: Peers,
    /// Something was there to be looked at.
    pub(crate) active: bool,
    /// Pulse lines that are on ports, and what is outside.
    pub(crate) wiring: Wiring,
    pub(crate) reported_outside: Vec<ReportedOutside>,
    /// Whoever is at the other end of the link can be asked to do something.
    pub(crate) asks_outside: bool,
    /// Edges for ports, and what is done there.
    pub(crate) outbound: VecDeque<Outbound>,
    delivered: Vec<u16>,
    /// What came off the buses, for whoever [listens](Self::listen).
    overheard: Option<Vec<(BusId, Heard)>>,
    /// Entries that are not in order yet: see [`publish`](Self::publish).
    pub(crate) pending: Vec<Entry>,
    /// Events that nobody has taken yet.
    pub(crate) events: VecDeque<Event>,
    /// The number of the next event.
    pub(crate) number: u64,
    /// Emptied and filled again; kept for its room.
    scratch: Output,
}

impl Bench {
    /// An empty bench at time zero: its only bus is the board's, virtual and silent.
    #[must_use]
    pub fn new(seed: u64, jitter: Micros, decimals: Decimals) -> Self {
        Self {
            now: Micros::ZERO,
            nodes: Vec::new(),
            buses: vec![Bus::simulated(None, seed, jitter)],
            board: None,
            unbooked: false,
            behind: BTreeMap::new(),
            pulses: PulseLines::default(),
            books: Books::new(),
            script: Script::default(),
            keys: Keys::default(),
            decimals,
            last_word: None,
            stall: None,
            ending: None,
            ended: false,
            live: false,
            attended: false,
            peers: Peers::default(),
            active: false,
            wiring: Wiring::default(),
            reported_outside: Vec::new(),
            asks_outside: false,
            outbound: VecDeque::new(),
            delivered: Vec::new(),
            overheard: None,
            pending: Vec::new(),
            events: VecDeque::new(),
            number: 1,
            scratch: Output::default(),
        }
    }

    // ---- setting up ----------------------------------------------------------------------------

    /// Puts the board's bus on a port, with this side at its other end.
    pub fn board_bus_on_port(&mut self, outside: Source) {
        if let Some(bus) = self.buses.first_mut() {
            *bus = Bus::on_port(None, outside);
        }
        self.live = true;
    }

    /// Somebody takes part in what happens on this bench and must know at once: events are given out
    /// as they become known instead of in order of time. A block becomes known when it ends.
    pub fn attend(&mut self) {
        self.attended = true;
    }

    /// Keeps everything that comes off the buses from now on, for [`take_heard`](Self::take_heard).
    pub fn listen(&mut self) {
        self.overheard.get_or_insert_default();
    }

    /// Every event on a bus since this was last asked, in order, as the tap on the bus sees it, and
    /// whether the other side heard it; nothing on a bench that nobody [listens](Self::listen) to.
    pub fn take_heard(&mut self) -> impl Iterator<Item = (BusId, Heard)> + '_ {
        self.overheard.iter_mut().flat_map(|all| all.drain(..))
    }

    /// Puts the pulse lines of a device on the port of its link. What they are connected to is outside,
    /// and its money is left to whoever knows of it.
    pub fn connect_lines(&mut self, device: &DevicePlan) {
        if let Some(DeviceLink::Lines(link)) = &device.link {
            self.wiring.device(device, link);
        }
    }

    pub(crate) fn add_bus(&mut self, bus: Bus) -> BusId {
        self.live |= bus.outside().is_some();
        self.buses.push(bus);
        BusId(self.buses.len() - 1)
    }

    pub(crate) fn set_live(&mut self) {
        self.live = true;
    }

    /// Puts a node on the bench, on a side of a bus where it has one. The device, its lines and its
    /// money go by this name.
    pub fn add_node(
        &mut self,
        name: &str,
        node: Box<dyn Node>,
        on: Option<(BusId, Source)>,
    ) -> NodeId {
        let due = node.next_deadline();
        self.nodes.push(Placed {
            name: name.to_owned(),
            node,
            on,
            address: None,
            due,
            touched: true,
        });
        NodeId(self.nodes.len() - 1)
    }

    /// Puts the board on the bench: the master of the first bus.
    pub fn add_board(&mut self, node: Box<dyn Node>) -> NodeId {
        let on = Some((BusId::BOARD, Source::Master));
        let id = self.add_node("board", node, on);
        self.board = Some(id.0);
        id
    }

    /// The board on this bench gives out no movements of its own: the books of its devices stand alone.
    pub fn board_without_books(&mut self) {
        self.unbooked = true;
    }

    /// The address that a node answers to on its bus.
    pub(crate) fn set_address(&mut self, node: NodeId, address: Option<Address>) {
        if let Some(placed) = self.nodes.get_mut(node.0) {
            placed.address = address;
        }
    }

    /// Moves a node to another bus.
    pub(crate) fn put_on(&mut self, node: NodeId, bus: BusId, side: Source) {
        if let Some(placed) = self.nodes.get_mut(node.0) {
            placed.on = Some((bus, side));
        }
    }

    pub(crate) fn has_board(&self) -> bool {
        self.board.is_some()
    }

    /// Has the pulses of a device counted by a bridge, and not by the board.
    pub fn count_by(&mut self, device: &str, bridge: NodeId) {
        self.behind.insert(device.to_owned(), bridge.0);
    }

    /// The end of setting up: who is on a line knows its level, and what the nodes have to say
    /// already is on its way.
    pub fn begin(&mut self) {
        let mut levels = Vec::new();
        for placed in &self.nodes {
            let own = placed.node.resting_levels().into_iter();
            levels.extend(own.map(|(line, high)| (placed.name.clone(), line, high)));
        }
        for (name, line, high) in levels {
            self.level(&name, &line, high);
        }
    }

    /// The bench is driven from outside: its script is left out, and it goes on until it is
    /// [ended](Self::finish_now).
    pub fn drive_from_outside(&mut self) {
        self.script = Script::default();
    }

    /// Lets a bench pass on which nobody was heard at the other end of a link.
    pub fn peer_optional(&mut self) {
        self.peers = Peers::Optional;
    }

    // ---- looking -------------------------------------------------------------------------------

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

    /// Nothing is under way: no device or board of ours has anything to finish, and no block is open.
    #[must_use]
    pub fn is_at_rest(&self) -> bool {
        self.all_quiet() && !self.buses.iter().any(Bus::is_open)
    }

    /// True when something of it is real.
    #[must_use]
    pub fn is_live(&self) -> bool {
        self.live
    }

    /// The books.
    #[must_use]
    pub fn books(&self) -> &Books {
        &self.books
    }

    /// The board, where it is our own controller without anything around it.
    #[must_use]
    pub fn board(&self) -> Option<&Controller> {
        let board = self.nodes.get(self.board?)?;
        board.node.as_any().downcast_ref()
    }

    /// How amounts are written.
    #[must_use]
    pub fn decimals(&self) -> Decimals {
        self.decimals
    }

    /// Numbers of the items delivered since the bench began.
    #[must_use]
    pub fn delivered(&self) -> &[u16] {
        &self.delivered
    }

    pub(crate) fn bus(&self, id: BusId) -> Option<&Bus> {
        self.buses.get(id.0)
    }

    /// A node, as what it is.
    #[must_use]
    pub fn node<N: Node>(&self, id: NodeId) -> Option<&N> {
        self.nodes.get(id.0)?.node.as_any().downcast_ref()
    }

    /// Does something to a node as what it is; what it gives out goes on its way at once. `None` when
    /// it is of another type.
    pub fn at_node<N: Node, T>(
        &mut self,
        id: NodeId,
        work: impl FnOnce(&mut N, Micros) -> T,
    ) -> Option<T> {
        let now = self.now;
        let placed = self.nodes.get_mut(id.0)?;
        let done = placed.call(|node| {
            let node = node.as_any_mut().downcast_mut()?;
            Some(work(node, now))
        })?;
        self.collect();
        Some(done)
    }

    /// The node of a name.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<NodeId> {
        self.nodes.iter().position(|p| p.name == name).map(NodeId)
    }

    /// Looks at something.
    ///
    /// # Errors
    /// When there is nothing of the kind to be seen on this bench.
    pub fn observe(&self, what: &Observation) -> Result<Observed, Refusal> {
        match what {
            Observation::Balance(place) => Ok(Observed::Amount(self.books.ledger().balance(place))),
            Observation::Delivered => {
                let count = u32::try_from(self.delivered.len()).unwrap_or(u32::MAX);
                Ok(Observed::Count(count))
            }
            Observation::Fell(item) => Ok(Observed::Flag(self.delivered.contains(item))),
            Observation::WentTo(place) => {
                let moved = self.books.ledger().entries().iter().map(|e| &e.movement);
                let mut real = moved
                    .rev()
                    .filter(|m| m.to.is_physical() && m.from != Place::Supply);
                Ok(Observed::Flag(real.next().is_some_and(|m| m.to == *place)))
            }
            Observation::Seen(text) => Ok(Observed::Flag(self.script.has_seen(text))),
            Observation::BoardReady => Ok(Observed::Flag(self.is_ready())),
            Observation::Ready(device) => Ok(Observed::Flag(self.device_ready(device))),
            Observation::Credit | Observation::Display | Observation::ExactChange => {
                let board = self.board.and_then(|board| self.nodes.get(board));
                let seen = board.and_then(|board| board.node.observe(what));
                seen.ok_or(Refusal::BoardOutside)
            }
        }
    }

    /// True when everything is set up by whoever is its master.
    fn is_ready(&self) -> bool {
        let masters = self.nodes.iter().filter(|p| is_master(p));
        let mut ready = masters.map(|p| p.node.observe(&Observation::BoardReady));
        let ours = ready.all(|r| r.is_none_or(|r| r.is_true()));
        ours && self.buses.iter().all(Bus::all_polled)
    }

    fn device_ready(&self, device: &str) -> bool {
        if let Some(polled) = self.buses.iter().find_map(|bus| bus.is_polled(device)) {
            return polled;
        }
        let on = self.nodes.iter().find(|p| p.name == device);
        // One that is not ours may be on the bus of a bridge.
        let bus = match on {
            Some(placed) => placed.on.map(|(bus, _)| bus),
            None => self.bus_of_real(device),
        };
        // On a bus beside the board's, all that its master there knows is whether all is set up.
        let (master, what) = match bus.filter(|bus| *bus != BusId::BOARD) {
            Some(bus) => {
                let on = Some((bus, Source::Master));
                let master = self.nodes.iter().find(|p| p.on == on);
                (master, Observation::BoardReady)
            }
            None => {
                let board = self.board.and_then(|board| self.nodes.get(board));
                (board, Observation::Ready(device.to_owned()))
            }
        };
        master
            .and_then(|p| p.node.observe(&what))
            .is_some_and(|r| r.is_true())
    }

    /// The bus a device is on, ours or real; the board's for none.
    fn bus_of(&self, device: Option<&str>) -> Result<BusId, Refusal> {
        let Some(device) = device else {
            return Ok(BusId::BOARD);
        };
        let ours = self.nodes.iter().find(|p| p.name == device);
        let beside = || self.bus_of_real(device);
        let bus = match ours {
            Some(placed) => placed.on.map(|(bus, _)| bus),
            None => beside().or_else(|| self.wiring.outside_place(device).map(|_| BusId::BOARD)),
        };
        bus.ok_or_else(|| Refusal::NotOnABus(device.to_owned()))
    }

    /// The bus beside the board's that a real device is on.
    fn bus_of_real(&self, device: &str) -> Option<BusId> {
        let mut all = self.buses.iter().enumerate().skip(1);
        let (index, _) = all.find(|(_, bus)| bus.serves.as_deref() == Some(device))?;
        Some(BusId(index))
    }

    // ---- doing ---------------------------------------------------------------------------------

    /// Does something, now.
    ///
    /// # Errors
    /// When it cannot be done: says why at once, and nothing has happened.
    pub fn act(&mut self, action: &Action) -> Result<(), Refusal> {
        let done = self.begin_act(action);
        tracing::debug!(target: "payrig::action", at = %self.now, ?action, refused = ?done.as_ref().err());
        self.collect();
        done
    }

    /// The same, and the log says that it was done.
    ///
    /// # Errors
    /// As [`act`](Self::act); what was refused is not in the log.
    pub fn act_and_log(&mut self, action: &Action) -> Result<(), Refusal> {
        let done = self.begin_act(action);
        if done.is_ok() {
            self.pending.push(Entry::Act {
                at_us: self.now,
                text: action.text_at(self.decimals, &self.keys),
            });
        }
        tracing::debug!(target: "payrig::action", at = %self.now, ?action, refused = ?done.as_ref().err());
        self.collect();
        self.publish();
        done
    }

    /// The same, and what follows from it is still with the nodes.
    pub(crate) fn begin_act(&mut self, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::Fault(action) => {
                let bus = self.bus_of(action.device.as_deref())?;
                return self.inject(bus, action.fault);
            }
            Action::EndFaults { device, address } => {
                return self.end_faults(device.as_deref(), *address);
            }
            _ if self.is_done_outside(action) => {
                self.outbound.push_back(Outbound::Act(action.clone()));
                return Ok(());
            }
            Action::Power { device, on } => return self.begin_power(device.as_deref(), *on),
            _ => {}
        }
        let who = action.device();
        let index = self.who(who)?;
        let now = self.now;
        let Some(placed) = self.nodes.get_mut(index) else {
            return Err(Refusal::BoardOutside);
        };
        let done = placed.call(|node| node.act(now, action));
        if let (Ok(()), Action::Silent { device, time }) = (&done, action) {
            self.silenced(index, device, *time);
        }
        match (done, who) {
            (Err(Refusal::CannotDo(_)), Some(device)) => Err(Refusal::CannotDo(device.to_owned())),
            (done, _) => done,
        }
    }

    /// A device is kept silent for so long from now: the tap on its bus expects no answers.
    fn silenced(&mut self, index: usize, device: &str, time: Micros) {
        let (from, until) = (self.now, self.now + time);
        let placed = self.nodes.get(index);
        let address = placed.and_then(|p| p.address);
        let on = placed.and_then(|p| p.on).map(|(bus, _)| bus);
        let bus = on.and_then(|id| self.buses.get_mut(id.0));
        let name = bus.as_ref().and_then(|bus| bus.name.clone());
        if let (Some(bus), Some(address)) = (bus, address) {
            bus.analyst_mut().silenced(address, from, until);
        }
        self.pending.push(Entry::Silent {
            at_us: from,
            until_us: until,
            who: device.to_owned(),
            address: address.map(Address::byte),
            bus: name,
        });
    }

    /// The node of a device; the board for none.
    fn who(&self, device: Option<&str>) -> Result<usize, Refusal> {
        let Some(device) = device else {
            return self.board.ok_or(Refusal::BoardOutside);
        };
        if self.wiring.outside_place(device).is_some() {
            return Err(Refusal::DeviceOutside(device.to_owned()));
        }
        let found = self.find(device).map(|id| id.0);
        found.ok_or_else(|| Refusal::NoSuchDevice(device.to_owned()))
    }

    /// Cuts the power of a device, or of the board, or gives it back.
    ///
    /// # Errors
    /// When it is not ours, or not there.
    pub fn power(&mut self, device: Option<&str>, on: bool) -> Result<(), Refusal> {
        let done = self.begin_power(device, on);
        self.collect();
        done
    }

    fn begin_power(&mut self, device: Option<&str>, on: bool) -> Result<(), Refusal> {
        let index = self.who(device)?;
        let now = self.now;
        if let Some(placed) = self.nodes.get_mut(index) {
            tracing::debug!(target: "payrig::node", node = placed.name, %now, on, "power");
            placed.call(|node| node.power(now, on));
        }
        self.pulses.power(device, now, on);
        self.pending.push(Entry::Power {
            at_us: now,
            who: device.map(str::to_owned),
            on,
        });
        Ok(())
    }

    /// Puts a fault on a bus.
    ///
    /// # Errors
    /// When the bus is on a port that cannot do it.
    pub fn inject(&mut self, bus: BusId, fault: Fault) -> Result<(), Refusal> {
        match self.buses.get_mut(bus.0) {
            Some(bus) => bus.inject(fault),
            None => Err(Refusal::Link("there is no such bus")),
        }
    }

    /// Takes faults away that are still to strike: of the bus of a device, or of all.
    fn end_faults(
        &mut self,
        device: Option<&str>,
        address: Option<Address>,
    ) -> Result<(), Refusal> {
        let only = device.map(|device| self.bus_of(Some(device))).transpose()?;
        for (index, bus) in self.buses.iter_mut().enumerate() {
            if only.is_none_or(|only| only == BusId(index)) {
                bus.end_faults(address);
            }
        }
        Ok(())
    }

    /// Says something on a bus in the place of a side, for checks that speak themselves. Returns when
    /// it ends, as far as that is known yet.
    pub fn transmit(&mut self, bus: BusId, side: Source, sent: Transmission) -> Micros {
        let now = self.now;
        match self.buses.get_mut(bus.0) {
            Some(bus) => bus.transmit(side, sent),
            None => now,
        }
    }

    /// Moves a pulse line in the place of its device, for checks that disturb it.
    pub fn drive_line(&mut self, device: &str, line: &str, edge: Edge) {
        self.put_edge(self.find(device).map(|id| id.0), device, line, edge);
        self.collect();
    }

    /// An edge that a node makes goes to the port of its line, or to everybody else who is on it.
    fn put_edge(&mut self, from: Option<usize>, device: &str, line: &str, edge: Edge) {
        if !self.send_edge(device, line, edge) {
            self.log_edge(device, line, edge, Micros::ZERO);
            self.edge_to_nodes(from, device, line, edge, Micros::ZERO);
        }
    }

    // ---- time ----------------------------------------------------------------------------------

    /// When something happens next: the earliest of all nodes', buses' and the script's times, and of
    /// the moments at which an event can be given out.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        if self.ended {
            return Micros::NEVER;
        }
        self.nodes_next()
            .min(self.script.next_deadline())
            .min(self.end_time())
            .min(self.publish_time())
            .min(self.stall_over())
    }

    pub(crate) fn nodes_next(&self) -> Micros {
        let nodes = self.nodes.iter().map(|p| p.due);
        let buses = self.buses.iter().map(Bus::next);
        let next = nodes.chain(buses).min().unwrap_or(Micros::NEVER);
        next.min(self.pulses.next_deadline())
    }

    /// Bench time has come to `now`; what is due is left for [`advance`](Self::advance).
    pub fn move_on(&mut self, now: Micros) {
        self.now = self.now.max(now);
    }

    /// Moves the bench on to `to` (never backwards) and lets everything due happen.
    pub fn advance(&mut self, to: Micros) {
        if self.ended {
            return;
        }
        self.now = self.now.max(to);
        for round in 0.. {
            self.deliver();
            self.wake();
            self.collect();
            // What was delivered and woken has been taken in by then: only a step can change more.
            if !self.play() && self.nodes_next() > self.now {
                break;
            }
            if round > ROUNDS {
                let text =
                    "a node asks to be woken again and again at one moment: a fault of this tool";
                self.report_fault(text);
                self.finish_now();
                return;
            }
        }
        // A bench on a link without a script goes on until it is stopped.
        let open_ended = self.script.is_endless() || self.live && !self.script.had_steps();
        if self.ending.is_none() && self.script.ended() && !open_ended {
            self.ending = Some(self.now);
        }
        if self.stall_over() <= self.now {
            self.end_stall();
        }
        if self.end_time() <= self.now {
            self.finish();
        }
        self.publish();
    }

    /// Lets everything happen, at its own time, that is due before `to`: what came through a port then
    /// must not overtake it.
    pub fn advance_before(&mut self, to: Micros) {
        while self.next_deadline() < to {
            self.advance(self.next_deadline());
        }
    }

    /// Runs in simulated time until `to`, or until the bench has ended.
    pub fn run_until(&mut self, to: Micros) {
        while !self.ended && self.next_deadline() <= to {
            let next = self.next_deadline();
            self.advance(next);
        }
        if !self.ended {
            self.now = self.now.max(to);
        }
    }

    fn report_fault(&mut self, text: &'static str) {
        self.report(Finding::advice(RuleName::Bench, self.now, text));
    }

    /// Takes what is complete off the buses and gives it to those who hear it.
    fn deliver(&mut self) {
        for index in 0..self.buses.len() {
            let id = BusId(index);
            while let Some(heard) = self.buses.get_mut(index).and_then(|b| b.pop(self.now)) {
                self.tap(id, &heard.event, heard.reaches_peer);
                if heard.reaches_peer {
                    self.hear(id, &heard.event);
                }
                self.collect();
            }
        }
    }

    /// The tap on a bus sees an event, which the other side hears or not.
    pub(crate) fn tap(&mut self, id: BusId, event: &BusEvent, reaches_peer: bool) {
        if let Some(overheard) = &mut self.overheard {
            let event = *event;
            overheard.push((
                id,
                Heard {
                    event,
                    reaches_peer,
                },
            ));
        }
        if let (BusId::BOARD, BusEvent::Word(word)) = (id, event) {
            self.last_word = Some(word.start);
        }
        tracing::trace!(target: "payrig::word", bus = id.0, ?event);
        if let Some(bus) = self.buses.get_mut(id.0) {
            bus.tap(self.now, event, &mut self.pending);
        }
    }

    /// The nodes on the other side of an event hear it; to be collected next.
    pub(crate) fn hear(&mut self, id: BusId, event: &BusEvent) {
        let (input, from) = match event {
            BusEvent::Word(word) => (Input::Word(word), word.source),
            BusEvent::Break {
                start, end, source, ..
            } => {
                let (start, end) = (*start, *end);
                (Input::Break { start, end }, *source)
            }
            BusEvent::Garbled { .. } => return,
        };
        self.reach_side(id, other_side(from), &input);
    }

    /// Something reaches the nodes on one side of a bus; to be collected next.
    pub(crate) fn reach_side(&mut self, id: BusId, side: Source, input: &Input<'_>) {
        let on = Some((id, side));
        for placed in self.nodes.iter_mut().filter(|p| p.on == on) {
            placed.touch(|node| node.hear(input));
        }
    }

    /// Something reaches a node.
    pub(crate) fn input(&mut self, node: usize, input: &Input<'_>) {
        if let Some(placed) = self.nodes.get_mut(node) {
            placed.call(|node| node.hear(input));
        }
    }

    /// Who is on the lines of a device: the device itself, and whoever counts its pulses.
    pub(crate) fn on_line(&self, device: &str) -> [Option<usize>; 2] {
        let own = self.find(device).map(|id| id.0);
        let counter = self.behind.get(device).copied().or(self.board);
        [own, counter]
    }

    /// Wakes whoever is due; to be collected next.
    fn wake(&mut self) {
        let now = self.now;
        for placed in self.nodes.iter_mut().filter(|p| p.due <= now) {
            tracing::trace!(target: "payrig::node", node = placed.name, %now, "woken");
            placed.touch(|node| node.wake(now));
        }
        for bus in &mut self.buses {
            bus.idle(now, &mut self.pending);
        }
        if self.pulses.next_deadline() <= now {
            self.pulses.idle(now);
        }
    }

    /// Lets the script go on as far as it can.
    fn play(&mut self) -> bool {
        let mut any = false;
        while let Some(step) = self.next_step() {
            any = true;
            if step.passed == Some(false) {
                let why = step.why.clone().unwrap_or_default();
                let text = format!("line {}: {why}", step.line);
                self.report(breach(RuleName::Script, Origin::Script, self.now, text));
            }
            self.pending.push(Entry::Step {
                at_us: self.now,
                number: step.number,
                text: step.text,
                passed: step.passed,
                why: step.why,
            });
        }
        if any {
            self.collect();
        }
        any
    }

    /// Takes what the nodes give out and sends it on its way, until nobody has anything left.
    pub(crate) fn collect(&mut self) {
        let now = self.now;
        let mut from = 0;
        loop {
            let mut nodes = self.nodes.iter_mut().enumerate().skip(from);
            let Some((index, placed)) = nodes.find(|(_, p)| p.touched) else {
                break;
            };
            let out = &mut self.scratch;
            placed.touched = false;
            placed.node.drain(now, out);
            placed.due = placed.node.next_deadline();
            if let Some((bus, side)) = placed.on
                && let Some(bus) = self.buses.get_mut(bus.0)
            {
                for sent in out.sent.drain(..) {
                    bus.transmit(side, sent);
                }
            }
            out.sent.clear();
            // Words reach nobody before they are over; whatever else is given out may.
            if out.is_empty() {
                from = index + 1;
                continue;
            }
            from = 0;
            let mut out = std::mem::take(&mut self.scratch);
            for made in out.edges.drain(..) {
                self.put_edge(Some(index), &made.device, &made.line, made.edge);
            }
            for movement in out.moved.drain(..) {
                self.book(movement);
            }
            self.delivered.append(&mut out.delivered);
            for shown in out.shown.drain(..) {
                let (who, text) = match shown {
                    Shown::Display(text) => ("display".to_owned(), text),
                    Shown::Notice(text) => ("board".to_owned(), text),
                    Shown::AtDevice(text) => (self.name_of(index), text),
                };
                self.note(Some(who), text);
            }
            self.scratch = out;
        }
        self.measured();
    }

    fn name_of(&self, index: usize) -> String {
        let placed = self.nodes.get(index);
        placed.map_or_else(String::new, |p| p.name.clone())
    }

    pub(crate) fn all_quiet(&self) -> bool {
        self.nodes.iter().all(|p| p.node.is_quiet())
    }

    pub(crate) fn word_of_now(&self) -> Option<Micros> {
        // The opening fill is moved by no word.
        self.last_word.filter(|_| self.now > Micros::ZERO)
    }
}

fn is_master(placed: &Placed) -> bool {
    matches!(placed.on, Some((_, Source::Master)))
}
