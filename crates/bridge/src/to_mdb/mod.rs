//! An old acceptor on pulse lines appears on the bus.
//!
//! What pulses cannot express is lost:
//!
//! - **Escrow.** A pulse acceptor keeps what it reports. The bridge says that it has no escrow
//!   (MDB/ICP 4.3, section 6.3, SETUP, Z11) and answers ESCROW with INVALID ESCROW REQUEST.
//! - **Enabling single types.** There is one inhibit line for all that the acceptor takes
//!   ([`Release`]).
//! - **Which bills.** Five pulses are 5.00, whether from one bill or from five. A train is reported in the fewest
//!   bills that make it ([`crate::split`]).
//! - **What happens in the acceptor**: jams, a full stacker, attempts of fraud. A line that stays
//!   active is reported as a sensor problem (bill) or an unplugged acceptor (coins).

mod bill;
mod coins;

use crate::listener::Listener;
use crate::split::split;
use payrig_mdb::{Address, Block, CurrencyCode, Scaling};
use payrig_peripherals::{Device, Reply};
use payrig_pulse::{Edge, Profile};
use payrig_units::{Decimals, Micros, Money, Movement, words};
use std::collections::VecDeque;

/// What the acceptor appears as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Appearance {
    /// A bill validator, level 1, without escrow (section 6).
    BillValidator,
    /// A coin changer, level 3, without tubes: it only accepts (section 5).
    Changer,
}

/// When the acceptor's one inhibit line is released.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Release {
    /// When every type it takes is enabled: no money comes in that the VMC does not want.
    #[default]
    AllEnabled,
    /// When any type is enabled: money of a disabled type may come in, and is reported.
    AnyEnabled,
}

/// All that describes a bridge from pulses to the bus.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PulseToMdbConfig {
    /// What the bench calls it.
    pub name: String,
    /// What it appears as.
    pub appears: Appearance,
    /// The profile it counts by; the inhibit line is part of it.
    pub profile: Profile,
    /// Values of its bill or coin types, in order; at most 16.
    pub values: Vec<Money>,
    /// Scaling factor and decimals it reports. A changer's factor is at most 255.
    pub scaling: Scaling,
    /// Currency it reports.
    pub currency: CurrencyCode,
    /// When the inhibit is released.
    pub release: Release,
}

/// A bridge that cannot be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BridgeError {
    /// No values, or more than there are types.
    #[error("a bridge has 1 to 16 values, one for each type on the bus; this one has {0}")]
    Values(usize),
    /// A value that the scaling factor cannot express.
    #[error(
        "{amount} minor units cannot be expressed on the bus with a scaling factor of {factor}: it must \
         be a multiple of it, {most} times it at most"
    )]
    Unsayable {
        /// The value.
        amount: i64,
        /// The factor.
        factor: u16,
        /// The most counts.
        most: u32,
    },
    /// A value no whole number of pulses makes.
    #[error(
        "no number of pulses of profile \"{profile}\" is worth {amount} minor units: change pulses \
         and unit of the profile, or leave the value out"
    )]
    NoPulses {
        /// The value.
        amount: i64,
        /// The profile.
        profile: String,
    },
    /// A changer's factor is one byte.
    #[error("a changer's scaling factor is at most 255 (section 5.3, SETUP, Z4), not {0}")]
    Factor(u16),
}

impl PulseToMdbConfig {
    /// Checks that pulses and bus can both express the values.
    ///
    /// # Errors
    /// The first thing that cannot be.
    pub fn check(&self) -> Result<(), BridgeError> {
        if self.values.is_empty() || self.values.len() > 16 {
            return Err(BridgeError::Values(self.values.len()));
        }
        let factor = self.scaling.factor;
        if self.appears == Appearance::Changer && factor > 255 {
            return Err(BridgeError::Factor(factor));
        }
        // 00H and FFH have other meanings.
        let most = 254;
        for value in &self.values {
            let amount = value.as_minor();
            let count = self.scaling.to_count(amount, most);
            if count.is_err() || amount <= 0 {
                return Err(BridgeError::Unsayable {
                    amount,
                    factor,
                    most,
                });
            }
            let plan = self.profile.plan(*value);
            if plan.runs.is_empty() || !plan.remainder.is_zero() {
                let profile = self.profile.name.clone();
                return Err(BridgeError::NoPulses { amount, profile });
            }
        }
        Ok(())
    }

    fn count(&self, place: usize) -> u8 {
        let value = self.values.get(place).map_or(0, |v| v.as_minor());
        let count = self.scaling.to_count(value, 254).unwrap_or(0);
        u8::try_from(count).unwrap_or(0)
    }

    /// The types it has, a bit each.
    fn types(&self) -> u16 {
        let all = (0..16).filter(|n| *n < self.values.len());
        all.fold(0, |bits, n| bits | 1 << n)
    }
}

/// The bridge: a [`Device`] on the bus, with pulse lines.
///
/// Its memory (what came in and was not acknowledged, pulses and money that make no whole unit yet)
/// outlasts power cuts and resets. A report that was sent and of which no ACK was heard is sent
/// again (section 2.2).
#[derive(Clone, Debug)]
pub struct PulseToMdb {
    config: PulseToMdbConfig,
    listener: Listener,
    /// Types to report, oldest first.
    queue: VecDeque<u8>,
    /// Money that no type can express yet; it is added to the next train.
    remainder: Money,
    /// All that was ever acknowledged, in pieces.
    reported: u64,
    /// Types of the queue that are in the answer on its way.
    in_flight: usize,
    /// Types of the queue that were in an answer of which no ACK was heard.
    unheard: usize,
    /// The next POLL is answered without money, so that a VMC that looks out for repetitions does
    /// not take new money for a repetition of what it has acknowledged.
    quiet_next: bool,
    /// Single events that are in it, too.
    events_in_flight: usize,
    events: VecDeque<Event>,
    /// SETUP was asked for since the last reset: the VMC knows what a type is worth.
    set_up: bool,
    enabled: u16,
    stuck_reported: bool,
    held_off: Option<bool>,
    edges: Vec<(String, Edge)>,
    powered: bool,
    silent_until: Micros,
    notes: Vec<String>,
}

/// What is reported once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Event {
    JustReset,
    InvalidEscrow,
    Sensor,
}

/// How long it says nothing after power-up or a reset (common practice, no source).
const START_UP: Micros = Micros::ms(200);

impl PulseToMdb {
    /// A bridge that has just been given power. It holds the acceptor off until it is enabled.
    ///
    /// # Errors
    /// See [`PulseToMdbConfig::check`].
    pub fn new(config: PulseToMdbConfig) -> Result<Self, BridgeError> {
        config.check()?;
        let mut bridge = Self {
            listener: Listener::new(config.profile.clone()),
            config,
            queue: VecDeque::new(),
            remainder: Money::ZERO,
            reported: 0,
            in_flight: 0,
            unheard: 0,
            quiet_next: false,
            events_in_flight: 0,
            events: VecDeque::new(),
            set_up: false,
            enabled: 0,
            stuck_reported: false,
            held_off: None,
            edges: Vec::new(),
            powered: true,
            silent_until: Micros::ZERO,
            notes: Vec::new(),
        };
        bridge.reset(Micros::ZERO);
        Ok(bridge)
    }

    /// What it was made from.
    #[must_use]
    pub fn config(&self) -> &PulseToMdbConfig {
        &self.config
    }

    /// Money that came in and was not acknowledged by the VMC yet.
    #[must_use]
    pub fn owed(&self) -> Money {
        let value = |t: &u8| self.config.values.get(usize::from(*t)).copied();
        let queued: Money = self.queue.iter().filter_map(value).sum();
        queued.saturating_add(self.remainder)
    }

    /// Pulses that make no whole unit of money yet.
    #[must_use]
    pub fn loose_pulses(&self) -> u64 {
        self.listener.carried()
    }

    /// True when nothing is under way.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.queue.is_empty() && self.listener.next_deadline() == Micros::NEVER
    }

    /// The level of a credit line when the bench begins.
    pub fn level(&mut self, now: Micros, line: &str, high: bool) {
        self.listener.level(now, line, high);
    }

    /// An edge of a credit line.
    pub fn input_edge(&mut self, now: Micros, line: &str, high: bool) {
        self.input_edge_within(now, line, high, Micros::ZERO);
    }

    /// The same with an edge whose time may be off by `uncertainty` either way.
    pub fn input_edge_within(&mut self, now: Micros, line: &str, high: bool, uncertainty: Micros) {
        self.listener.edge(now, line, high, uncertainty);
        self.collect(now);
    }

    /// Edges of the inhibit line since the last call: line and edge.
    pub fn take_edges(&mut self) -> Vec<(String, Edge)> {
        std::mem::take(&mut self.edges)
    }

    fn reset(&mut self, now: Micros) {
        self.unheard = self.unheard.max(self.in_flight);
        self.quiet_next = self.unheard == 0;
        self.in_flight = 0;
        self.events_in_flight = 0;
        self.events.clear();
        self.events.push_back(Event::JustReset);
        self.set_up = false;
        self.stuck_reported = false;
        self.silent_until = now + START_UP;
        self.enable(now, 0);
    }

    fn enable(&mut self, now: Micros, types: u16) {
        self.enabled = types & self.config.types();
        self.update_inhibit(now);
    }

    fn is_released(&self) -> bool {
        let enabled = match self.config.release {
            Release::AllEnabled => self.enabled == self.config.types(),
            Release::AnyEnabled => self.enabled != 0,
        };
        enabled && !self.listener.is_stuck()
    }

    fn update_inhibit(&mut self, now: Micros) {
        let hold = !self.is_released();
        if self.powered && self.held_off != Some(hold) {
            self.held_off = Some(hold);
            let inhibit = &self.config.profile.inhibit;
            let high = inhibit.inhibits.is_high() == hold;
            let edge = Edge { at: now, high };
            self.edges.push((inhibit.line.clone(), edge));
        }
    }

    fn collect(&mut self, now: Micros) {
        for heard in self.listener.take() {
            if heard.refused > 0 {
                self.notes.push(format!(
                    "{} not of profile {} and not counted",
                    words::count(heard.refused, "pulse"),
                    self.config.profile.name
                ));
            }
            if heard.amount.is_zero() {
                continue;
            }
            let amount = heard.amount.saturating_add(self.remainder);
            let (pieces, left) = split(amount, &self.config.values);
            let decimals = Decimals(self.config.scaling.decimals);
            let what = self.piece(pieces.len());
            let pulses = words::count(heard.pulses, "pulse");
            let are = if heard.pulses == 1 { "is" } else { "are" };
            let mut text = format!("{pulses} {are} {}: {what}", heard.amount.show(decimals));
            if !left.is_zero() {
                let left = left.show(decimals);
                text.push_str(&format!(", {left} kept until it makes a whole one"));
            }
            self.notes.push(text);
            self.queue.extend(pieces);
            self.remainder = left;
        }
        if self.listener.is_stuck() && !self.stuck_reported {
            self.stuck_reported = true;
            self.events.push_back(Event::Sensor);
            self.notes
                .push("the credit line stays active: held off until it rests".to_owned());
        } else if !self.listener.is_stuck() {
            self.stuck_reported = false;
        }
        self.update_inhibit(now);
    }

    fn piece(&self, count: usize) -> String {
        let noun = match self.config.appears {
            Appearance::BillValidator => "bill",
            Appearance::Changer => "coin",
        };
        format!("{} to report", words::count(count, noun))
    }

    /// What an answer to POLL reports of the queue: nothing before the VMC knows what a type is
    /// worth, and always so many at a time, so that a repetition begins like what it repeats.
    fn report(&mut self, most: usize) -> Vec<u8> {
        if !self.set_up || std::mem::take(&mut self.quiet_next) {
            return Vec::new();
        }
        let reported: Vec<u8> = self.queue.iter().copied().take(most).collect();
        self.in_flight = reported.len();
        reported
    }
}

impl Device for PulseToMdb {
    fn address(&self) -> Address {
        match self.config.appears {
            Appearance::BillValidator => Address::BILL_VALIDATOR,
            Appearance::Changer => Address::CHANGER,
        }
    }

    fn command(&mut self, now: Micros, command: &Block) -> Reply {
        if !self.powered || now < self.silent_until {
            return Reply::Silence;
        }
        match self.config.appears {
            Appearance::BillValidator => self.answer_as_validator(now, command),
            Appearance::Changer => self.answer_as_changer(now, command),
        }
    }

    fn acknowledged(&mut self, _: Micros) {
        let reported = std::mem::take(&mut self.in_flight).min(self.queue.len());
        self.queue.drain(..reported);
        if reported > 0 {
            self.unheard = 0;
            self.quiet_next = true;
        }
        self.reported = self
            .reported
            .saturating_add(u64::try_from(reported).unwrap_or(u64::MAX));
        let events = std::mem::take(&mut self.events_in_flight).min(self.events.len());
        self.events.drain(..events);
    }

    fn unacknowledged(&mut self, _: Micros) {
        self.unheard = self.unheard.max(self.in_flight);
        self.in_flight = 0;
        self.events_in_flight = 0;
    }

    fn bus_reset(&mut self, now: Micros) {
        if self.powered {
            self.reset(now);
        }
    }

    fn power(&mut self, now: Micros, on: bool) {
        if on == self.powered {
            return;
        }
        self.powered = on;
        self.listener.power(now, on);
        self.collect(now);
        if on {
            self.held_off = None;
            self.reset(now);
        } else {
            // An output without power is released.
            let inhibit = &self.config.profile.inhibit;
            let high = inhibit.unpowered_level();
            let edge = Edge { at: now, high };
            self.edges.push((inhibit.line.clone(), edge));
            self.held_off = None;
        }
    }

    fn next_deadline(&self) -> Micros {
        self.listener.next_deadline()
    }

    fn wake(&mut self, now: Micros) {
        self.listener.wake(now);
        self.collect(now);
    }

    /// None: the money is where the acceptor put it.
    fn take_movements(&mut self) -> Vec<Movement> {
        Vec::new()
    }

    fn take_notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }
}
