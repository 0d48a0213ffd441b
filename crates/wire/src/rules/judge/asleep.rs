//! Stretches in which nobody looked.

use payrig_units::Micros;

/// How long after a stretch a block may still end that began in it.
const KEPT: Micros = Micros::secs(60);

/// Stretches in which nobody looked, the latest last.
#[derive(Clone, Debug, Default)]
pub(super) struct Asleep {
    stretches: Vec<(Micros, Micros)>,
    /// What comes next follows something that is not known.
    pub(super) after: bool,
}

impl Asleep {
    pub(super) fn add(&mut self, from: Micros, to: Micros) {
        self.stretches.retain(|(_, end)| from.since(*end) < KEPT);
        self.stretches.push((from, to));
    }

    /// True when a part of this was in a stretch.
    pub(super) fn overlaps(&self, start: Micros, end: Micros) -> bool {
        let mut stretches = self.stretches.iter().rev();
        stretches.any(|(from, to)| start <= *to && end >= *from)
    }
}
