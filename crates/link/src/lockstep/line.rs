//! The lines of a peer: read, or refused with what was expected.

use crate::coding::{parse_number, parse_word};
use payrig_mdb::Word;
use payrig_units::Micros;
use std::fmt;

/// The version of the lines that this tool speaks.
pub const VERSION: u64 = 1;

/// Longest line of a peer that is read, in bytes without its LF.
pub const MAX_LINE: usize = 4096;

/// A line of a peer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PeerLine {
    /// `L 1 quiet=1000 lines`: its first.
    Hello {
        /// Of the protocol.
        version: u64,
        /// It acts on words only when the line has been quiet for so long.
        quiet: Micros,
        /// It has pulse lines.
        lines: bool,
    },
    /// `W T 0B* 0B`: words, one straight after another.
    Words {
        /// When the first begins; none for this moment.
        at: Option<Micros>,
        /// At least one.
        words: Vec<Word>,
    },
    /// `B T LEN`: a break.
    Break {
        /// When it begins; none for this moment.
        at: Option<Micros>,
        /// How long it lasts.
        length: Micros,
    },
    /// `E T LINE 0|1 DEVICE`: an edge of a pulse line.
    Edge {
        /// When; none for this moment.
        at: Option<Micros>,
        /// The line.
        line: String,
        /// Its new level.
        high: bool,
        /// The device whose line it is.
        device: String,
    },
    /// `= JSON`: an answer; done, where nothing follows.
    Done(serde_json::Value),
    /// `! text`: it cannot.
    Cannot(String),
    /// `N T`: it has nothing before that time unless it hears something. The end of its turn.
    Nothing(Micros),
    /// `R`: at rest until it hears something. The end of its turn.
    Rest,
}

/// Why a line cannot be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum WrongLine {
    /// Its first field is none of the letters.
    Kind,
    /// No time where one is expected.
    Time,
    /// No words, or something that is no word.
    Word,
    /// A break without its length.
    Length,
    /// An edge without line, level or device.
    Edge,
    /// Behind `=` stands no JSON.
    Json,
    /// Something is left over.
    Rest,
    /// An opening that is none.
    Hello,
    /// It is longer than [`MAX_LINE`], or no UTF-8.
    Text,
}

impl fmt::Display for WrongLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Kind => "a line begins with L, W, B, E, =, !, N, R or #",
            Self::Time => "expected a time in whole microseconds of bench time, or - for now",
            Self::Word => "expected words of two hexadecimal digits, * behind one with its mode bit set, as in '0B* 0B'",
            Self::Length => "expected the length of the break in microseconds, as in 'B 5000 120000'",
            Self::Edge => "expected line, level and device, as in 'E 5000 inhibit 1 old bill'",
            Self::Json => "expected JSON behind =, or nothing",
            Self::Rest => "expected the end of the line",
            Self::Hello => "expected 'L 1', and behind it quiet=MICROSECONDS or lines where they hold",
            Self::Text => "expected a line of UTF-8, of 4096 bytes at most",
        })
    }
}

/// Reads a line without its LF; `None` for an empty one and a remark.
///
/// # Errors
/// When it is none of the lines.
pub fn parse_line(line: &[u8]) -> Result<Option<PeerLine>, WrongLine> {
    if line.len() > MAX_LINE {
        return Err(WrongLine::Text);
    }
    let line = std::str::from_utf8(line).map_err(|_| WrongLine::Text)?;
    let line = line.trim();
    let Some(first) = line.chars().next() else {
        return Ok(None);
    };
    // Behind these stands a text.
    match (first, line.get(1..).unwrap_or_default().trim()) {
        ('#', _) => return Ok(None),
        ('!', why) => return Ok(Some(PeerLine::Cannot(why.to_owned()))),
        ('=', "") => return Ok(Some(PeerLine::Done(serde_json::Value::Null))),
        ('=', json) => {
            let json = serde_json::from_str(json).map_err(|_| WrongLine::Json)?;
            return Ok(Some(PeerLine::Done(json)));
        }
        _ => {}
    }
    let mut fields = line.split_ascii_whitespace();
    let line = match fields.next() {
        Some("L") => hello(&mut fields)?,
        Some("W") => {
            let at = time(fields.next())?;
            let words: Option<Vec<Word>> = fields.by_ref().map(parse_word).collect();
            let words = words.filter(|w| !w.is_empty()).ok_or(WrongLine::Word)?;
            PeerLine::Words { at, words }
        }
        Some("B") => PeerLine::Break {
            at: time(fields.next())?,
            length: number(fields.next()).map(Micros).ok_or(WrongLine::Length)?,
        },
        Some("E") => {
            let at = time(fields.next())?;
            let line = fields.next().ok_or(WrongLine::Edge)?.to_owned();
            let high = match fields.next() {
                Some("0") => false,
                Some("1") => true,
                _ => return Err(WrongLine::Edge),
            };
            // A device may be of several words.
            let device: Vec<&str> = fields.by_ref().collect();
            if device.is_empty() {
                return Err(WrongLine::Edge);
            }
            PeerLine::Edge {
                at,
                line,
                high,
                device: device.join(" "),
            }
        }
        Some("N") => PeerLine::Nothing(number(fields.next()).map(Micros).ok_or(WrongLine::Time)?),
        Some("R") => PeerLine::Rest,
        _ => return Err(WrongLine::Kind),
    };
    match fields.next() {
        None => Ok(Some(line)),
        Some(_) => Err(WrongLine::Rest),
    }
}

fn hello<'a>(fields: &mut impl Iterator<Item = &'a str>) -> Result<PeerLine, WrongLine> {
    let version = number(fields.next()).ok_or(WrongLine::Hello)?;
    let (mut quiet, mut lines) = (Micros::ZERO, false);
    for field in fields {
        match field.split_once('=') {
            Some(("quiet", time)) => {
                quiet = Micros(parse_number(time).ok_or(WrongLine::Hello)?);
            }
            None if field == "lines" => lines = true,
            // Of a later version, which says more.
            _ if version > VERSION => {}
            _ => return Err(WrongLine::Hello),
        }
    }
    Ok(PeerLine::Hello {
        version,
        quiet,
        lines,
    })
}

fn number(field: Option<&str>) -> Option<u64> {
    field.and_then(parse_number)
}

fn time(field: Option<&str>) -> Result<Option<Micros>, WrongLine> {
    match field {
        Some("-") => Ok(None),
        field => number(field)
            .map(|n| Some(Micros(n)))
            .ok_or(WrongLine::Time),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::json;

    fn read(line: &str) -> PeerLine {
        parse_line(line.as_bytes()).unwrap().unwrap()
    }

    #[test]
    fn each_line_of_the_document() {
        let hello = |quiet, lines| PeerLine::Hello {
            version: 1,
            quiet: Micros(quiet),
            lines,
        };
        assert_eq!(read("L 1"), hello(0, false));
        assert_eq!(read("L 1 quiet=1000 lines"), hello(1_000, true));
        let words = |at, words| PeerLine::Words { at, words };
        let pair = vec![Word::marked(0x0B), Word::plain(0x0B)];
        assert_eq!(
            read("W 1292728 0b* 0B\r"),
            words(Some(Micros(1_292_728)), pair)
        );
        assert_eq!(read("W - 00*"), words(None, vec![Word::marked(0)]));
        let (at, length) = (Some(Micros(5_000)), Micros(120_000));
        assert_eq!(read("B 5000 120000"), PeerLine::Break { at, length });
        let edge = PeerLine::Edge {
            at,
            line: "inhibit".to_owned(),
            high: true,
            device: "old bill".to_owned(),
        };
        assert_eq!(read("E 5000 inhibit 1 old bill"), edge);
        assert_eq!(read("="), PeerLine::Done(json!(null)));
        assert_eq!(read("= \"0.25\""), PeerLine::Done(json!("0.25")));
        assert_eq!(
            read("! no such selection"),
            PeerLine::Cannot("no such selection".to_owned())
        );
        assert_eq!(read("N 7000"), PeerLine::Nothing(Micros(7_000)));
        assert_eq!(read(" R "), PeerLine::Rest);
        for nothing in ["", "   ", "# a remark", "\r"] {
            assert_eq!(parse_line(nothing.as_bytes()), Ok(None));
        }
    }

    #[test]
    fn what_is_wrong_is_said() {
        for (line, why) in [
            ("X", WrongLine::Kind),
            ("w - 00", WrongLine::Kind),
            ("W", WrongLine::Time),
            ("W +5 00", WrongLine::Time),
            ("W -5 00", WrongLine::Time),
            ("W 99999999999999999999 00", WrongLine::Time),
            ("W 5", WrongLine::Word),
            ("W 5 0", WrongLine::Word),
            ("W 5 00 **", WrongLine::Word),
            ("B 5", WrongLine::Length),
            ("B 5 6 7", WrongLine::Rest),
            ("E 5 credit", WrongLine::Edge),
            ("E 5 credit high bill", WrongLine::Edge),
            ("E 5 credit 1", WrongLine::Edge),
            ("= {", WrongLine::Json),
            ("N", WrongLine::Time),
            ("N -", WrongLine::Time),
            ("R 5", WrongLine::Rest),
            ("L", WrongLine::Hello),
            ("L one", WrongLine::Hello),
            ("L 1 quiet", WrongLine::Hello),
        ] {
            assert_eq!(parse_line(line.as_bytes()), Err(why), "{line}");
        }
        assert_eq!(parse_line(&[0xFF, 0xFE]), Err(WrongLine::Text));
        assert_eq!(parse_line(&[b'#'; MAX_LINE + 1]), Err(WrongLine::Text));
        // A later version may say more.
        assert!(matches!(
            read("L 2 colour=red"),
            PeerLine::Hello { version: 2, .. }
        ));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(line in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = parse_line(&line);
        }

        #[test]
        fn nearly_lines_are_read_or_refused(line in "[LWBEN=!R#-] ?[-0-9a-fA-F* ={}\"]{0,60}") {
            let _ = parse_line(line.as_bytes());
        }

        #[test]
        fn words_and_times_are_read_as_written(
            at in proptest::option::of(any::<u64>()), bits in proptest::collection::vec(0u16..0x200, 1..40),
        ) {
            let words: Vec<Word> = bits.into_iter().map(Word::from_bits).collect();
            let said: Vec<String> = words.iter().map(ToString::to_string).collect();
            let stamp = at.map_or("-".to_owned(), |at| at.to_string());
            let line = format!("W {stamp} {}", said.join(" "));
            prop_assert_eq!(read(&line), PeerLine::Words { at: at.map(Micros), words });
        }
    }
}
