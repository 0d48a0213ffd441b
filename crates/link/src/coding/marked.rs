//! The marked-parity coding: what a Linux terminal delivers for a nine-bit bus when it is set to
//! space parity with INPCK and PARMRK (termios(3), PARMRK; POSIX.1-2017, 11.2.2 Input Modes).
//!
//! Space parity expects the ninth bit clear, so a set mode bit is a parity error and marked:
//!
//! | on the wire          | bytes      |
//! |----------------------|------------|
//! | byte x, mode clear   | `x`        |
//! | FFH, mode clear      | `FF FF`    |
//! | byte x, mode set     | `FF 00 x`  |
//! | break                | `FF 00 00` |
//!
//! A break reads like 00H with its mode bit set. The two never come from the same side: only the
//! master breaks (MDB/ICP 4.3, section 2.2) and it never sends 00H with the mode bit set, for that
//! address is its own (section 2.3); a peripheral never breaks, and its `FF 00 00` is ACK, the
//! commonest answer of all. So [`MarkedDecoder`] wants to know who speaks. A framing error (a
//! missing stop bit) is marked in the same way as a parity error and cannot be told from it.

use super::{Said, Symbol};
use bytes::{BufMut, BytesMut};
use payrig_mdb::Word;
use payrig_wire::Source;

const MARK: u8 = 0xFF;

/// Appends the bytes of one word.
pub fn encode_word(word: Word, out: &mut BytesMut) {
    match (word.mode, word.byte) {
        (true, byte) => out.put_slice(&[MARK, 0x00, byte]),
        (false, MARK) => out.put_slice(&[MARK, MARK]),
        (false, byte) => out.put_u8(byte),
    }
}

/// Appends the bytes of a break.
pub fn encode_break(out: &mut BytesMut) {
    out.put_slice(&[MARK, 0x00, 0x00]);
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Plain,
    Marked,
    MarkedZero,
}

/// Reads the marked-parity coding.
#[derive(Clone, Debug)]
pub struct MarkedDecoder {
    speaker: Source,
    state: State,
}

impl MarkedDecoder {
    /// For what `speaker` says: it decides what `FF 00 00` means.
    #[must_use]
    pub const fn new(speaker: Source) -> Self {
        Self {
            speaker,
            state: State::Plain,
        }
    }

    /// Takes bytes; gives what they complete. `FF x` with x neither 00 nor FF is no code: the FF
    /// is garbage and x is read anew.
    pub fn feed(&mut self, bytes: &[u8], out: &mut Vec<Said>) {
        for &byte in bytes {
            let symbol = match (self.state, byte) {
                (State::Plain, MARK) => {
                    self.state = State::Marked;
                    continue;
                }
                (State::Marked, 0x00) => {
                    self.state = State::MarkedZero;
                    continue;
                }
                (State::Plain, _) => Symbol::Word(Word::plain(byte)),
                (State::Marked, MARK) => Symbol::Word(Word::plain(MARK)),
                (State::Marked, _) => {
                    out.push(Said::unstamped(Symbol::Garbage { bytes: 1 }));
                    Symbol::Word(Word::plain(byte))
                }
                (State::MarkedZero, 0x00) if self.speaker == Source::Master => {
                    Symbol::Break { length: None }
                }
                (State::MarkedZero, _) => Symbol::Word(Word::marked(byte)),
            };
            self.state = State::Plain;
            out.push(Said::unstamped(symbol));
        }
    }

    /// The sender paused: half a code is garbage.
    pub fn pause(&mut self, out: &mut Vec<Said>) {
        let bytes = match self.state {
            State::Plain => return,
            State::Marked => 1,
            State::MarkedZero => 2,
        };
        self.state = State::Plain;
        out.push(Said::unstamped(Symbol::Garbage { bytes }));
    }

    /// True in the middle of a code.
    #[must_use]
    pub fn is_midway(&self) -> bool {
        self.state != State::Plain
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::{ACK, Block, NAK};

    fn symbols(speaker: Source, bytes: &[u8]) -> Vec<Symbol> {
        let (mut decoder, mut said) = (MarkedDecoder::new(speaker), Vec::new());
        decoder.feed(bytes, &mut said);
        said.into_iter().map(|s| s.symbol).collect()
    }

    fn bytes(words: impl IntoIterator<Item = Word>) -> Vec<u8> {
        let mut out = BytesMut::new();
        words.into_iter().for_each(|w| encode_word(w, &mut out));
        out.to_vec()
    }

    /// MDB/ICP 4.3: POLL of the changer is 0BH (section 5), its CHK 0BH (section 2.2); the answers
    /// ACK and NAK carry the mode bit (section 2.2).
    #[test]
    fn a_poll_and_its_answers_byte_for_byte() {
        let poll = Block::new(&[0x0B]).unwrap();
        assert_eq!(bytes(poll.master_words()), [0xFF, 0x00, 0x0B, 0x0B]);
        assert_eq!(bytes([Word::marked(ACK)]), [0xFF, 0x00, 0x00]);
        assert_eq!(bytes([Word::marked(NAK)]), [0xFF, 0x00, 0xFF]);
        assert_eq!(bytes([Word::plain(NAK)]), [0xFF, 0xFF]);
    }

    #[test]
    fn ff_00_00_is_a_break_of_the_master_and_the_ack_of_a_peripheral() {
        let code = [0xFF, 0x00, 0x00];
        assert_eq!(
            symbols(Source::Master, &code),
            [Symbol::Break { length: None }]
        );
        assert_eq!(
            symbols(Source::Peripheral, &code),
            [Symbol::Word(Word::marked(ACK))]
        );
    }

    #[test]
    fn a_lone_mark_is_garbage_and_what_follows_is_read() {
        assert_eq!(
            symbols(Source::Master, &[0xFF, 0x33, 0x44]),
            [
                Symbol::Garbage { bytes: 1 },
                Symbol::Word(Word::plain(0x33)),
                Symbol::Word(Word::plain(0x44))
            ]
        );
    }
}
