//! The credit line and the inhibit line: of the emulated board, or over a port.

use super::*;
use crate::link::{LINE_IN, LINE_OUT};
use payrig_bench::action::Tender;
use payrig_bench::plan::{self, DeviceLink, DevicePlan, LineLink, Pin};
use payrig_pulse::CREDIT_LINE;
use payrig_wire::recording::{LineRecord, LineRole};

/// Why pulses cannot be examined at a board outside.
const NO_LINES: &str = "no pulse line of the board is connected";

/// Why the line that holds the acceptor off cannot be.
const NO_INHIBIT: &str = "the inhibit line of the board is not connected";

impl BoardBench {
    /// A check begins: how the lines are. Of a board outside the acceptor hears how it is held.
    pub(super) fn begin_lines(&mut self, setup: &BoardSetup) {
        let Some(acceptor) = self.played.pulse else {
            return;
        };
        let now = self.now();
        let lines = self.run.lines();
        if self.is_outside() && lines.is_none() {
            return;
        }
        let port = lines.map(|l| (l.name(), l.inhibit()));
        let profile = &setup.pulse.pulse;
        let held_by = port.as_ref().and_then(|(_, inhibit)| *inhibit);
        let inhibit = held_by.unwrap_or_else(|| profile.inhibit.unpowered_level());
        for (line, role, high) in [
            (CREDIT_LINE, LineRole::Credit, !profile.active.is_high()),
            (&profile.inhibit.line, LineRole::Inhibit, inhibit),
        ] {
            let is_credit = role == LineRole::Credit;
            self.keep(Entry::Line(LineRecord {
                at_us: now,
                device: self.pulse_name.clone(),
                line: format!("{} {line}", self.pulse_name),
                role,
                high,
                counted_by: None,
                outside: false,
                profile: is_credit.then(|| profile.into()),
            }));
        }
        let Some((port, _)) = port else { return };
        self.run.bench.connect_lines(&acceptor_on(port, setup));
        if let Some(high) = held_by {
            let line = self.inhibit.line.clone();
            let hear = |node: &mut PulseNode, now| node.device_mut().input_edge(now, &line, high);
            self.run.bench.at_node(acceptor, hear);
            self.held_off.push((now, self.inhibit.holds_off(high)));
        }
        self.run.hear_lines();
    }

    /// Ends the check when the board is outside and no line of it is connected.
    fn need_lines(&mut self) {
        if !self.fitted.pulse {
            let found: Result<(), _> = Err("an acceptor on pulses");
            self.need_now(found);
        }
        if self.is_outside() && self.run.lines().is_none() {
            self.not_outside(NO_LINES);
        }
    }

    /// Puts a bill or coin into the old acceptor, a train of pulses or what is worth least, and says what it
    /// is worth.
    pub fn pulse_bill(&mut self, train: bool) -> Money {
        self.need_lines();
        let found = self.kit.pulse_bill(train);
        let Some(value) = self.need_now(found) else {
            return Money::ZERO;
        };
        self.paid_in = true;
        let (device, worth) = (self.pulse_name.clone(), Tender::Worth(value));
        self.act(&match self.kit.coins_on_pulses() {
            true => Action::InsertCoin {
                device,
                coin: worth,
            },
            false => Action::InsertBill {
                device,
                bill: worth,
            },
        });
        value
    }

    /// How long a bill of the old acceptor may take to be counted: eight seconds, or as long as its pulses
    /// need.
    #[must_use]
    pub fn pulses_take(&self, value: Money) -> Micros {
        let (count, unit) = self.kit.unit().unwrap_or((1, value));
        let pulses = value.as_minor() / unit.as_minor().max(1) * i64::from(count);
        let each = self.profile.on + self.profile.off;
        let pulses = u64::try_from(pulses).unwrap_or(0);
        let all = Micros(each.as_us().saturating_mul(pulses));
        Micros::secs(8).max(Micros::secs(4) + all + self.profile.train_gap)
    }

    /// How many pulses a bill of the old acceptor is.
    #[must_use]
    pub fn pulses_of(&self, value: Money) -> usize {
        let (count, unit) = self.kit.unit().unwrap_or((1, value));
        let pulses = value.as_minor() / unit.as_minor().max(1) * i64::from(count);
        usize::try_from(pulses).unwrap_or(0)
    }

    /// What the acceptor on pulses has taken for good and not passed on: a bill in its stacker, a coin in its
    /// cash box.
    pub(in crate::board) fn is_kept_on_pulses(&self, place: &Place) -> bool {
        matches!(place, Place::CashBox(name) if *name == self.pulse_name)
    }

    /// Pulses so far that began.
    #[must_use]
    pub fn pulses_begun(&self) -> usize {
        self.credit_edges(true)
    }

    /// Pulses so far that are over.
    #[must_use]
    pub fn pulses_over(&self) -> usize {
        self.credit_edges(false)
    }

    fn credit_edges(&self, active: bool) -> usize {
        let is = active == self.profile.active.is_high();
        self.credit.iter().filter(|high| **high == is).count()
    }

    /// Sends pulses of a width on the credit line, as noise or a wrong setting would.
    pub fn stray_pulses(&mut self, count: u32, width: Micros) {
        self.need_lines();
        self.paid_in = true;
        let mut at = self.now();
        let name = self.pulse_name.clone();
        let (active, off) = (self.profile.active.is_high(), self.profile.off);
        for _ in 0..count {
            for (high, time) in [(active, width), (!active, off)] {
                self.run.drive_line(&name, CREDIT_LINE, Edge { at, high });
                at += time;
                self.until(at);
            }
        }
        self.secs(1);
    }

    /// The credit line is held active, or let go.
    pub fn hold_credit_line(&mut self, on: bool) {
        self.need_lines();
        self.paid_in = true;
        let (at, name) = (self.now(), self.pulse_name.clone());
        let high = self.profile.active.is_high() == on;
        self.run.drive_line(&name, CREDIT_LINE, Edge { at, high });
        self.gather();
    }

    /// Edges so far of the line that holds the pulse acceptor off: when, and whether it does from
    /// then on. Of a board outside, first how it was when the check began.
    #[must_use]
    pub fn held_off(&mut self) -> &[(Micros, bool)] {
        self.need_lines();
        if self.run.lines().is_some_and(|l| l.inhibit().is_none()) {
            self.not_outside(NO_INHIBIT);
        }
        &self.held_off
    }

    /// Whether the acceptor was held off at a time; `None` when the line never moved before.
    #[must_use]
    pub fn was_held_off(&mut self, at: Micros) -> Option<bool> {
        let edges = self.held_off().iter();
        edges.rev().find(|(of, _)| *of <= at).map(|(_, held)| *held)
    }
}

/// The acceptor of a setup with its lines on a port, a board at their other end.
fn acceptor_on(port: String, setup: &BoardSetup) -> DevicePlan {
    let wires = vec![
        (CREDIT_LINE.to_owned(), Pin::Out(LINE_OUT)),
        (setup.pulse.pulse.inhibit.line.clone(), Pin::In(LINE_IN)),
    ];
    DevicePlan {
        settings: Default::default(),
        name: setup.pulse.name.clone(),
        kind: plan::Kind::Pulse(Box::new(setup.on_pulses())),
        timing: PortTiming::default(),
        behind: None,
        link: Some(DeviceLink::Lines(LineLink {
            port,
            device_outside: false,
            asserted_is_high: true,
            wires,
            reconnect: None,
        })),
    }
}
