//! How nine-bit words travel through a stream of bytes: two codings, chosen by name.
//!
//! Byte for byte in `docs/src/links.md`; both are incremental, accept any bytes, and find their feet
//! again after garbage.
//!
//! ```
//! use payrig_link::{Decoder, Symbol, WordCoding};
//! use payrig_mdb::Word;
//! use payrig_wire::Source;
//!
//! // What a program that plays the board wrote, in whatever pieces it came.
//! let mut board = Decoder::new(WordCoding::Plain, Source::Master);
//! let mut said = Vec::new();
//! board.feed(b"W - 0B", &mut said);
//! assert!(said.is_empty());
//! board.feed(b"* 0B\n", &mut said);
//! let words: Vec<Symbol> = said.iter().map(|said| said.symbol).collect();
//! assert_eq!(words, [Symbol::Word(Word::marked(0x0B)), Symbol::Word(Word::plain(0x0B))]);
//! ```

mod marked;
mod plain;

pub use marked::{
    MarkedDecoder, encode_break as encode_marked_break, encode_word as encode_marked,
};
pub use plain::{MAX_LINE, PlainDecoder, encode as encode_plain};
pub(crate) use plain::{parse_number, parse_word};

use bytes::BytesMut;
use payrig_mdb::Word;
use payrig_units::Micros;
use payrig_wire::Source;
pub use payrig_wire::port::{UnknownCoding, WordCoding};

/// What a coding carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Symbol {
    /// Nine bits.
    Word(Word),
    /// The line held active longer than a word can be. How long is not always known.
    Break {
        /// Microseconds; `None` where the coding does not report it.
        length: Option<Micros>,
    },
    /// Bytes that fit nowhere in the coding.
    Garbage {
        /// How many.
        bytes: usize,
    },
}

/// A symbol and the time its sender gave with it, if any.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Said {
    /// Bench time the sender gave: for what payrig says, when it was complete; for what it hears,
    /// before when it must not start. Only the plain coding has it.
    pub stamp: Option<Micros>,
    /// What was said.
    pub symbol: Symbol,
}

impl Said {
    const fn unstamped(symbol: Symbol) -> Self {
        Self {
            stamp: None,
            symbol,
        }
    }
}

/// Turns symbols into bytes. Garbage turns into nothing.
#[derive(Clone, Copy, Debug)]
pub struct Encoder(pub WordCoding);

impl Encoder {
    /// Appends the bytes of a symbol that was complete at bench time `at`.
    pub fn encode(self, at: Micros, symbol: Symbol, out: &mut BytesMut) {
        match (self.0, symbol) {
            (_, Symbol::Garbage { .. }) => {}
            (WordCoding::MarkedParity, Symbol::Word(word)) => encode_marked(word, out),
            (WordCoding::MarkedParity, Symbol::Break { .. }) => encode_marked_break(out),
            (WordCoding::Plain, symbol) => encode_plain(at, symbol, out),
        }
    }
}

/// Turns bytes into symbols, whatever pieces they come in.
#[derive(Clone, Debug)]
pub enum Decoder {
    /// Marked parity.
    Marked(MarkedDecoder),
    /// Plain.
    Plain(PlainDecoder),
}

impl Decoder {
    /// For what `speaker` says.
    #[must_use]
    pub fn new(coding: WordCoding, speaker: Source) -> Self {
        match coding {
            WordCoding::MarkedParity => Self::Marked(MarkedDecoder::new(speaker)),
            WordCoding::Plain => Self::Plain(PlainDecoder::default()),
        }
    }

    /// Takes bytes; gives what they complete, in order.
    pub fn feed(&mut self, bytes: &[u8], out: &mut Vec<Said>) {
        match self {
            Self::Marked(decoder) => decoder.feed(bytes, out),
            Self::Plain(decoder) => decoder.feed(bytes, out),
        }
    }

    /// The sender has paused for longer than the pieces of one symbol can be apart: what is half
    /// read is garbage, or was complete after all.
    pub fn pause(&mut self, out: &mut Vec<Said>) {
        match self {
            Self::Marked(decoder) => decoder.pause(out),
            // A person may type a line slowly.
            Self::Plain(_) => {}
        }
    }

    /// True in the middle of a symbol.
    #[must_use]
    pub fn is_midway(&self) -> bool {
        match self {
            Self::Marked(decoder) => decoder.is_midway(),
            Self::Plain(decoder) => decoder.is_midway(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn decode(coding: WordCoding, speaker: Source, pieces: &[&[u8]]) -> Vec<Said> {
        let mut decoder = Decoder::new(coding, speaker);
        let mut said = Vec::new();
        for piece in pieces {
            decoder.feed(piece, &mut said);
        }
        decoder.pause(&mut said);
        said
    }

    fn word() -> impl Strategy<Value = Word> {
        (0u16..0x200).prop_map(Word::from_bits)
    }

    fn coding() -> impl Strategy<Value = WordCoding> {
        prop_oneof![Just(WordCoding::MarkedParity), Just(WordCoding::Plain)]
    }

    proptest! {
        #[test]
        fn any_bytes_in_any_pieces_never_panic_and_say_the_same(
            coding in coding(), master in any::<bool>(),
            bytes in proptest::collection::vec(prop_oneof![any::<u8>(), Just(0xFF), Just(0), Just(b'\n'), Just(b'W'), Just(b' ')], 0..300),
            cut in 0usize..300,
        ) {
            let speaker = if master { Source::Master } else { Source::Peripheral };
            let cut = cut.min(bytes.len());
            let whole = decode(coding, speaker, &[&bytes]);
            prop_assert_eq!(decode(coding, speaker, &[&bytes[..cut], &bytes[cut..]]), whole);
        }

        #[test]
        fn words_round_trip(coding in coding(), words in proptest::collection::vec(word(), 0..80)) {
            let mut bytes = BytesMut::new();
            for (i, word) in words.iter().enumerate() {
                Encoder(coding).encode(Micros(i as u64), Symbol::Word(*word), &mut bytes);
            }
            let heard: Vec<Symbol> =
                decode(coding, Source::Peripheral, &[&bytes]).iter().map(|s| s.symbol).collect();
            let said: Vec<Symbol> = words.iter().map(|w| Symbol::Word(*w)).collect();
            prop_assert_eq!(heard, said);
        }

        #[test]
        fn after_garbage_and_a_pause_a_word_is_heard_again(
            coding in coding(), word in word(),
            garbage in proptest::collection::vec(any::<u8>(), 0..100),
        ) {
            let mut decoder = Decoder::new(coding, Source::Peripheral);
            let mut said = Vec::new();
            decoder.feed(&garbage, &mut said);
            decoder.pause(&mut said);
            if coding == WordCoding::Plain {
                decoder.feed(b"\n", &mut said);
            }
            said.clear();
            let mut bytes = BytesMut::new();
            Encoder(coding).encode(Micros(5), Symbol::Word(word), &mut bytes);
            decoder.feed(&bytes, &mut said);
            prop_assert_eq!(said.len(), 1);
            prop_assert_eq!(said[0].symbol, Symbol::Word(word));
        }
    }
}
