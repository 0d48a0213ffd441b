//! An MDB bill validator drives the credit line of a board that knows pulses only.
//!
//! What is lost on the way: the board cannot send a bill back (pulses have no escrow; the bridge
//! stacks a bill as soon as it is in escrow, unless it is held off just then), it cannot refuse
//! single bills (its inhibit line is for all), and it does not learn of jams or a full stacker: the
//! bridge takes no more bills then, and says so in its notes.

use payrig_controller::{BillHost, Life, MasterTiming, Report};
use payrig_pulse::{Edge, Level, Profile, PulseSender, SenderBooks};
use payrig_units::{Micros, Money};
use payrig_wire::{TimedWord, Transmission};

/// All that describes a bridge from the bus to pulses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MdbToPulseConfig {
    /// What the bench calls it.
    pub name: String,
    /// The profile it sends by; the inhibit line of the board is part of it.
    pub profile: Profile,
    /// From one POLL of the validator to the next (MDB/ICP 4.3, section 2.4.3: 25 to 200 ms).
    pub poll_every: Micros,
}

/// The bridge. To the validator it is the VMC, to the board an acceptor on pulse lines.
///
/// - A bill counts once it is stacked (section 6.3, POLL, note 2).
/// - Only bills that the profile can express are enabled; none while the board holds the bridge off.
/// - While it is held off no train begins: what was taken before is sent when it is released again.
/// - What is to be sent, and the last report of the validator, outlast power cuts: a train that is
///   cut goes on where it stopped, a report that is repeated is not sent twice.
#[derive(Clone, Debug)]
pub struct MdbToPulse {
    config: MdbToPulseConfig,
    host: BillHost,
    sender: PulseSender,
    inhibited: bool,
    powered: bool,
    notes: Vec<String>,
    taken: Money,
    known: Vec<Money>,
    was_running: bool,
}

impl MdbToPulse {
    /// A bridge that has just been given power at `now`.
    #[must_use]
    pub fn new(config: MdbToPulseConfig, now: Micros) -> Self {
        let timing = MasterTiming::default();
        let host = BillHost::new(config.name.clone(), config.poll_every, timing, now);
        Self {
            host,
            sender: PulseSender::new(config.profile.clone()),
            inhibited: false,
            powered: true,
            notes: Vec::new(),
            taken: Money::ZERO,
            known: Vec::new(),
            was_running: false,
            config,
        }
    }

    /// The level of each line it drives while nothing happens, true for high.
    #[must_use]
    pub fn resting_levels(&self) -> Vec<(String, bool)> {
        let profile = &self.config.profile;
        let rest = !profile.active.is_high();
        let lines = profile.lines().into_iter();
        lines.map(|l| (l.to_owned(), rest)).collect()
    }

    /// All that the validator stacked, as far as the bridge knows.
    #[must_use]
    pub fn taken(&self) -> Money {
        self.taken
    }

    /// Where the money is that was taken: sent, under way, or waiting.
    #[must_use]
    pub fn books(&self) -> SenderBooks {
        self.sender.books()
    }

    /// True when all that was taken is sent.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.sender.is_idle() && !self.host.is_busy()
    }

    /// True when the validator is set up and polled.
    #[must_use]
    pub fn is_running(&self) -> bool {
        self.powered && self.host.life() == Life::Running
    }

    /// An edge of the board's inhibit line.
    pub fn input_edge(&mut self, now: Micros, line: &str, high: bool) {
        let inhibit = &self.config.profile.inhibit;
        if line != inhibit.line {
            return;
        }
        self.inhibited = Level::of(high) == inhibit.inhibits;
        self.sender.hold(self.inhibited);
        self.update(now);
    }

    /// The link to the validator may hold up what goes either way for so long.
    pub fn set_link_delay(&mut self, delay: Micros) {
        self.host.set_link_delay(delay);
    }

    /// A word of the validator.
    pub fn heard(&mut self, word: &TimedWord) {
        self.host.heard(word);
        self.update(word.end);
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        match self.powered {
            true => self.host.next_deadline().min(self.sender.next_deadline()),
            false => Micros::NEVER,
        }
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) {
        if self.powered {
            self.host.wake(now);
            self.sender.wake(now);
            self.update(now);
        }
    }

    /// Power comes or goes.
    pub fn power(&mut self, now: Micros, on: bool) {
        if on != self.powered {
            self.powered = on;
            self.host.power(now, on);
            self.sender.power(now, on);
            self.was_running = false;
            if !on && !self.sender.is_idle() {
                self.notes
                    .push("power lost with pulses to send: they are kept".to_owned());
            }
        }
    }

    fn update(&mut self, now: Micros) {
        for report in self.host.take_reports() {
            match report {
                Report::Credit { value, .. } => self.took(value),
                Report::BillEscrowed { .. } if self.inhibited => self.host.give_back(now),
                Report::BillEscrowed { .. } => self.host.stack(now),
                Report::Notice(text) => self.notes.push(text),
                // Attendants' business, and what the seller of a board would want to know.
                _ => {}
            }
        }
        let running = self.is_running();
        if running && !self.was_running {
            self.look(self.host.values());
        }
        self.was_running = running;
        let wanted = match self.inhibited {
            true => Vec::new(),
            false => self.sayable(self.host.values()),
        };
        self.host.accept(now, wanted);
    }

    /// The values the profile has pulses for.
    fn sayable(&self, values: Vec<Money>) -> Vec<Money> {
        let says = |v: &Money| {
            let plan = self.config.profile.plan(*v);
            plan.remainder.is_zero() && !plan.runs.is_empty()
        };
        values.into_iter().filter(says).collect()
    }

    fn look(&mut self, values: Vec<Money>) {
        if values == self.known {
            return;
        }
        let sayable = self.sayable(values.clone());
        for value in values.iter().filter(|v| !sayable.contains(v)) {
            self.notes.push(format!(
                "bills of {} minor units cannot be expressed in pulses of profile {}: they are refused",
                value.as_minor(),
                self.config.profile.name
            ));
        }
        self.known = values;
    }

    fn took(&mut self, value: Money) {
        self.taken = self.taken.saturating_add(value);
        if self.sender.credit(value).is_some() {
            self.notes
                .push(format!("{} minor units cannot be sent", value.as_minor()));
        }
    }

    /// The next transmission on the validator's bus, if any.
    pub fn take_transmission(&mut self) -> Option<Transmission> {
        self.host.take_transmission()
    }

    /// Edges of the credit lines since the last call: line and edge.
    pub fn take_edges(&mut self) -> Vec<(String, Edge)> {
        self.sender.take_edges()
    }

    /// What is to be seen at it since the last call.
    pub fn take_notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }
}
