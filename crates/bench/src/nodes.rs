//! The nodes of the house: emulated peripherals, bridges, and our own board.

use crate::action::{Action, Coin, Tender};
use crate::node::{Input, LineEdge, Node, Output, Refusal, Shown};
use crate::observation::{Observation, Observed};
use crate::plan::PulsePlan;
use payrig_bridge::{MdbToPulse, PulseBridge};
use payrig_controller::{Controller, Life};
use payrig_mdb::changer::CoinType;
use payrig_peripherals::bill::{BillKind, BillValidator};
use payrig_peripherals::cashless::{Card, CashlessDevice};
use payrig_peripherals::changer::Changer;
use payrig_peripherals::pulse::{
    PulseAcceptor, PulseCardReader, PulseCoinAcceptor, PulseConfigError, PulseDevice, PulseHopper,
};
use payrig_peripherals::{BusPeripheral, Device, Port};
use payrig_units::{Micros, Money, Movement, Place};
use payrig_wire::Edge;
use std::collections::BTreeSet;

/// A device whose port and hands a bench knows.
pub trait Operable: Device {
    /// A person, or something in the machine, does this to it.
    ///
    /// # Errors
    /// When it cannot be done.
    fn operate(&mut self, now: Micros, action: &Action) -> Result<(), Refusal>;
}

/// A peripheral on a bus.
#[derive(Clone, Debug)]
pub struct Peripheral<D>(pub Port<D>);

impl<D: Operable + Clone + std::fmt::Debug + Send + 'static> Node for Peripheral<D> {
    crate::node_identity!();

    fn next_deadline(&self) -> Micros {
        self.0.next_deadline()
    }

    fn wake(&mut self, now: Micros) {
        self.0.wake(now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        hear_bus(&mut self.0, input);
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        drain_bus(&mut self.0, out);
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.0.power(now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        if let Action::Silent { time, .. } = action {
            self.0.stay_silent(now, *time);
            return Ok(());
        }
        self.0.device_mut().operate(now, action)
    }
}

/// What reaches a peripheral over its bus.
pub fn hear_bus<P: BusPeripheral + ?Sized>(port: &mut P, input: &Input<'_>) {
    match *input {
        Input::Word(word) => port.heard(word),
        Input::Break { start, end } => port.heard_break(start, end),
        Input::Level { .. } | Input::Edge { .. } | Input::LinkDelay(_) => {}
    }
}

/// What a peripheral on a bus gives out.
pub fn drain_bus<P: BusPeripheral + ?Sized>(port: &mut P, out: &mut Output) {
    while let Some(sent) = port.take_transmission() {
        out.sent.push_back(sent);
    }
    let moved = port.take_movements();
    if !moved.is_empty() {
        out.moved.extend(moved);
    }
    let notes = port.take_notes();
    if !notes.is_empty() {
        out.shown.extend(notes.into_iter().map(Shown::AtDevice));
    }
}

fn cannot(what: &str) -> Refusal {
    Refusal::CannotDo(what.to_owned())
}

fn now_or_never(done: Result<(), String>) -> Result<(), Refusal> {
    done.map_err(Refusal::NotNow)
}

impl Operable for Changer {
    fn operate(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::InsertCoin { coin, .. } => {
                let known = match *coin {
                    Tender::Worth(value) => Coin::Worth(value).at(self),
                    Tender::Type(number) => Some(CoinType::of(number)),
                    Tender::Unknown => None,
                };
                match known {
                    Some(coin_type) => self.insert_coin(now, coin_type),
                    // A coin the changer does not know is an object like any other.
                    None => self.insert_slug(now),
                }
                Ok(())
            }
            Action::AtChanger { what, .. } => now_or_never((*what).perform(self, now)),
            _ => Err(cannot("a changer")),
        }
    }
}

impl Operable for BillValidator {
    fn operate(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::InsertBill { bill, .. } => {
                let known = match bill {
                    Tender::Worth(value) => {
                        (0..16).find(|t| self.config().kind(*t) == BillKind::Value(*value))
                    }
                    Tender::Type(number) => Some(*number),
                    Tender::Unknown => None,
                };
                match known {
                    Some(bill_type) => self.insert_bill(now, bill_type),
                    None => self.insert_unknown_paper(now),
                };
                Ok(())
            }
            Action::AtBillValidator { what, .. } => now_or_never((*what).perform(self, now)),
            _ => Err(cannot("a bill validator")),
        }
    }
}

impl Operable for CashlessDevice {
    fn operate(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::AtCashless { what, .. } => now_or_never(what.perform(self, now)),
            Action::PresentCard { balance, .. } => {
                let card = balance.map_or_else(Card::unknown, Card::with);
                self.present_card(now, card);
                Ok(())
            }
            Action::RemoveCard { .. } => {
                self.remove_card(now);
                Ok(())
            }
            _ => Err(cannot("a card reader")),
        }
    }
}

/// Keeps the lines of something silent for a time: they rest. A pulse that has begun is ended.
#[derive(Clone, Debug, Default)]
struct Mute {
    until: Micros,
    /// The lines that are not at rest, as the other side sees them.
    driven: BTreeSet<String>,
}

impl Mute {
    fn begin(&mut self, now: Micros, time: Micros) {
        self.until = self.until.max(now + time);
    }

    /// Whether an edge goes out; `rest` is the level of the line at rest.
    fn lets_out(&mut self, line: &str, edge: Edge, rest: bool) -> bool {
        if edge.high == rest {
            return self.driven.remove(line);
        }
        edge.at >= self.until && self.driven.insert(line.to_owned())
    }

    /// What goes out of the edges of a device whose lines have these levels at rest.
    fn pass(
        &mut self,
        device: &str,
        edges: Vec<(String, Edge)>,
        rest: &[(String, bool)],
        out: &mut Output,
    ) {
        for (line, edge) in edges {
            let rest = rest.iter().find(|(name, _)| *name == line);
            if rest.is_none_or(|(_, rest)| self.lets_out(&line, edge, *rest)) {
                out.edges.push(LineEdge {
                    device: device.to_owned(),
                    line,
                    edge,
                });
            }
        }
    }
}

/// A device on pulse lines, on a bench.
#[derive(Clone, Debug)]
pub struct PulseNode {
    machine: PulseMachine,
    rest: Vec<(String, bool)>,
    mute: Mute,
}

/// A device on pulse lines.
#[derive(Clone, Debug)]
pub enum PulseMachine {
    /// A bill validator.
    Bill(PulseAcceptor),
    /// A coin acceptor, perhaps with a hopper below it.
    Coin(Box<PulseCoinAcceptor>),
    /// A payout hopper.
    Hopper(PulseHopper),
    /// A card reader.
    Card(PulseCardReader),
}

impl PulseNode {
    /// The device that a plan describes.
    ///
    /// # Errors
    /// When it contradicts itself or its profile.
    pub fn new(plan: &PulsePlan) -> Result<Self, PulseConfigError> {
        let machine = PulseMachine::new(plan)?;
        Ok(Self {
            rest: machine.device().resting_levels(),
            machine,
            mute: Mute::default(),
        })
    }

    /// The device.
    #[must_use]
    pub fn device(&self) -> &dyn PulseDevice {
        self.machine.device()
    }

    /// The device, to work on.
    pub fn device_mut(&mut self) -> &mut dyn PulseDevice {
        self.machine.device_mut()
    }
}

impl PulseMachine {
    /// The device that a plan describes.
    ///
    /// # Errors
    /// When it contradicts itself or its profile.
    fn new(plan: &PulsePlan) -> Result<Self, PulseConfigError> {
        Ok(match plan {
            PulsePlan::Bill(config) => Self::Bill(PulseAcceptor::new(config.clone())?),
            PulsePlan::Coin(config) => {
                Self::Coin(Box::new(PulseCoinAcceptor::new(config.clone())?))
            }
            PulsePlan::Hopper(config) => Self::Hopper(PulseHopper::new(config.clone())?),
            PulsePlan::Card(config) => Self::Card(PulseCardReader::new(config.clone())?),
        })
    }

    /// The device.
    #[must_use]
    pub fn device(&self) -> &dyn PulseDevice {
        match self {
            Self::Bill(d) => d,
            Self::Coin(d) => &**d,
            Self::Hopper(d) => d,
            Self::Card(d) => d,
        }
    }

    /// The device, to work on.
    pub fn device_mut(&mut self) -> &mut dyn PulseDevice {
        match self {
            Self::Bill(d) => d,
            Self::Coin(d) => &mut **d,
            Self::Hopper(d) => d,
            Self::Card(d) => d,
        }
    }
}

impl Node for PulseNode {
    crate::node_identity!();

    fn next_deadline(&self) -> Micros {
        self.device().next_deadline()
    }

    fn wake(&mut self, now: Micros) {
        self.device_mut().wake(now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        if let Input::Edge { line, edge, .. } = *input {
            self.device_mut().input_edge(edge.at, line, edge.high);
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        let edges = self.device_mut().take_edges();
        if !edges.is_empty() {
            let Self {
                machine,
                rest,
                mute,
            } = self;
            mute.pass(machine.device().name(), edges, rest, out);
        }
        let device = self.device_mut();
        out.moved.extend(device.take_movements());
        let notes = device.take_notes();
        out.shown.extend(notes.into_iter().map(Shown::AtDevice));
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.device_mut().power(now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        let worth = |tender: &Tender| match tender {
            Tender::Worth(value) => Ok(*value),
            Tender::Unknown => Ok(Money::ZERO),
            Tender::Type(_) => Err(Refusal::NotNow(
                "coins and bills have no types on pulse lines: name it by its value".to_owned(),
            )),
        };
        match (&mut self.machine, action) {
            (PulseMachine::Bill(device), Action::InsertBill { bill, .. }) => {
                device.insert_bill(now, worth(bill)?);
            }
            (PulseMachine::Coin(device), Action::InsertCoin { coin, .. }) => {
                device.insert_coin(now, worth(coin)?);
            }
            (PulseMachine::Card(device), Action::PresentCard { amount, .. }) => {
                device.present_card(now, *amount);
            }
            (PulseMachine::Card(device), Action::RemoveCard { .. }) => device.remove_card(now),
            (_, Action::Silent { time, .. }) => self.mute.begin(now, *time),
            _ => return Err(Refusal::CannotDo(self.device().name().to_owned())),
        }
        Ok(())
    }

    fn is_quiet(&self) -> bool {
        self.device().next_deadline() == Micros::NEVER
    }

    fn resting_levels(&self) -> Vec<(String, bool)> {
        self.device().resting_levels()
    }
}

/// A bridge from a pulse device to the bus.
#[derive(Clone, Debug)]
pub struct ToBus {
    /// The bridge.
    pub bridge: PulseBridge,
    /// The device whose pulses it counts.
    pub counts: String,
}

impl Node for ToBus {
    crate::node_identity!();

    fn next_deadline(&self) -> Micros {
        self.bridge.next_deadline()
    }

    fn wake(&mut self, now: Micros) {
        self.bridge.wake(now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        match *input {
            Input::Level { line, at, high, .. } => self.bridge.level(at, line, high),
            Input::Edge {
                line,
                edge,
                uncertainty,
                ..
            } => {
                let Self { bridge, .. } = self;
                bridge.input_edge_within(edge.at, line, edge.high, uncertainty);
            }
            Input::Word(_) | Input::Break { .. } | Input::LinkDelay(_) => {
                hear_bus(&mut self.bridge, input);
            }
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        drain_bus(&mut self.bridge, out);
        let edges = self.bridge.take_edges().into_iter();
        out.edges.extend(edges.map(|(line, edge)| LineEdge {
            device: self.counts.clone(),
            line,
            edge,
        }));
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.bridge.power(now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::Silent { time, .. } => {
                self.bridge.stay_silent(now, *time);
                Ok(())
            }
            _ => Err(cannot("a bridge")),
        }
    }

    fn is_quiet(&self) -> bool {
        self.bridge.bridge().is_idle()
    }
}

/// A bridge from a bill validator on a bus of its own to pulses.
#[derive(Clone, Debug)]
pub struct ToPulses {
    bridge: MdbToPulse,
    name: String,
    /// The validator, where it is at the other end of a port: nobody sees its money.
    outside: Option<String>,
    /// What the validator had reported when this was last asked.
    booked: Money,
    rest: Vec<(String, bool)>,
    mute: Mute,
}

impl ToPulses {
    /// A bridge of this name. `outside` names the validator where that is real.
    #[must_use]
    pub fn new(bridge: MdbToPulse, name: String, outside: Option<String>) -> Self {
        Self {
            rest: bridge.resting_levels(),
            bridge,
            name,
            outside,
            booked: Money::ZERO,
            mute: Mute::default(),
        }
    }

    /// The bridge.
    #[must_use]
    pub fn bridge(&self) -> &MdbToPulse {
        &self.bridge
    }
}

impl Node for ToPulses {
    crate::node_identity!();

    fn next_deadline(&self) -> Micros {
        self.bridge.next_deadline()
    }

    fn wake(&mut self, now: Micros) {
        self.bridge.wake(now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        match *input {
            Input::Word(word) => self.bridge.heard(word),
            Input::Edge { line, edge, .. } => self.bridge.input_edge(edge.at, line, edge.high),
            Input::LinkDelay(delay) => self.bridge.set_link_delay(delay),
            Input::Break { .. } | Input::Level { .. } => {}
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        while let Some(sent) = self.bridge.take_transmission() {
            out.sent.push_back(sent);
        }
        let edges = self.bridge.take_edges();
        self.mute.pass(&self.name, edges, &self.rest, out);
        let notes = self.bridge.take_notes();
        out.shown.extend(notes.into_iter().map(Shown::AtDevice));
        let taken = self.bridge.taken();
        let reported = taken.saturating_sub(self.booked);
        self.booked = taken;
        if let Some(validator) = self.outside.as_ref().filter(|_| !reported.is_zero()) {
            out.moved.push(Movement {
                from: Place::Customer,
                to: Place::Stacker(validator.clone()),
                amount: reported,
                why: format!(
                    "as it reported to {}: it is outside, and its money is not seen",
                    self.name
                ),
            });
        }
    }

    fn power(&mut self, now: Micros, on: bool) {
        self.bridge.power(now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::Silent { time, .. } => {
                self.mute.begin(now, *time);
                Ok(())
            }
            _ => Err(cannot("a bridge")),
        }
    }

    fn observe(&self, what: &Observation) -> Option<Observed> {
        match what {
            Observation::BoardReady => Some(Observed::Flag(self.bridge.is_running())),
            _ => None,
        }
    }

    fn is_quiet(&self) -> bool {
        self.bridge.is_idle()
    }

    fn resting_levels(&self) -> Vec<(String, bool)> {
        self.bridge.resting_levels()
    }
}

/// Our own board.
impl Node for Controller {
    crate::node_identity!();

    fn next_deadline(&self) -> Micros {
        Self::next_deadline(self)
    }

    fn wake(&mut self, now: Micros) {
        Self::wake(self, now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        match *input {
            Input::Word(word) => self.heard(word),
            Input::Level {
                device,
                line,
                at,
                high,
            } => self.pulse_level(at, device, line, high),
            Input::Edge {
                device,
                line,
                edge,
                uncertainty,
            } => self.pulse_edge_within(device, line, edge, uncertainty),
            Input::LinkDelay(delay) => self.set_link_delay(delay),
            Input::Break { .. } => {}
        }
    }

    fn drain(&mut self, _: Micros, out: &mut Output) {
        while let Some(sent) = self.take_transmission() {
            out.sent.push_back(sent);
        }
        let edges = self.take_pulse_edges().into_iter();
        out.edges
            .extend(edges.map(|(device, line, edge)| LineEdge { device, line, edge }));
        out.moved.extend(self.take_movements());
        out.delivered.extend(self.take_delivered());
        let (shown, notices) = self.take_shown();
        out.shown.extend(shown.into_iter().map(Shown::Display));
        out.shown.extend(notices.into_iter().map(Shown::Notice));
    }

    fn power(&mut self, now: Micros, on: bool) {
        Self::power(self, now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::Select { item } => self.select(now, *item),
            Action::AtMachine(what) => what.perform(self, now),
            Action::PressReturn => self.press_return(now),
            Action::JamItem { item } => self.jam(*item),
            Action::FreeItem { item } => self.free(*item),
            Action::BusReset => self.bus_reset(now),
            Action::Service { on } => self.set_service(now, *on),
            _ => return Err(cannot("the board")),
        }
        Ok(())
    }

    fn observe(&self, what: &Observation) -> Option<Observed> {
        Some(match what {
            Observation::Credit => Observed::Amount(self.vending().credit()),
            Observation::Display => Observed::Text(self.vending().display().to_string()),
            Observation::ExactChange => Observed::Flag(self.exact_change()),
            Observation::BoardReady => Observed::Flag(self.is_ready()),
            Observation::Ready(device) => Observed::Flag(self.life(device) == Some(Life::Running)),
            _ => return None,
        })
    }

    fn is_quiet(&self) -> bool {
        !self.powered() || Self::is_quiet(self)
    }
}
