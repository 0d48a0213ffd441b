//! Credit lines, the inhibit line, a hopper.

use super::*;

impl Bench {
    pub(super) fn unit(&self) -> Result<&PulseUnit, Seen> {
        let unit = match &self.subject {
            Subject::Emulated(emulated) => emulated.unit(),
            Subject::Outside(at_hand) => at_hand.unit.as_deref(),
        };
        unit.ok_or_else(|| Seen::skipped("the device has no credit line"))
    }

    pub(super) fn unit_mut(&mut self) -> Option<&mut PulseUnit> {
        match &mut self.subject {
            Subject::Emulated(emulated) => emulated.unit_mut(),
            Subject::Outside(at_hand) => at_hand.unit.as_deref_mut(),
        }
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

    /// Pulses a value is said by.
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
        let now = self.now;
        if let Some(unit) = self.unit_mut() {
            unit.motor(now, on);
        }
        self.collect();
    }

    /// Pulses of the exit sensor since this was last called: when each began, and its width.
    pub fn take_exit(&mut self) -> Vec<(Micros, Micros)> {
        self.unit_mut().map_or(Vec::new(), PulseUnit::take_exit)
    }

    /// Lines that rest at the wrong level: credit lines, or the exit sensor's.
    #[must_use]
    pub fn wrong_at_rest(&self, exit: bool) -> Vec<String> {
        self.unit().map_or(Vec::new(), |d| d.wrong_at_rest(exit))
    }

    /// Sets the inhibit line.
    ///
    /// # Errors
    /// A skipped check: the line is not connected.
    pub fn inhibit(&mut self, on: bool) -> Result<(), Seen> {
        let now = self.now;
        if !self.unit()?.has_inhibit() {
            return Err(Seen::skipped("its inhibit line is not connected"));
        }
        if let Some(unit) = self.unit_mut() {
            unit.inhibit(now, on);
        }
        self.collect();
        Ok(())
    }

    /// True when a credit line has moved since [`take_trains`](Self::take_trains) was last called.
    #[must_use]
    pub fn has_edges(&self) -> bool {
        self.unit().is_ok_and(PulseUnit::has_edges)
    }

    /// Edges on credit lines since this was last called, read as trains by the profile.
    pub fn take_trains(&mut self) -> Vec<Train> {
        let now = self.now;
        let Some(unit) = self.unit_mut() else {
            return Vec::new();
        };
        let (trains, name) = (unit.take_trains(now), unit.profile().name.clone());
        let worth = unit.worth(&trains);
        if let Subject::Outside(at_hand) = &mut self.subject {
            let movements = at_hand.told.pulsed(worth);
            self.book(movements);
        }
        let records = trains.iter().map(|t| TrainRecord::of(t, &name));
        self.trains.extend(records);
        trains
    }
}
