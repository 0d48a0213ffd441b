//! What travels on a line, with its times: words, breaks, edges, and what a sender wants sent.

use payrig_mdb::Word;
use payrig_units::Micros;
use serde::{Deserialize, Serialize};

/// Bit rate of the bus (MDB/ICP 4.3, section 3.2).
pub const BAUD: u32 = 9_600;

/// Time of one word on the wire: 11 bits at 9600 baud, 1145.8 us, rounded up (sections 2.1, 3.2).
pub const WORD_TIME: Micros = Micros(1_146);

/// Which side of the bus speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// The VMC, on the master transmit line.
    Master,
    /// Any peripheral, on the master receive line.
    Peripheral,
}

impl Source {
    /// The side at the other end of the bus.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Master => Self::Peripheral,
            Self::Peripheral => Self::Master,
        }
    }
}

/// A word as it was on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimedWord {
    /// Edge of the start bit.
    pub start: Micros,
    /// End of the stop bit.
    pub end: Micros,
    /// Who sent it.
    pub source: Source,
    /// The nine bits.
    pub word: Word,
    /// How far `start` and `end` may be off, either way.
    pub uncertainty: Micros,
}

/// Anything that happens on an MDB bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusEvent {
    /// A word.
    Word(TimedWord),
    /// The line was held active longer than a word can: a bus reset, if long enough (section 2.2).
    Break {
        /// Start of the active level.
        start: Micros,
        /// End of the active level.
        end: Micros,
        /// Which line.
        source: Source,
        /// How far `start` and `end` may be off, either way.
        uncertainty: Micros,
    },
    /// A word whose stop bit was missing, or that was cut short: what was sampled is not to be
    /// trusted.
    Garbled {
        /// Edge of the start bit.
        start: Micros,
        /// Where sampling stopped.
        end: Micros,
        /// Which line.
        source: Source,
    },
}

pub use payrig_pulse::Edge;

impl BusEvent {
    /// When it starts.
    #[must_use]
    pub const fn start(&self) -> Micros {
        match self {
            Self::Word(word) => word.start,
            Self::Break { start, .. } | Self::Garbled { start, .. } => *start,
        }
    }

    /// When it ends.
    #[must_use]
    pub const fn end(&self) -> Micros {
        match self {
            Self::Word(word) => word.end,
            Self::Break { end, .. } | Self::Garbled { end, .. } => *end,
        }
    }

    /// Which side of the bus it is on.
    #[must_use]
    pub const fn source(&self) -> Source {
        match self {
            Self::Word(word) => word.source,
            Self::Break { source, .. } | Self::Garbled { source, .. } => *source,
        }
    }
}

/// What a state machine wants sent on the bus. The driver (simulated or live) carries it out and
/// owns the real times.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Transmission {
    /// Words one after another.
    Words {
        /// When the first start bit should fall.
        at: Micros,
        /// The words.
        words: Vec<Word>,
        /// Pause between the end of one stop bit and the next start bit.
        gap: Micros,
    },
    /// Hold the line active (the master's bus reset, section 2.2).
    Break {
        /// From when.
        at: Micros,
        /// For how long.
        length: Micros,
    },
}
