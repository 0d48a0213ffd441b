//! Words grouped into blocks (MDB/ICP 4.3, section 2.2), as they come.
//!
//! Where a block ends: a peripheral's at its mode bit, a master's where its length is reached, both
//! where the other side speaks, where the line falls silent, or where a mode bit starts the next
//! block. Words that follow so closely that they can only belong to the same transmission stay with
//! it, so an over-long block or one with misplaced mode bits is kept whole and can be judged.

use crate::{BusEvent, Source, TimedWord};
use payrig_mdb::{
    ACK, Address, Block, BlockError, Length, MasterFrame, NAK, PeripheralFrame, RET, chk,
    command_length,
};
use payrig_units::Micros;

/// A pause after which a finished block cannot go on. Twice the longest pause between bytes
/// (section 3.2), so that a breach of that limit does not tear a block.
pub const FINISHED_PAUSE: Micros = Micros::ms(2);

/// A pause after which an unfinished block is given up. Four times the pause a receiver should tolerate
/// (Appendix 3, section 2).
pub const UNFINISHED_PAUSE: Micros = Micros::ms(20);

/// More bytes than a block may have.
const ROOM: usize = 64;

/// Words that travelled together, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WireBlock {
    /// Who sent it.
    pub source: Source,
    /// Start-bit edge of its first word.
    pub start: Micros,
    /// End of its last stop bit.
    pub end: Micros,
    /// Its words, CHK included; never empty.
    pub words: Vec<TimedWord>,
    /// Words within it that could not be read: start and end.
    pub garbled: Vec<(Micros, Micros)>,
    /// It follows data of a peripheral and is a lone word without mode bit: ACK, NAK or RET.
    pub answers_data: bool,
}

impl WireBlock {
    /// Its bytes, CHK included.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        self.words.iter().map(|w| w.word.byte).collect()
    }

    /// The same without a copy on the heap, where the block is not far too long.
    pub(crate) fn with_bytes<T>(&self, look: impl FnOnce(&[u8]) -> T) -> T {
        let mut room = [0; ROOM];
        match room.get_mut(..self.words.len()) {
            Some(bytes) => {
                let pairs = bytes.iter_mut().zip(&self.words);
                pairs.for_each(|(byte, word)| *byte = word.word.byte);
                look(bytes)
            }
            None => look(&self.bytes()),
        }
    }

    /// Its mode bits, one per byte.
    #[must_use]
    pub fn modes(&self) -> Vec<bool> {
        self.words.iter().map(|w| w.word.mode).collect()
    }

    /// The longest pause between two of its words, and after which word. Pauses that hold a
    /// garbled word are left out.
    #[must_use]
    pub fn longest_pause(&self) -> Option<(Micros, usize)> {
        let pairs = self.words.iter().zip(self.words.iter().skip(1));
        pairs
            .enumerate()
            .filter(|(_, (a, b))| {
                !self
                    .garbled
                    .iter()
                    .any(|(start, _)| *start >= a.start && *start <= b.start)
            })
            .map(|(i, (a, b))| (b.start.since(a.end), i))
            .max_by_key(|(pause, i)| (*pause, std::cmp::Reverse(*i)))
    }

    /// The address byte's address, for a command of the master.
    #[must_use]
    pub fn address(&self) -> Option<Address> {
        match (self.source, self.words.as_slice()) {
            (Source::Master, [_]) if self.answers_data => None,
            (Source::Master, [first, ..]) if first.word.mode || self.words.len() > 1 => {
                Some(Address::of(first.word.byte))
            }
            _ => None,
        }
    }

    /// What the master said.
    ///
    /// # Errors
    /// The block is not one of the master's (then [`BlockError::Empty`]), its CHK is wrong, or its
    /// length.
    pub fn master_frame(&self) -> Result<MasterFrame, BlockError> {
        if self.source != Source::Master {
            return Err(BlockError::Empty);
        }
        match self.words.as_slice() {
            [one] if !one.word.mode => match one.word.byte {
                ACK => Ok(MasterFrame::Ack),
                NAK => Ok(MasterFrame::Nak),
                RET => Ok(MasterFrame::Ret),
                _ => Err(BlockError::Empty),
            },
            _ => self.with_bytes(Block::from_wire).map(MasterFrame::Command),
        }
    }

    /// What a peripheral said.
    ///
    /// # Errors
    /// The block is not a peripheral's (then [`BlockError::Empty`]), its CHK is wrong, or its
    /// length.
    pub fn peripheral_frame(&self) -> Result<PeripheralFrame, BlockError> {
        if self.source != Source::Peripheral {
            return Err(BlockError::Empty);
        }
        match self.words.as_slice() {
            [one] => match one.word.byte {
                ACK => Ok(PeripheralFrame::Ack),
                NAK => Ok(PeripheralFrame::Nak),
                _ => Err(BlockError::Empty),
            },
            _ => self.with_bytes(Block::from_wire).map(PeripheralFrame::Data),
        }
    }

    /// True when the sender seems to have said all it meant to say.
    pub(crate) fn finished(&self) -> bool {
        match self.source {
            Source::Peripheral => self.words.last().is_some_and(|w| w.word.mode),
            Source::Master if self.answers_data => true,
            Source::Master => self.with_bytes(|bytes| match command_length(bytes) {
                Length::Known(length) => bytes.len() >= length,
                Length::NeedMore | Length::Unknown => match bytes.split_last() {
                    Some((last, data)) => !data.is_empty() && chk(data) == *last,
                    None => false,
                },
            }),
        }
    }
}

/// Groups words into blocks, one event at a time.
#[derive(Clone, Debug, Default)]
pub struct BlockBuilder {
    open: Option<WireBlock>,
    /// The last block closed was a peripheral's with more than one byte.
    after_data: bool,
    /// A garbled word before the first readable one of its block.
    lost: Option<(Source, Micros, Micros)>,
    eager: bool,
    /// How late words may come.
    patience: Micros,
    /// How the open block stands; kept, since it is asked for more often than it changes.
    standing: Option<Standing>,
    /// Room for the words of the next block.
    spare: Vec<TimedWord>,
}

/// How an open block stands.
#[derive(Clone, Copy, Debug)]
struct Standing {
    finished: bool,
    /// End of its last word, or of its last garbled one.
    last_sign: Micros,
}

impl Standing {
    fn of(open: &WireBlock) -> Self {
        let garbled = open.garbled.iter().map(|(_, end)| *end);
        Self {
            finished: open.finished(),
            last_sign: garbled.fold(open.end, Micros::max),
        }
    }

    fn pause_allowed(self) -> Micros {
        match self.finished {
            true => FINISHED_PAUSE,
            false => UNFINISHED_PAUSE,
        }
    }

    /// Whether something that starts at `start` may belong to the block.
    fn may_go_on(self, start: Micros) -> bool {
        start.since(self.last_sign) < self.pause_allowed()
    }
}

impl BlockBuilder {
    /// A builder for watchers: it waits until a block can no longer go on, so that faulty blocks
    /// are kept whole.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A builder for those who must answer: a block is given out with the word that finishes it,
    /// and a mode bit always starts a new block of the master.
    #[must_use]
    pub fn eager() -> Self {
        Self {
            eager: true,
            ..Self::default()
        }
    }

    /// For a link whose words come up to `by` after they were on the wire: a silence is known that
    /// much later. Words are put together by their own times, whenever they come.
    #[must_use]
    pub fn patient(mut self, by: Micros) -> Self {
        self.patience = by;
        self
    }

    /// From now on words come up to `by` late: see [`patient`](Self::patient).
    pub fn set_patience(&mut self, by: Micros) {
        self.patience = by;
    }

    /// Takes an event and gives the blocks it closes, in order.
    pub fn push(&mut self, event: &BusEvent) -> Vec<WireBlock> {
        let mut closed = Vec::new();
        self.push_to(event, |block| closed.push(block));
        closed
    }

    /// The same, and every block it closes goes to `closed`.
    pub fn push_to(&mut self, event: &BusEvent, mut closed: impl FnMut(WireBlock)) {
        match event {
            BusEvent::Word(word) => {
                self.word(*word).into_iter().for_each(&mut closed);
                let finished = self.standing.is_some_and(|s| s.finished);
                if self.eager && finished {
                    self.flush().into_iter().for_each(closed);
                }
            }
            BusEvent::Break { .. } => {
                self.flush().into_iter().for_each(closed);
                self.after_data = false;
                self.lost = None;
            }
            BusEvent::Garbled { start, end, source } => match (self.open.as_mut(), self.standing) {
                (Some(open), Some(standing))
                    if open.source == *source && standing.may_go_on(*start) =>
                {
                    open.garbled.push((*start, *end));
                    self.standing = Some(Standing::of(open));
                }
                _ => {
                    self.flush().into_iter().for_each(closed);
                    self.lost = Some((*source, *start, *end));
                }
            },
        }
    }

    /// Takes a block back that nobody needs any more: the next one uses its room.
    pub fn recycle(&mut self, block: WireBlock) {
        self.spare = block.words;
        self.spare.clear();
    }

    /// Time has passed: closes a block whose line has been silent too long for it to go on.
    pub fn idle(&mut self, now: Micros) -> Option<WireBlock> {
        if now >= self.next_deadline() {
            self.flush()
        } else {
            None
        }
    }

    /// When [`BlockBuilder::idle`] will close the open block; [`Micros::NEVER`] without one.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        self.standing.map_or(Micros::NEVER, |s| {
            s.last_sign + s.pause_allowed() + self.patience
        })
    }

    /// When the open block began; `None` without one.
    #[must_use]
    pub fn open_since(&self) -> Option<Micros> {
        let first = self.open.as_ref()?.words.first();
        let lost = self.lost.map(|(_, start, _)| start);
        first.map(|word| word.start).into_iter().chain(lost).min()
    }

    /// Closes the open block, whatever its state: the end of a capture, or a break.
    pub fn flush(&mut self) -> Option<WireBlock> {
        let block = self.open.take()?;
        self.standing = None;
        self.after_data = block.source == Source::Peripheral && block.words.len() > 1;
        Some(block)
    }

    fn word(&mut self, word: TimedWord) -> Option<WireBlock> {
        match (self.open.as_mut(), self.standing) {
            (Some(open), Some(standing)) if goes_on(open, standing, &word, self.eager) => {
                open.end = word.end;
                open.words.push(word);
                open.answers_data = false;
                self.standing = Some(Standing::of(open));
                None
            }
            _ => {
                let closed = self.flush();
                let answers_data =
                    self.after_data && word.source == Source::Master && !word.word.mode;
                let garbled = self
                    .lost
                    .take()
                    .filter(|(source, _, end)| {
                        *source == word.source && word.start.since(*end) < UNFINISHED_PAUSE
                    })
                    .map(|(_, start, end)| (start, end));
                let mut words = std::mem::take(&mut self.spare);
                words.push(word);
                let open = self.open.insert(WireBlock {
                    source: word.source,
                    start: word.start,
                    end: word.end,
                    words,
                    garbled: garbled.into_iter().collect(),
                    answers_data,
                });
                self.standing = Some(Standing::of(open));
                closed
            }
        }
    }
}

/// Whether `word` belongs to the open block.
fn goes_on(open: &WireBlock, standing: Standing, word: &TimedWord, eager: bool) -> bool {
    if open.source != word.source {
        return false;
    }
    if open.source == Source::Master && word.word.mode {
        // A mode bit starts a block, unless it falls right into the middle of an unfinished one.
        let close = word.start.since(standing.last_sign) < FINISHED_PAUSE;
        return !eager && !standing.finished && close;
    }
    standing.may_go_on(word.start)
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::Word;
    use proptest::prelude::*;

    fn word(start: u64, source: Source, bits: u16) -> TimedWord {
        TimedWord {
            start: Micros(start),
            end: Micros(start + 1_146),
            source,
            word: Word::from_bits(bits),
            uncertainty: Micros(1),
        }
    }

    fn group(builder: &mut BlockBuilder, words: &[TimedWord]) -> Vec<Vec<u8>> {
        let events = words.iter().map(|w| BusEvent::Word(*w));
        let mut blocks: Vec<WireBlock> = events.flat_map(|e| builder.push(&e)).collect();
        blocks.extend(builder.flush());
        blocks.iter().map(WireBlock::bytes).collect()
    }

    use Source::{Master as M, Peripheral as P};

    /// Section 2.5, example B: command, data, acknowledgement.
    fn session() -> Vec<TimedWord> {
        [
            (0, M, 0x10B),
            (1_200, M, 0x0B),
            (4_000, P, 0x02),
            (5_200, P, 0x102),
            (8_000, M, 0x00),
            (20_000, M, 0x133),
            (21_200, M, 0x33),
        ]
        .map(|(at, source, bits)| word(at, source, bits))
        .to_vec()
    }

    #[test]
    fn a_session_falls_into_its_blocks() {
        let expected = [
            vec![0x0B, 0x0B],
            vec![0x02, 0x02],
            vec![0x00],
            vec![0x33, 0x33],
        ];
        assert_eq!(group(&mut BlockBuilder::new(), &session()), expected);
        assert_eq!(group(&mut BlockBuilder::eager(), &session()), expected);
    }

    #[test]
    fn an_eager_builder_gives_a_block_with_its_last_word() {
        let mut builder = BlockBuilder::eager();
        let given: Vec<usize> = session()
            .iter()
            .map(|w| builder.push(&BusEvent::Word(*w)).len())
            .collect();
        assert_eq!(given, [0, 1, 0, 1, 1, 0, 1]);
        assert_eq!(builder.next_deadline(), Micros::NEVER);
    }

    #[test]
    fn silence_closes_a_block() {
        let mut builder = BlockBuilder::new();
        for w in session().iter().take(2) {
            assert!(builder.push(&BusEvent::Word(*w)).is_empty());
        }
        let end = Micros(1_200 + 1_146);
        assert_eq!(builder.next_deadline(), end + FINISHED_PAUSE);
        assert_eq!(builder.idle(end), None);
        assert_eq!(
            builder.idle(end + FINISHED_PAUSE).map(|b| b.bytes()),
            Some(vec![0x0B, 0x0B])
        );
    }

    proptest! {
        /// Whatever comes, in whatever order of time, every word is in exactly one block.
        #[test]
        fn no_word_is_lost(
            words in proptest::collection::vec((0u64..40_000, any::<bool>(), 0u16..0x200, 0u8..20), 0..120),
            eager: bool,
        ) {
            let mut builder = if eager { BlockBuilder::eager() } else { BlockBuilder::new() };
            let (mut sent, mut got) = (Vec::new(), Vec::new());
            for (at, master, bits, other) in words {
                let source = if master { M } else { P };
                let w = word(at, source, bits);
                match other {
                    0 => {
                        let (start, end) = (w.start, w.end);
                        got.extend(builder.push(&BusEvent::Garbled { start, end, source }));
                    }
                    1 => got.extend(builder.push(&BusEvent::Break {
                        start: w.start, end: w.end, source, uncertainty: Micros(1),
                    })),
                    2 => got.extend(builder.idle(w.start)),
                    _ => {
                        sent.push(w);
                        got.extend(builder.push(&BusEvent::Word(w)));
                    }
                }
            }
            got.extend(builder.flush());
            let told: Vec<TimedWord> = got.into_iter().flat_map(|b| b.words).collect();
            prop_assert_eq!(told, sent);
        }
    }
}
