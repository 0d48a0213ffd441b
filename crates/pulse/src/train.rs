//! A train of pulses as measured on a line.

use crate::Stats;
use payrig_units::Micros;
use serde::{Deserialize, Serialize};

/// One pulse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pulse {
    /// Its leading edge: the first one, if the contact bounced.
    pub start: Micros,
    /// From the leading to the trailing edge.
    pub width: Micros,
    /// How long the leading edge took to settle; zero for a clean edge.
    pub settling: Micros,
    /// True when the record begins or ends within the pulse: its true width is not known.
    pub cut: bool,
}

impl Pulse {
    /// The trailing edge.
    #[must_use]
    pub fn end(&self) -> Micros {
        self.start + self.width
    }
}

/// Pulses on one line with no pause among them as long as the train gap.
///
/// ```
/// use payrig_pulse::{LineSetup, Profile, TrainReader, Verdict, judge};
/// use payrig_units::Micros;
///
/// let profile = Profile::medium();
/// let mut reader = TrainReader::new(LineSetup::of(&profile, "credit"));
/// // Three pulses on a line that rests high.
/// let mut at = Micros::ms(100);
/// for _ in 0..3 {
///     reader.edge(at, false);
///     reader.edge(at + profile.on, true);
///     at += profile.on + profile.off;
/// }
/// let trains = reader.finish(Micros::secs(5));
/// assert_eq!(trains[0].count(), 3);
/// assert_eq!(trains[0].widths(), [profile.on; 3]);
/// assert_eq!(judge(&trains[0], &profile).verdict(), Verdict::Pass);
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Train {
    /// Name of the line.
    pub line: String,
    /// The pulses, in order; never empty when it comes from a [`TrainReader`](crate::TrainReader).
    pub pulses: Vec<Pulse>,
    /// Excursions too short to be a pulse that were ignored during the train and just before it.
    pub glitches: u32,
    /// How far the time of any edge may be off, either way.
    pub uncertainty: Micros,
}

impl Train {
    /// The leading edge of the first pulse.
    #[must_use]
    pub fn start(&self) -> Micros {
        self.pulses.first().map_or(Micros::ZERO, |p| p.start)
    }

    /// The trailing edge of the last pulse.
    #[must_use]
    pub fn end(&self) -> Micros {
        self.pulses.last().map_or(Micros::ZERO, Pulse::end)
    }

    /// How many pulses.
    #[must_use]
    pub fn count(&self) -> usize {
        self.pulses.len()
    }

    /// The width of every pulse.
    #[must_use]
    pub fn widths(&self) -> Vec<Micros> {
        self.pulses.iter().map(|p| p.width).collect()
    }

    /// The pause between every two pulses: one less than there are pulses.
    #[must_use]
    pub fn gaps(&self) -> Vec<Micros> {
        self.pulses
            .iter()
            .zip(self.pulses.iter().skip(1))
            .map(|(one, next)| next.start.since(one.end()))
            .collect()
    }

    /// Statistics of the widths.
    #[must_use]
    pub fn width_stats(&self) -> Option<Stats> {
        Stats::of(&self.widths())
    }

    /// Statistics of the gaps; `None` for a single pulse.
    #[must_use]
    pub fn gap_stats(&self) -> Option<Stats> {
        Stats::of(&self.gaps())
    }
}
