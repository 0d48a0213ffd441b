//! What is known of a subject on pulse lines, and what it put on them.

use super::setup::{Kind, Setup};
use payrig_bench::LineEdge;
use payrig_bench::plan::PulsePlan;
use payrig_peripherals::pulse::PulseHopperConfig;
use payrig_pulse::{Level, LineSetup, Profile, Train, TrainReader};
use payrig_units::{Micros, Money};
use payrig_wire::Edge;
use payrig_wire::recording::LineRole;

/// The pulse device of a setup; one of a device on the bus has a bill validator here.
pub(super) fn plan(setup: &Setup) -> PulsePlan {
    let pulse = &setup.pulse;
    match setup.kind {
        Kind::PulseCoin | Kind::PulseCoinHopper => PulsePlan::Coin(pulse.coin.clone()),
        Kind::PulseHopper => PulsePlan::Hopper(pulse.hopper.clone()),
        Kind::PulseCard => PulsePlan::Card(pulse.card.clone()),
        _ => PulsePlan::Bill(pulse.bill.clone()),
    }
}

/// What is known of the payout hopper of a bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct HopperWires {
    /// What one coin is worth.
    pub(super) coin: Money,
    motor_line: String,
    motor_on: Level,
    exit_line: String,
    exit_active: Level,
    /// How long a coin covers the exit sensor.
    pub(super) pulse: Micros,
    /// From one coin to the next.
    pub(super) interval: Micros,
}

impl HopperWires {
    fn of(config: &PulseHopperConfig) -> Self {
        Self {
            coin: config.coin,
            motor_line: config.motor_line.clone(),
            motor_on: config.motor_on,
            exit_line: config.exit_line.clone(),
            exit_active: config.exit_active,
            pulse: Micros::ms(config.exit_pulse_ms.into()),
            interval: Micros::ms(config.coin_interval_ms.into()),
        }
    }
}

/// A pulse device under examination, and its edges since they were last taken.
#[derive(Debug)]
pub(super) struct PulseUnit {
    name: String,
    profile: Profile,
    values: Vec<Money>,
    /// Pulses of a vend at the fixed price of a card reader.
    fixed: Option<u32>,
    hopper: Option<HopperWires>,
    edges: Vec<(String, Edge)>,
    /// How far the times of its edges may be off.
    uncertainty: Micros,
    /// Since when a coin covers the exit sensor.
    covered: Option<Micros>,
}

/// The name of a device on pulse lines, of its credit line and of its inhibit line, as they are connected to a
/// real one; `None` for a device on the bus.
#[must_use]
pub fn pulse_lines(setup: &Setup) -> Option<(String, String, String)> {
    setup.address().is_none().then(|| {
        let unit = PulseUnit::outside(setup);
        let inhibit = unit.profile().inhibit.line.clone();
        (
            unit.name().to_owned(),
            unit.credit_line().to_owned(),
            inhibit,
        )
    })
}

impl PulseUnit {
    /// The device of a setup.
    pub(super) fn new(setup: &Setup) -> Self {
        let plan = plan(setup);
        let card = &setup.pulse.card;
        let (name, values, fixed) = match &plan {
            PulsePlan::Bill(c) => (&c.name, plan.values(), None),
            PulsePlan::Coin(c) => (&c.name, plan.values(), None),
            PulsePlan::Hopper(c) => (&c.name, Vec::new(), None),
            PulsePlan::Card(c) => match c.price {
                Some(price) => (&c.name, vec![price], Some(card.vend_pulses)),
                None => (&c.name, setup.pulse.amounts.clone(), None),
            },
        };
        Self {
            name: name.clone(),
            profile: plan.profile().cloned().unwrap_or_else(Profile::short),
            values,
            fixed,
            hopper: plan.hopper().map(HopperWires::of),
            edges: Vec::new(),
            uncertainty: Micros::ZERO,
            covered: None,
        }
    }

    /// A real device, set to what a setup says; of it one credit line is connected.
    pub(super) fn outside(setup: &Setup) -> Self {
        Self {
            hopper: None,
            ..Self::new(setup)
        }
    }

    /// The credit line of a real one.
    pub(super) fn credit_line(&self) -> &str {
        self.profile.lines().first().map_or("credit", |line| *line)
    }

    /// It put an edge on one of its lines.
    pub(super) fn edge(&mut self, line: String, edge: Edge, uncertainty: Micros) {
        self.uncertainty = self.uncertainty.max(uncertainty);
        self.edges.push((line, edge));
    }

    /// How far the times of its edges may be off.
    pub(super) fn uncertainty(&self) -> Micros {
        self.uncertainty
    }

    /// The lines the tool drives: name, role and the level before anything happens.
    pub(super) fn driven_lines(&self) -> Vec<(&str, LineRole, bool)> {
        let mut lines = Vec::new();
        if self.takes_money() {
            let inhibit = &self.profile.inhibit;
            let high = !inhibit.inhibits.is_high();
            lines.push((inhibit.line.as_str(), LineRole::Inhibit, high));
        }
        if let Some(hopper) = &self.hopper {
            let high = !hopper.motor_on.is_high();
            lines.push((hopper.motor_line.as_str(), LineRole::Motor, high));
        }
        lines
    }

    /// False for a hopper alone.
    fn takes_money(&self) -> bool {
        !self.values.is_empty() || self.hopper.is_none()
    }

    /// The profile it was set to.
    pub(super) fn profile(&self) -> &Profile {
        &self.profile
    }

    /// What it may be given.
    pub(super) fn values(&self) -> &[Money] {
        &self.values
    }

    /// Pulses that stand for a value.
    pub(super) fn pulses_for(&self, value: Money) -> u64 {
        self.fixed
            .map_or_else(|| self.profile.plan(value).pulses(), u64::from)
    }

    /// What trains are worth by their pulses.
    pub(super) fn worth(&self, trains: &[Train]) -> Money {
        let mut sum = Money::ZERO;
        for train in trains {
            let pulses = train.count() as u64;
            let value = self.values.iter().find(|v| self.pulses_for(**v) == pulses);
            // What stands for no value is counted in pulses of the profile's unit.
            let value = value.copied().unwrap_or_else(|| {
                let worth = self.profile.worth(&train.line, &train.widths(), 0);
                worth.amount
            });
            sum = sum.saturating_add(value);
        }
        sum
    }

    /// True for a card reader that asks every card for the same price.
    pub(super) fn has_fixed_price(&self) -> bool {
        self.fixed.is_some()
    }

    /// The hopper's wires, where there is one.
    pub(super) fn hopper(&self) -> Option<&HopperWires> {
        self.hopper.as_ref()
    }

    /// The edge that sets the inhibit line.
    pub(super) fn inhibit(&self, now: Micros, on: bool) -> LineEdge {
        let inhibit = &self.profile.inhibit;
        let level = if on {
            inhibit.inhibits
        } else {
            inhibit.inhibits.other()
        };
        self.drive(&inhibit.line, now, level.is_high())
    }

    /// The edge that runs the hopper's motor, or stops it; none where there is no hopper.
    pub(super) fn motor(&self, now: Micros, on: bool) -> Option<LineEdge> {
        let hopper = self.hopper.as_ref()?;
        let high = hopper.motor_on.is_high() == on;
        Some(self.drive(&hopper.motor_line, now, high))
    }

    fn drive(&self, line: &str, at: Micros, high: bool) -> LineEdge {
        LineEdge {
            device: self.name.clone(),
            line: line.to_owned(),
            edge: Edge { at, high },
        }
    }

    /// What the lines are called after.
    pub(super) fn name(&self) -> &str {
        &self.name
    }

    fn is_exit(&self, line: &str) -> bool {
        self.hopper.as_ref().is_some_and(|h| h.exit_line == line)
    }

    /// Levels of the credit lines (or of the exit sensor's) at rest that are not as they should be.
    pub(super) fn wrong_at_rest(&self, levels: Vec<(String, bool)>, exit: bool) -> Vec<String> {
        let wrong = |(line, high): &(String, bool)| {
            let active = match &self.hopper {
                Some(hopper) if exit => hopper.exit_active,
                _ => self.profile.active,
            };
            self.is_exit(line) == exit && *high == active.is_high()
        };
        levels
            .into_iter()
            .filter(wrong)
            .map(|(line, _)| line)
            .collect()
    }

    /// True when a credit line has moved since [`take_trains`](Self::take_trains).
    pub(super) fn has_edges(&self) -> bool {
        self.edges.iter().any(|(line, _)| !self.is_exit(line))
    }

    fn take_lines(&mut self, exit: bool) -> Vec<(String, Edge)> {
        let all = std::mem::take(&mut self.edges);
        let (wanted, others) = all.into_iter().partition(|(l, _)| self.is_exit(l) == exit);
        self.edges = others;
        wanted
    }

    /// Edges on credit lines since they were last taken, read as trains by the profile.
    pub(super) fn take_trains(&mut self, now: Micros) -> Vec<Train> {
        let edges = self.take_lines(false);
        let mut trains = Vec::new();
        for line in self.profile.lines() {
            let mut reader = TrainReader::new(LineSetup::of(&self.profile, line));
            for (_, edge) in edges.iter().filter(|(l, _)| l == line) {
                trains.extend(reader.edge(edge.at, edge.high));
            }
            trains.extend(reader.finish(now));
        }
        for train in &mut trains {
            train.uncertainty = train.uncertainty.max(self.uncertainty());
        }
        trains.sort_by_key(Train::start);
        trains
    }

    /// Pulses of the exit sensor since this was last called: when each began, and its width.
    pub(super) fn take_exit(&mut self) -> Vec<(Micros, Micros)> {
        let active = self.hopper.as_ref().map_or(Level::Low, |h| h.exit_active);
        let mut pulses = Vec::new();
        for (_, edge) in self.take_lines(true) {
            match (edge.high == active.is_high(), self.covered) {
                (true, None) => self.covered = Some(edge.at),
                (false, Some(at)) => {
                    pulses.push((at, edge.at.since(at)));
                    self.covered = None;
                }
                _ => {}
            }
        }
        pulses
    }
}
