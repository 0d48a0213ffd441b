//! The subject on pulse lines: one of the pulse devices, what a person does at it, and what it put
//! on its lines.

use super::outside_lines::{OutsideLines, OutsideUnit};
use super::setup::{Kind, Setup};
use payrig_peripherals::pulse::{
    PulseAcceptor, PulseCardReader, PulseCoinAcceptor, PulseConfigError, PulseDevice, PulseHopper,
    PulseHopperConfig,
};
use payrig_pulse::{Level, LineSetup, Profile, Train, TrainReader};
use payrig_units::{Micros, Money, Movement};
use payrig_wire::Edge;

#[derive(Debug)]
enum Unit {
    Bill(Box<PulseAcceptor>),
    Coin(Box<PulseCoinAcceptor>),
    Hopper(Box<PulseHopper>),
    Card(Box<PulseCardReader>),
    /// A real one.
    Outside(OutsideUnit),
}

impl Unit {
    fn device(&self) -> &dyn PulseDevice {
        match self {
            Self::Bill(d) => &**d,
            Self::Coin(d) => &**d,
            Self::Hopper(d) => &**d,
            Self::Card(d) => &**d,
            Self::Outside(d) => d,
        }
    }

    fn device_mut(&mut self) -> &mut dyn PulseDevice {
        match self {
            Self::Bill(d) => &mut **d,
            Self::Coin(d) => &mut **d,
            Self::Hopper(d) => &mut **d,
            Self::Card(d) => &mut **d,
            Self::Outside(d) => d,
        }
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
    unit: Unit,
    profile: Profile,
    values: Vec<Money>,
    /// Pulses of a vend at the fixed price of a card reader.
    fixed: Option<u32>,
    hopper: Option<HopperWires>,
    edges: Vec<(String, Edge)>,
    /// Those the recording has not got yet.
    fresh: Vec<(String, Edge)>,
    /// Since when a coin covers the exit sensor.
    covered: Option<Micros>,
}

impl PulseUnit {
    /// The device of a setup; a setup of a device on the bus has a bill validator here.
    pub(super) fn new(setup: &Setup) -> Result<Self, PulseConfigError> {
        let pulse = &setup.pulse;
        let price = pulse.card.price;
        let fixed = price.filter(|_| setup.kind == Kind::PulseCard);
        let fixed = fixed.map(|_| pulse.card.vend_pulses);
        let (unit, profile, values, hopper) = match setup.kind {
            Kind::PulseCoin | Kind::PulseCoinHopper => {
                let config = pulse.coin.clone();
                let hopper = config.hopper.as_ref().map(HopperWires::of);
                let (profile, values) = (config.pulse.clone(), config.coins.clone());
                let unit = Unit::Coin(Box::new(PulseCoinAcceptor::new(config)?));
                (unit, profile, values, hopper)
            }
            Kind::PulseHopper => {
                let config = pulse.hopper.clone();
                let hopper = Some(HopperWires::of(&config));
                let unit = Unit::Hopper(Box::new(PulseHopper::new(config)?));
                (unit, Profile::short(), Vec::new(), hopper)
            }
            Kind::PulseCard => {
                let config = pulse.card.clone();
                let values = match config.price {
                    Some(price) => vec![price],
                    None => pulse.amounts.clone(),
                };
                let profile = config.pulse.clone();
                (
                    Unit::Card(Box::new(PulseCardReader::new(config)?)),
                    profile,
                    values,
                    None,
                )
            }
            _ => {
                let config = pulse.bill.clone();
                let (profile, values) = (config.pulse.clone(), config.bills.clone());
                (
                    Unit::Bill(Box::new(PulseAcceptor::new(config)?)),
                    profile,
                    values,
                    None,
                )
            }
        };
        Ok(Self {
            unit,
            profile,
            values,
            fixed,
            hopper,
            edges: Vec::new(),
            fresh: Vec::new(),
            covered: None,
        })
    }

    /// A real device on these lines, set to what a setup says.
    pub(super) fn outside(setup: &Setup, lines: OutsideLines) -> Result<Self, PulseConfigError> {
        let mut unit = Self::new(setup)?;
        let name = unit.name().to_owned();
        let line = unit
            .profile
            .lines()
            .first()
            .map_or("credit", |l| *l)
            .to_owned();
        unit.unit = Unit::Outside(OutsideUnit { name, line, lines });
        unit.hopper = None;
        Ok(unit)
    }

    /// The lines of a real one.
    pub(super) fn lines(&self) -> Option<OutsideLines> {
        match &self.unit {
            Unit::Outside(d) => Some(d.lines.clone()),
            _ => None,
        }
    }

    /// Takes what came on the lines.
    pub(super) fn refresh(&mut self) {
        self.gather();
    }

    /// How far the times of its edges may be off.
    pub(super) fn uncertainty(&self) -> Micros {
        match &self.unit {
            Unit::Outside(d) => d.lines.uncertainty(),
            _ => Micros::ZERO,
        }
    }

    /// The profile it was set to.
    pub(super) fn profile(&self) -> &Profile {
        &self.profile
    }

    /// What it may be given.
    pub(super) fn values(&self) -> &[Money] {
        &self.values
    }

    /// Pulses a value is said by.
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
            // What no value is said by is counted in pulses of the profile's unit.
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

    /// Puts in a bill or a coin, or shows a card having chosen an amount.
    pub(super) fn put_in(&mut self, now: Micros, value: Money) {
        match &mut self.unit {
            Unit::Bill(d) => {
                d.insert_bill(now, value);
            }
            Unit::Coin(d) => {
                d.insert_coin(now, value);
            }
            Unit::Card(d) => {
                d.present_card(now, Some(value));
            }
            Unit::Hopper(_) | Unit::Outside(_) => {}
        }
        self.gather();
    }

    /// Takes the card away; nothing on another device.
    pub(super) fn remove_card(&mut self, now: Micros) {
        if let Unit::Card(d) = &mut self.unit {
            d.remove_card(now);
        }
        self.gather();
    }

    /// True when its inhibit line is connected.
    pub(super) fn has_inhibit(&self) -> bool {
        match &self.unit {
            Unit::Outside(unit) => unit.lines.has_inhibit(),
            _ => true,
        }
    }

    /// Sets the inhibit line.
    pub(super) fn inhibit(&mut self, now: Micros, on: bool) {
        let wire = &self.profile.inhibit;
        let level = if on {
            wire.inhibits
        } else {
            wire.inhibits.other()
        };
        let line = wire.line.clone();
        self.unit
            .device_mut()
            .input_edge(now, &line, level.is_high());
        self.gather();
    }

    /// Runs the hopper's motor, or stops it.
    pub(super) fn motor(&mut self, now: Micros, on: bool) {
        if let Some(hopper) = &self.hopper {
            let high = hopper.motor_on.is_high() == on;
            self.unit
                .device_mut()
                .input_edge(now, &hopper.motor_line, high);
        }
        self.gather();
    }

    pub(super) fn power(&mut self, now: Micros, on: bool) {
        self.unit.device_mut().power(now, on);
        self.gather();
    }

    pub(super) fn next_deadline(&self) -> Micros {
        self.unit.device().next_deadline()
    }

    pub(super) fn wake(&mut self, now: Micros) {
        self.unit.device_mut().wake(now);
        self.gather();
    }

    pub(super) fn take_movements(&mut self) -> Vec<Movement> {
        self.unit.device_mut().take_movements()
    }

    fn gather(&mut self) {
        let edges = self.unit.device_mut().take_edges();
        self.fresh.extend(edges.iter().cloned());
        self.edges.extend(edges);
    }

    /// Edges for the recording since this was last called.
    pub(super) fn take_fresh(&mut self) -> Vec<(String, Edge)> {
        std::mem::take(&mut self.fresh)
    }

    /// The first of these.
    #[cfg(test)]
    pub(super) fn take_one_fresh(&mut self) -> Option<(String, Edge)> {
        (!self.fresh.is_empty()).then(|| self.fresh.remove(0))
    }

    /// Levels of its lines at rest, true for high.
    pub(super) fn levels(&self) -> Vec<(String, bool)> {
        self.unit.device().resting_levels()
    }

    /// What the lines are called after.
    pub(super) fn name(&self) -> &str {
        self.unit.device().name()
    }

    fn is_exit(&self, line: &str) -> bool {
        self.hopper.as_ref().is_some_and(|h| h.exit_line == line)
    }

    /// Levels of the credit lines (or of the exit sensor's) at rest that are not as they should be.
    pub(super) fn wrong_at_rest(&self, exit: bool) -> Vec<String> {
        let wrong = |(line, high): &(String, bool)| {
            let active = match &self.hopper {
                Some(hopper) if exit => hopper.exit_active,
                _ => self.profile.active,
            };
            self.is_exit(line) == exit && *high == active.is_high()
        };
        let levels = self.unit.device().resting_levels();
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
