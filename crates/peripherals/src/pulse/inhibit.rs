//! How a device hears its inhibit line.

use super::PulseFaults;
use payrig_pulse::{Inhibit, Level};
use payrig_units::Micros;

/// The inhibit as a device obeys it, or does not.
#[derive(Clone, Debug)]
pub(super) struct Hold {
    wire: Inhibit,
    ignored: bool,
    /// Held off once, it stays so until its power is cut.
    latches: bool,
    stray: Option<Micros>,
    inhibited: bool,
    stray_at: Micros,
}

impl Hold {
    /// Not inhibited.
    pub(super) fn new(wire: &Inhibit, faults: &PulseFaults) -> Self {
        Self {
            wire: wire.clone(),
            ignored: faults.ignores_inhibit,
            latches: faults.stays_inhibited,
            stray: faults
                .stray_after_inhibit_ms
                .map(|ms| Micros::ms(ms.into())),
            inhibited: false,
            stray_at: Micros::NEVER,
        }
    }

    pub(super) fn edge(&mut self, now: Micros, line: &str, high: bool) {
        if line != self.wire.line {
            return;
        }
        let latched = self.latches && self.inhibited;
        let inhibited = Level::of(high) == self.wire.inhibits || latched;
        if !inhibited {
            self.stray_at = Micros::NEVER;
        } else if !self.inhibited {
            self.stray_at = self.stray.map_or(Micros::NEVER, |after| now + after);
        }
        self.inhibited = inhibited;
    }

    /// True when no money may be taken.
    pub(super) fn is_held_off(&self) -> bool {
        self.inhibited && !self.ignored
    }

    pub(super) fn power_cut(&mut self) {
        self.stray_at = Micros::NEVER;
        self.inhibited &= !self.latches;
    }

    /// True, once, when a pulse nobody paid for is due.
    pub(super) fn stray_due(&mut self, now: Micros) -> bool {
        let due = now >= self.stray_at && self.stray_at != Micros::NEVER;
        if due {
            self.stray_at = Micros::NEVER;
        }
        due
    }

    pub(super) fn next_deadline(&self) -> Micros {
        self.stray_at
    }
}
