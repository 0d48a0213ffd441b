//! Credit lines, the inhibit line, a hopper.

use super::*;
use payrig_bench::LineEdge;

impl Bench {
    pub(super) fn unit(&self) -> Result<&PulseUnit, Seen> {
        let unit = self.unit.as_deref();
        unit.ok_or_else(|| Seen::skipped("the device has no credit line"))
    }

    /// A check begins: how the lines are.
    pub(super) fn begin_lines(&mut self) {
        let Some(unit) = &self.unit else { return };
        let own = self.levels().into_iter();
        let mut lines: Vec<(String, LineRole, bool)> = own
            .map(|(line, high)| (line, LineRole::Credit, high))
            .collect();
        if self.has_inhibit() {
            let driven = unit.driven_lines().into_iter();
            lines.extend(driven.map(|(line, role, high)| (line.to_owned(), role, high)));
        }
        let at_us = self.now();
        let record = |(line, role, high): (String, LineRole, bool)| LineRecord {
            at_us,
            device: unit.name().to_owned(),
            line: format!("{} {line}", unit.name()),
            role,
            high,
            profile: None,
            counted_by: None,
            outside: false,
        };
        let lines: Vec<Entry> = lines.into_iter().map(record).map(Entry::Line).collect();
        lines.into_iter().for_each(|line| self.keep(line));
    }

    /// The lines of the device and the level of each, true for high: of a real one as it is now, of an
    /// emulated one at rest.
    fn levels(&self) -> Vec<(String, bool)> {
        match (self.subject_node(), &self.unit, self.run.device_line()) {
            (Some(device), ..) => device.resting_levels(),
            (None, Some(unit), Some((high, _))) => vec![(unit.credit_line().to_owned(), high)],
            _ => Vec::new(),
        }
    }

    fn subject_node(&self) -> Option<&Emulated> {
        match self.subject {
            Subject::Emulated(device) => self.run.bench.node(device),
            Subject::Outside(_) => None,
        }
    }

    fn has_inhibit(&self) -> bool {
        self.run.device_line().is_none_or(|(_, inhibit)| inhibit)
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

    /// Pulses that stand for a value.
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
    pub(in crate::device) fn hopper(&self) -> Result<HopperWires, Seen> {
        let hopper = self.unit()?.hopper().cloned();
        hopper.ok_or_else(|| Seen::skipped("there is no hopper below it"))
    }

    /// Runs the motor of the hopper, or stops it.
    pub fn motor(&mut self, on: bool) {
        let motor = self
            .unit
            .as_ref()
            .and_then(|unit| unit.motor(self.now(), on));
        self.drive(motor);
    }

    /// Drives a line of the device.
    fn drive(&mut self, edge: Option<LineEdge>) {
        let drive = |examiner: &mut Examiner, _| examiner.drives.extend(edge);
        self.run.bench.at_node(self.examiner, drive);
        self.run.send();
        self.gather();
    }

    /// Pulses of the exit sensor since this was last called: when each began, and its width.
    pub fn take_exit(&mut self) -> Vec<(Micros, Micros)> {
        let unit = self.unit.as_mut();
        unit.map_or(Vec::new(), |unit| unit.take_exit())
    }

    /// Lines that rest at the wrong level: credit lines, or the exit sensor's.
    #[must_use]
    pub fn wrong_at_rest(&self, exit: bool) -> Vec<String> {
        let levels = self.levels();
        self.unit()
            .map_or(Vec::new(), |d| d.wrong_at_rest(levels, exit))
    }

    /// Sets the inhibit line.
    ///
    /// # Errors
    /// A skipped check: the line is not connected.
    pub fn inhibit(&mut self, on: bool) -> Result<(), Seen> {
        let inhibit = self.unit()?.inhibit(self.now(), on);
        if !self.has_inhibit() {
            return Err(Seen::skipped("its inhibit line is not connected"));
        }
        self.drive(Some(inhibit));
        Ok(())
    }

    /// True when a credit line has moved since [`take_trains`](Self::take_trains) was last called.
    #[must_use]
    pub fn has_edges(&self) -> bool {
        self.unit().is_ok_and(PulseUnit::has_edges)
    }

    /// Edges on credit lines since this was last called, read as trains by the profile.
    pub fn take_trains(&mut self) -> Vec<Train> {
        let now = self.now();
        let Some(unit) = &mut self.unit else {
            return Vec::new();
        };
        let (trains, name) = (unit.take_trains(now), unit.profile().name.clone());
        let worth = unit.worth(&trains);
        if let Subject::Outside(at_hand) = &mut self.subject {
            let movements = at_hand.reports.pulsed(worth);
            self.book(movements);
        }
        let records = trains.iter().map(|t| TrainRecord::of(t, &name));
        self.trains.extend(records);
        trains
    }
}
