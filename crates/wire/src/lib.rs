//! Time-stamped words and edges; the timing rules and their findings; captures and recordings.

mod signal;

pub use signal::{BAUD, BusEvent, Edge, Source, TimedWord, Transmission, WORD_TIME};
