//! A break whose length is not reported.

use payrig_units::Micros;
use payrig_wire::{BusEvent, Source, WORD_TIME};

/// A break whose length the link does not report is taken to last this long, the shortest bus reset
/// (MDB/ICP 4.3, section 3.2), unless a word follows sooner.
pub const ASSUMED_BREAK: Micros = Micros::ms(100);

/// A break that has begun and whose end is not known.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct OpenBreak(Option<Micros>);

impl OpenBreak {
    /// A UART reports a break when it has lasted one word.
    pub(crate) fn noticed(&mut self, at: Micros) {
        self.0 = Some(at - WORD_TIME);
    }

    /// When [`advance`](Self::advance) ends it.
    pub(crate) fn next_deadline(self) -> Micros {
        self.0.map_or(Micros::NEVER, |start| start + ASSUMED_BREAK)
    }

    /// Ends a break that has lasted long enough for a bus reset.
    pub(crate) fn advance(&mut self, now: Micros, source: Source) -> Option<BusEvent> {
        let end = self.next_deadline();
        if now < end {
            None
        } else {
            self.close(end, source)
        }
    }

    /// Something else was heard: the break was over by then.
    pub(crate) fn cut_short(&mut self, now: Micros, source: Source) -> Option<BusEvent> {
        let least = self.0? + WORD_TIME;
        self.close(now.max(least), source)
    }

    /// Ends it at the latest moment it can have ended; it may have been anything shorter, down to
    /// one word, or, when it was assumed, longer.
    fn close(&mut self, end: Micros, source: Source) -> Option<BusEvent> {
        let start = self.0.take()?;
        let uncertainty = end.since(start);
        Some(BusEvent::Break {
            start,
            end,
            source,
            uncertainty,
        })
    }
}
