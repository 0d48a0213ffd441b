//! The plain coding: one line of text per event, for programs without terminal tricks.
//!
//! ```text
//! W 1292728 0B*        a word: bench time in microseconds, byte in hex, * for a set mode bit
//! W - 0B* 0B           several words, one straight after another, as soon as may be
//! B 1500000 120000     a break: time, length in microseconds
//! # anything           a remark; not for the bus
//! ```
//!
//! Lines end in LF; CR before it and blanks around fields are accepted; letters may be small.

use super::{Said, Symbol};
use bytes::{BufMut, BytesMut};
use payrig_mdb::Word;
use payrig_units::Micros;

/// Longest line read, without its LF. A longer one is garbage.
pub const MAX_LINE: usize = 512;

/// Appends one line. Garbage has none.
pub fn encode(at: Micros, symbol: Symbol, out: &mut BytesMut) {
    let line = match symbol {
        Symbol::Word(word) => format!("W {} {word}\n", at.as_us()),
        Symbol::Break { length } => {
            format!("B {} {}\n", at.as_us(), length.unwrap_or_default().as_us())
        }
        Symbol::Garbage { .. } => return,
    };
    out.put_slice(line.as_bytes());
}

/// Reads the plain coding.
#[derive(Clone, Debug, Default)]
pub struct PlainDecoder {
    line: Vec<u8>,
    dropped: usize,
}

impl PlainDecoder {
    /// Takes bytes; gives the words and breaks of every line they complete.
    pub fn feed(&mut self, bytes: &[u8], out: &mut Vec<Said>) {
        for &byte in bytes {
            if byte == b'\n' {
                self.end_of_line(out);
            } else if self.line.len() < MAX_LINE && self.dropped == 0 {
                self.line.push(byte);
            } else {
                self.dropped += 1;
            }
        }
    }

    /// True in the middle of a line.
    #[must_use]
    pub fn is_midway(&self) -> bool {
        !self.line.is_empty() || self.dropped > 0
    }

    fn end_of_line(&mut self, out: &mut Vec<Said>) {
        let bytes = self.line.len() + self.dropped + 1;
        let parsed = if self.dropped > 0 {
            None
        } else {
            std::str::from_utf8(&self.line).ok().and_then(parse_line)
        };
        match parsed {
            Some(said) => out.extend(said),
            None => out.push(Said::unstamped(Symbol::Garbage { bytes })),
        }
        self.line.clear();
        self.dropped = 0;
    }
}

/// What a line says; `None` when it is no line of this coding.
fn parse_line(line: &str) -> Option<Vec<Said>> {
    let line = line.trim();
    if line.is_empty() || line.starts_with('#') {
        return Some(Vec::new());
    }
    let mut fields = line.split_ascii_whitespace();
    let kind = fields.next()?;
    let stamp = match fields.next()? {
        "-" => None,
        number => Some(Micros(parse_number(number)?)),
    };
    let said = |symbol| Said { stamp, symbol };
    match kind {
        "W" | "w" => {
            let words: Option<Vec<Said>> = fields
                .map(|f| parse_word(f).map(|w| said(Symbol::Word(w))))
                .collect();
            words.filter(|w| !w.is_empty())
        }
        "B" | "b" => {
            let length = Some(Micros(parse_number(fields.next()?)?));
            fields
                .next()
                .is_none()
                .then(|| vec![said(Symbol::Break { length })])
        }
        _ => None,
    }
}

pub(crate) fn parse_number(field: &str) -> Option<u64> {
    let digits = field.bytes().all(|b| b.is_ascii_digit());
    field.parse().ok().filter(|_| digits)
}

pub(crate) fn parse_word(field: &str) -> Option<Word> {
    let (hex, mode) = match field.strip_suffix('*') {
        Some(hex) => (hex, true),
        None => (field, false),
    };
    let digits = hex.len() == 2 && hex.bytes().all(|b| b.is_ascii_hexdigit());
    let byte = u8::from_str_radix(hex, 16).ok().filter(|_| digits)?;
    Some(Word { byte, mode })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(text: &str) -> Vec<Said> {
        let (mut decoder, mut said) = (PlainDecoder::default(), Vec::new());
        decoder.feed(text.as_bytes(), &mut said);
        said
    }

    fn word(stamp: Option<u64>, word: Word) -> Said {
        Said {
            stamp: stamp.map(Micros),
            symbol: Symbol::Word(word),
        }
    }

    #[test]
    fn the_lines_of_the_docs() {
        assert_eq!(
            said("W 1292728 0B*\r\n"),
            [word(Some(1_292_728), Word::marked(0x0B))]
        );
        assert_eq!(
            said("w - 0b* 0B\n"),
            [
                word(None, Word::marked(0x0B)),
                word(None, Word::plain(0x0B))
            ]
        );
        let length = Some(Micros(120_000));
        assert_eq!(
            said("B 1500000 120000\n"),
            [Said {
                stamp: Some(Micros(1_500_000)),
                symbol: Symbol::Break { length }
            }]
        );
        assert_eq!(said("# hello\n\n   \n"), []);
    }

    #[test]
    fn a_bad_line_is_garbage_and_the_next_is_read() {
        for bad in [
            "W", "W -", "W - 0", "W - 0B+", "W - +B", "X - 0B", "B - ", "B - 1 2", "W -1 0B",
            "W +1 0B",
        ] {
            let text = format!("{bad}\nW - 00*\n");
            let bytes = bad.len() + 1;
            let garbage = Said::unstamped(Symbol::Garbage { bytes });
            assert_eq!(said(&text), [garbage, word(None, Word::marked(0))], "{bad}");
        }
    }

    #[test]
    fn an_endless_line_is_garbage_of_its_length() {
        let text = format!("{}\nW - 00*\n", "0".repeat(5_000));
        let garbage = Said::unstamped(Symbol::Garbage { bytes: 5_001 });
        assert_eq!(said(&text), [garbage, word(None, Word::marked(0))]);
    }

    #[test]
    fn encoded_lines() {
        let mut out = BytesMut::new();
        encode(Micros(7), Symbol::Word(Word::marked(0xFF)), &mut out);
        let length = Some(Micros(100_000));
        encode(Micros(9), Symbol::Break { length }, &mut out);
        assert_eq!(&out[..], b"W 7 FF*\nB 9 100000\n");
    }
}
