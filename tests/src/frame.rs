//! What was on the wire, frame by frame, as words and as messages.

use payrig_mdb::{ACK, Address, Decoded, Dialogue, MasterFrame, NAK, PeripheralFrame, Word};
use payrig_units::Micros;
use payrig_wire::{BusEvent, Source};
use std::fmt;

/// Words that were sent together: a command, a data block, or one of ACK, NAK and RET. Without
/// words: a bus reset, or a collision.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// First start bit.
    pub start: Micros,
    /// Last stop bit.
    pub end: Micros,
    /// Who sent it.
    pub source: Source,
    /// The words.
    pub words: Vec<Word>,
    /// False when a fault kept it from the other side.
    pub heard: bool,
    /// Whom the master speaks to, or who answers.
    pub address: Option<Address>,
}

/// `> 0B* 0B` for the master, `< 00*` for a peripheral; `!` at the end of what was not heard.
impl fmt::Display for Frame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(arrow(self.source))?;
        if self.words.is_empty() {
            write!(f, " held active for {}", self.end.since(self.start))?;
        }
        for word in &self.words {
            write!(f, " {word}")?;
        }
        if self.heard {
            Ok(())
        } else {
            f.write_str(" !")
        }
    }
}

const fn arrow(source: Source) -> &'static str {
    match source {
        Source::Master => ">",
        Source::Peripheral => "<",
    }
}

/// A frame and what it means.
#[derive(Clone, Debug)]
pub struct Spoken {
    /// The frame.
    pub frame: Frame,
    /// What it means.
    pub decoded: Decoded,
}

impl Spoken {
    /// `> POLL`, `< JUST RESET`, `> ACK`.
    #[must_use]
    pub fn name(&self) -> String {
        format!("{} {}", arrow(self.frame.source), self.decoded.name())
    }

    /// `> COIN TYPE accept all; manual dispense all`.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{} {}", arrow(self.frame.source), self.decoded.text())
    }
}

/// A pause after which words of one side belong to another frame: longer than any that is tolerated
/// inside a block (Appendix 3, section 2: 5 ms).
const NEW_FRAME: Micros = Micros::ms(6);

/// Adds an event to the frames it belongs to.
pub(crate) fn record(frames: &mut Vec<Frame>, event: &BusEvent, heard: bool) {
    let (start, end, source) = (event.start(), event.end(), event.source());
    let address = frames.last().and_then(|f| f.address);
    let frame = |words: Vec<Word>, address| Frame {
        start,
        end,
        source,
        words,
        heard,
        address,
    };
    let BusEvent::Word(word) = event else {
        frames.push(frame(Vec::new(), None));
        return;
    };
    let word = word.word;
    if source == Source::Master && word.mode {
        frames.push(frame(vec![word], Some(Address::of(word.byte))));
        return;
    }
    let goes_on = |last: &&mut Frame| {
        let complete = match source {
            // The master's frames without an address byte are single words.
            Source::Master => last.words.first().is_some_and(|w| !w.mode),
            Source::Peripheral => last.words.last().is_some_and(|w| w.mode),
        };
        last.source == source
            && !last.words.is_empty()
            && !complete
            && start.since(last.end) < NEW_FRAME
    };
    match frames.last_mut().filter(goes_on) {
        Some(last) => {
            last.words.push(word);
            last.end = end;
        }
        None => frames.push(frame(vec![word], address)),
    }
}

/// What the frames mean, read in order.
pub(crate) fn decode(frames: &[Frame]) -> Vec<Spoken> {
    let mut dialogue = Dialogue::new();
    let mut each = |frame: &Frame| {
        let bytes: Vec<u8> = frame.words.iter().map(|w| w.byte).collect();
        let decoded = match (frame.source, bytes.as_slice()) {
            (_, []) => {
                dialogue.bus_reset();
                return None;
            }
            (Source::Master, [ACK]) => dialogue.master(&MasterFrame::Ack),
            (Source::Master, [NAK]) => dialogue.master(&MasterFrame::Nak),
            (Source::Master, [payrig_mdb::RET]) => dialogue.master(&MasterFrame::Ret),
            (Source::Master, bytes) => dialogue.master_bytes(bytes),
            (Source::Peripheral, [ACK]) => dialogue.peripheral(&PeripheralFrame::Ack),
            (Source::Peripheral, [NAK]) => dialogue.peripheral(&PeripheralFrame::Nak),
            (Source::Peripheral, bytes) => dialogue.peripheral_bytes(bytes),
        };
        let frame = frame.clone();
        Some(Spoken { frame, decoded })
    };
    frames.iter().filter_map(&mut each).collect()
}

/// Leaves out every POLL that was answered with ACK or not at all, with its answer.
pub(crate) fn without_idle_polls(spoken: Vec<Spoken>) -> Vec<Spoken> {
    let mut kept: Vec<Spoken> = Vec::new();
    let mut poll: Option<Spoken> = None;
    for one in spoken {
        let (from_master, name) = (one.frame.source == Source::Master, one.decoded.name());
        if from_master && name == "POLL" {
            poll = Some(one);
        } else if !from_master && name == "ACK" && poll.is_some() {
            poll = None;
        } else {
            if !from_master {
                kept.extend(poll.take());
            }
            poll = None;
            kept.push(one);
        }
    }
    kept
}
