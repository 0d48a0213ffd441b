//! Nine-bit words on a line (MDB/ICP 4.3, section 2.1): edges to words and back, and the bit rate
//! as it really is.
//!
//! ```
//! use payrig_mdb::Word;
//! use payrig_units::Micros;
//! use payrig_wire::uart::{BusLines, capture_of_bus, decode_bus};
//! use payrig_wire::{BusEvent, Source, TimedWord, WORD_TIME};
//!
//! // The edges of a word, and the word of the edges.
//! let word = TimedWord {
//!     start: Micros::ms(1),
//!     end: Micros::ms(1) + WORD_TIME,
//!     source: Source::Master,
//!     word: Word::marked(0x0B),
//!     uncertainty: Micros::ZERO,
//! };
//! let capture = capture_of_bus("poll.vcd", &[BusEvent::Word(word)], Micros::ms(5));
//! let decoded = decode_bus(&capture, &BusLines::of(&capture))?;
//! let [BusEvent::Word(read)] = decoded.events.as_slice() else { panic!("{decoded:?}") };
//! assert_eq!((read.word, read.source), (word.word, word.source));
//! assert!(read.start.abs_diff(word.start) <= Micros(1));
//! # Ok::<(), payrig_wire::capture::CaptureError>(())
//! ```

mod bit_time;
mod bus;
mod encode;
mod rate;
mod sample;
mod swapped;

pub use bit_time::BitTime;
pub use bus::{BusDecode, BusLines, decode_bus};
pub use encode::{capture_of_bus, encode};
pub use rate::{BitRate, measure_rate, nearest_standard_rate};
pub use sample::{IdleLevel, Sampled, sample};
