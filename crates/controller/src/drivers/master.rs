//! The master's half of every exchange: send a command, wait for a slow answer, check it, send ACK,
//! RET or NAK (MDB/ICP 4.3, sections 2.2 and 2.5).
//!
//! The mode bit alone says where an answer ends (2.2). Where a disturbance turns one on in the middle,
//! the part before it can be a valid block, and so can the part after it. So whoever knows the command
//! says how an answer fits it ([`Fit`]): one that does not is asked for again, one that may go on is
//! believed once nothing follows. Words that follow the end of an answer without a pause are its rest
//! and answer nothing, and the bus is not free before they are over.

use payrig_mdb::{Block, MAX_BLOCK, MasterFrame, NAK};
use payrig_units::Micros;
use payrig_wire::{TimedWord, Transmission, WORD_TIME};
use std::collections::VecDeque;

/// How the master times what it sends, and what it tolerates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MasterTiming {
    /// From the end of a peripheral's data to ACK, NAK or RET. Limit 5.0 ms (section 3.2), 4 ms
    /// recommended (Appendix 3, section 2).
    pub turnaround: Micros,
    /// Between the words of a command. Limit 1.0 ms (section 3.2).
    pub gap: Micros,
    /// From the end of one exchange to the next command.
    pub rest: Micros,
    /// How long an answer is waited for. The limit for the sender is 5.0 ms (section 3.2); a
    /// receiver should tolerate 20 ms (Appendix 3, section 2).
    pub answer_tolerated: Micros,
    /// The longest pause inside an answer that is tolerated (Appendix 3, section 2: 5 ms).
    pub gap_tolerated: Micros,
    /// Length of a bus reset; at least 100 ms (section 3.2).
    pub bus_reset: Micros,
    /// Silence after a bus reset; at least 200 ms (section 3.2), 500 ms for older devices
    /// (Appendix 3, section 2).
    pub setup: Micros,
    /// How often a bad answer is asked for again with RET before it counts as none (section 2.5 D
    /// leaves the choice between RET and NAK to the VMC).
    pub retransmits: u8,
}

impl Default for MasterTiming {
    fn default() -> Self {
        Self {
            turnaround: Micros(600),
            gap: Micros(60),
            rest: Micros::ms(3),
            answer_tolerated: Micros::ms(20),
            gap_tolerated: Micros::ms(5),
            bus_reset: Micros::ms(120),
            setup: Micros::ms(500),
            retransmits: 1,
        }
    }
}

/// The longest pause between two words of one block (section 3.2). Whatever follows sooner belongs to
/// the block before it, whose end was not its end.
const LONGEST_GAP: Micros = Micros::ms(1);

/// Until a word that follows a block has been heard whole, with the tolerance of a receiver.
const REST_HEARD: Micros = Micros(LONGEST_GAP.as_us() + WORD_TIME.as_us() + 100);

/// How an answer fits the command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fit {
    /// It has the length of an answer to the command.
    Whole,
    /// It may be an answer, but also the beginning of a longer one.
    Short,
    /// It does not look like an answer to the command. Sent twice alike it is passed on all the same.
    Wrong,
}

/// How an exchange ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The peripheral said ACK.
    Ack,
    /// The peripheral said NAK: the command was not received.
    Nak,
    /// The peripheral sent data, the CHK was right, and ACK was sent.
    Data(Block),
    /// Nothing came in time.
    Silence,
    /// What came was not a valid block, also after RET; NAK was sent.
    Garbage,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Free,
    /// Words or a break of ours are on the wire until then.
    Sending {
        until: Micros,
        then_wait: bool,
    },
    /// The answer's first word must be complete by then.
    Waiting {
        until: Micros,
    },
    /// In the middle of an answer; its next word must be complete by then.
    Receiving {
        until: Micros,
    },
    /// An answer has ended that is over if nothing follows until then.
    Settling {
        until: Micros,
        outcome: Outcome,
    },
}

/// The master on the bus. Feed it the words of the peripherals and wake it at its deadlines; both
/// may end the exchange.
#[derive(Clone, Debug)]
pub struct BusMaster {
    timing: MasterTiming,
    state: State,
    received: Vec<u8>,
    retransmits_left: u8,
    free_at: Micros,
    /// The end of the last word that was heard.
    last_heard: Micros,
    /// Words heard since an answer ended that was none: the rest of it.
    rest_of_answer: usize,
    /// The command under way.
    command: Option<Block>,
    /// A command, and an answer that did not look like one to it.
    doubted: Option<(Block, Block)>,
    /// What goes either way may be held up for so long by the link.
    link_delay: Micros,
    outbox: VecDeque<Transmission>,
}

impl BusMaster {
    /// A master that has said nothing yet.
    #[must_use]
    pub fn new(timing: MasterTiming) -> Self {
        Self {
            timing,
            state: State::Free,
            received: Vec::with_capacity(MAX_BLOCK),
            retransmits_left: 0,
            free_at: Micros::ZERO,
            last_heard: Micros::ZERO,
            rest_of_answer: 0,
            command: None,
            doubted: None,
            link_delay: Micros::ZERO,
            outbox: VecDeque::new(),
        }
    }

    /// How the master times what it sends.
    pub fn timing_mut(&mut self) -> &mut MasterTiming {
        &mut self.timing
    }

    /// The link may hold up what goes either way for so long: answers, and pauses in them, are waited
    /// for that much longer, those that are waited for now included.
    pub fn set_link_delay(&mut self, delay: Micros) {
        let more = delay.since(self.link_delay);
        self.link_delay = delay;
        match &mut self.state {
            State::Waiting { until } => *until = *until + more + more,
            State::Receiving { until } => *until += more,
            State::Free | State::Sending { .. } | State::Settling { .. } => {}
        }
    }

    /// True when a command may be sent at `now`.
    #[must_use]
    pub fn is_free(&self, now: Micros) -> bool {
        self.state == State::Free && now >= self.free_at
    }

    /// When a command may be sent, as far as is known; [`Micros::NEVER`] in the middle of an exchange.
    #[must_use]
    pub fn free_at(&self) -> Micros {
        if self.state == State::Free {
            self.free_at
        } else {
            Micros::NEVER
        }
    }

    /// Sends a command. Call it only when free; otherwise nothing happens.
    pub fn command(&mut self, now: Micros, block: &Block) {
        if self.is_free(now) {
            self.retransmits_left = self.timing.retransmits;
            self.command = Some(*block);
            self.send(now, &MasterFrame::Command(*block), true);
        }
    }

    /// Resets the bus: aborts the exchange, holds the line and then keeps silent for the set-up
    /// time (sections 2.2, 3.2).
    pub fn bus_reset(&mut self, now: Micros) {
        let at = now.max(if let State::Sending { until, .. } = self.state {
            until
        } else {
            now
        });
        let length = self.timing.bus_reset;
        self.outbox.push_back(Transmission::Break { at, length });
        self.state = State::Sending {
            until: at + length,
            then_wait: false,
        };
        self.free_at = at + length + self.timing.setup;
    }

    /// Power comes or goes: whatever was going on is forgotten.
    pub fn power(&mut self, now: Micros) {
        self.state = State::Free;
        self.received.clear();
        self.outbox.clear();
        self.doubted = None;
        self.free_at = now + self.timing.setup;
    }

    /// A word of a peripheral, heard whole at its end. Any block with the right CHK is an answer.
    pub fn heard(&mut self, word: &TimedWord) -> Option<Outcome> {
        self.heard_by(word, |_| Fit::Whole)
    }

    /// A word of a peripheral, heard whole at its end. `fit` knows the command, and judges the data it
    /// is answered with, or the ACK alone (`None`).
    pub fn heard_by(
        &mut self,
        word: &TimedWord,
        fit: impl FnOnce(Option<&Block>) -> Fit,
    ) -> Option<Outcome> {
        let now = word.end;
        let pause = word
            .start
            .since(std::mem::replace(&mut self.last_heard, now));
        let follows = pause + word.uncertainty <= LONGEST_GAP;
        let follows = follows && self.rest_of_answer < MAX_BLOCK;
        match self.state {
            State::Receiving { .. } => {}
            // A word that ends before our own transmission does is not an answer to it.
            State::Sending { until, .. } if now <= until => return None,
            State::Free
            | State::Sending {
                then_wait: false, ..
            } => {
                if follows {
                    self.rest_of_answer += 1;
                    self.free_at = self.free_at.max(now + self.timing.rest);
                }
                return None;
            }
            State::Sending { .. } | State::Waiting { .. } if follows => {
                self.rest_of_answer += 1;
                let until = now + self.timing.answer_tolerated + WORD_TIME;
                self.state = State::Waiting { until };
                return None;
            }
            State::Sending { .. } | State::Waiting { .. } => {}
            State::Settling { .. } if follows => {
                let free_at = self.free_at.max(now + self.timing.rest);
                let outcome = self.finish(now, Outcome::Garbage);
                self.free_at = free_at;
                self.rest_of_answer = 1;
                return Some(outcome);
            }
            State::Settling { .. } => return None,
        }
        self.received.push(word.word.byte);
        if !word.word.mode {
            if self.received.len() > MAX_BLOCK {
                return self.refuse(now);
            }
            let until = now + self.timing.gap_tolerated + self.link_delay + WORD_TIME;
            self.state = State::Receiving { until };
            return None;
        }
        if let [only] = self.received.as_slice() {
            // 00H and FFH are the only single bytes a peripheral may send (section 2.2).
            return match *only {
                0x00 if fit(None) == Fit::Whole => Some(self.finish(now, Outcome::Ack)),
                0x00 => {
                    self.finish(now, Outcome::Ack);
                    self.settle(now, Outcome::Ack)
                }
                // After a NAK the master waits the whole time-out before it goes on, so that
                // answers of others do not collide (Appendix 3, section 3).
                NAK => {
                    let outcome = self.finish(now, Outcome::Nak);
                    self.free_at = now + self.timing.answer_tolerated;
                    Some(outcome)
                }
                _ => self.refuse(now),
            };
        }
        let Ok(block) = Block::from_wire(&self.received) else {
            return self.refuse(now);
        };
        let fit = fit(Some(&block));
        if fit == Fit::Wrong && !self.came_twice(&block) {
            return self.refuse(now);
        }
        let outcome = Outcome::Data(block);
        self.send(now + self.timing.turnaround, &MasterFrame::Ack, false);
        match fit {
            Fit::Short => self.settle(now, outcome),
            Fit::Whole | Fit::Wrong => Some(outcome),
        }
    }

    fn settle(&mut self, now: Micros, outcome: Outcome) -> Option<Outcome> {
        let sent = match self.state {
            State::Sending { until, .. } => until,
            _ => now,
        };
        let until = sent.max(now + REST_HEARD);
        self.state = State::Settling { until, outcome };
        None
    }

    /// The same answer to the same command as the last one that did not fit.
    fn came_twice(&mut self, answer: &Block) -> bool {
        let doubted = self.command.map(|command| (command, *answer));
        std::mem::replace(&mut self.doubted, doubted) == doubted
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        match self.state {
            State::Free => Micros::NEVER,
            State::Sending { until, .. }
            | State::Waiting { until }
            | State::Receiving { until }
            | State::Settling { until, .. } => until,
        }
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) -> Option<Outcome> {
        match self.state {
            State::Sending { until, then_wait } if now >= until => {
                self.state = if then_wait {
                    // What was sent was held up, and so is the answer.
                    let held_up = self.link_delay + self.link_delay;
                    State::Waiting {
                        until: until + self.timing.answer_tolerated + held_up + WORD_TIME,
                    }
                } else {
                    State::Free
                };
                None
            }
            State::Waiting { until } if now >= until => Some(self.finish(now, Outcome::Silence)),
            State::Receiving { until } if now >= until => self.refuse(now),
            State::Settling { until, outcome } if now >= until => {
                self.state = State::Free;
                Some(outcome)
            }
            _ => None,
        }
    }

    /// The next transmission, if any.
    pub fn take_transmission(&mut self) -> Option<Transmission> {
        self.outbox.pop_front()
    }

    fn send(&mut self, at: Micros, frame: &MasterFrame, then_wait: bool) {
        let (words, gap) = (frame.words(), self.timing.gap);
        let until = at + (WORD_TIME + gap) * words.len() as u64;
        self.received.clear();
        self.rest_of_answer = 0;
        self.state = State::Sending { until, then_wait };
        self.free_at = until + self.timing.rest;
        self.outbox
            .push_back(Transmission::Words { at, words, gap });
    }

    fn finish(&mut self, now: Micros, outcome: Outcome) -> Outcome {
        self.state = State::Free;
        self.received.clear();
        self.rest_of_answer = 0;
        self.free_at = now + self.timing.rest;
        outcome
    }

    /// What came was no valid answer: ask again while RETs are left, else send NAK.
    fn refuse(&mut self, now: Micros) -> Option<Outcome> {
        let at = now + self.timing.turnaround;
        if self.retransmits_left > 0 {
            self.retransmits_left -= 1;
            self.send(at, &MasterFrame::Ret, true);
            return None;
        }
        self.send(at, &MasterFrame::Nak, false);
        Some(Outcome::Garbage)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::{ACK, RET, Word};
    use payrig_wire::Source;
    use proptest::prelude::*;

    fn poll() -> Block {
        Block::new(&[0x0B]).unwrap()
    }

    struct Line {
        master: BusMaster,
        now: Micros,
    }

    impl Line {
        fn after_poll() -> Self {
            let mut line = Self {
                master: BusMaster::new(MasterTiming::default()),
                now: Micros(0),
            };
            line.master.command(line.now, &poll());
            line.now = line.master.next_deadline();
            assert_eq!(line.master.wake(line.now), None);
            assert_eq!(line.said(), poll().master_words().collect::<Vec<_>>());
            line
        }
        fn said(&mut self) -> Vec<Word> {
            match self.master.take_transmission() {
                Some(Transmission::Words { words, .. }) => words,
                _ => Vec::new(),
            }
        }
        fn hear(&mut self, words: &[Word]) -> Option<Outcome> {
            let mut outcome = None;
            for word in words {
                let start = self.now + Micros(500);
                let end = start + WORD_TIME;
                let (source, uncertainty, word) = (Source::Peripheral, Micros::ZERO, *word);
                let heard = TimedWord {
                    start,
                    end,
                    source,
                    word,
                    uncertainty,
                };
                outcome = outcome.or(self.master.heard(&heard));
                self.now = end;
            }
            outcome
        }
    }

    /// MDB/ICP 4.3, section 2.5 A, B: an idle peripheral says ACK; data is answered with ACK.
    #[test]
    fn ack_ends_the_exchange_and_data_is_acknowledged() {
        let mut line = Line::after_poll();
        assert_eq!(line.hear(&[Word::marked(ACK)]), Some(Outcome::Ack));
        assert!(line.said().is_empty());
        let mut line = Line::after_poll();
        let block = Block::new(&[0x52, 0x1A]).unwrap();
        let words: Vec<Word> = block.peripheral_words().collect();
        assert_eq!(line.hear(&words), Some(Outcome::Data(block)));
        assert_eq!(line.said(), vec![Word::plain(ACK)]);
    }

    /// Section 2.5 D: a wrong CHK is answered with RET; if it stays wrong, with NAK.
    #[test]
    fn a_bad_answer_is_asked_for_again_once() {
        let mut line = Line::after_poll();
        let bad = [Word::plain(0x52), Word::plain(0x1A), Word::marked(0x6D)];
        assert_eq!(line.hear(&bad), None);
        assert_eq!(line.said(), vec![Word::plain(RET)]);
        line.now = line.master.next_deadline();
        line.master.wake(line.now);
        assert_eq!(line.hear(&bad), Some(Outcome::Garbage));
        assert_eq!(line.said(), vec![Word::plain(NAK)]);
    }

    /// Section 2.5 E, Appendix 3 section 2: silence, but an answer within 20 ms is still heard.
    #[test]
    fn silence_is_called_after_20_ms_and_not_before() {
        let mut line = Line::after_poll();
        assert_eq!(line.master.wake(line.now + Micros::ms(19)), None);
        line.now += Micros::ms(18);
        assert_eq!(line.hear(&[Word::marked(ACK)]), Some(Outcome::Ack));
        let mut line = Line::after_poll();
        let until = line.master.next_deadline();
        assert_eq!(line.master.wake(until), Some(Outcome::Silence));
    }

    /// A link that holds things up moves the end of patience by as much, both ways; without one it is
    /// where Appendix 3, section 2 puts it.
    #[test]
    fn patience_grows_with_the_delay_of_the_link() {
        for delay in [0, 1, 7, 40].map(Micros::ms) {
            let mut line = Line::after_poll();
            line.master.set_link_delay(delay);
            let mut master = BusMaster::new(MasterTiming::default());
            master.set_link_delay(delay);
            master.command(Micros::ZERO, &poll());
            let sent = master.next_deadline();
            master.wake(sent);
            let answer = Micros::ms(20) + delay + delay + WORD_TIME;
            assert_eq!(master.next_deadline().since(sent), answer);
            line.hear(&[Word::plain(0x52)]);
            let pause = Micros::ms(5) + delay + WORD_TIME;
            assert_eq!(line.master.next_deadline().since(line.now), pause);
        }
    }

    #[test]
    fn a_bus_reset_is_followed_by_the_set_up_time() {
        let mut master = BusMaster::new(MasterTiming::default());
        master.bus_reset(Micros(10));
        let Some(Transmission::Break { at, length }) = master.take_transmission() else {
            panic!("a break")
        };
        assert!(length >= Micros::ms(100));
        master.wake(master.next_deadline());
        assert!(master.free_at().since(at + length) >= Micros::ms(200));
    }

    /// TUBE STATUS as a driver judges it: 18 bytes, or fewer, which may be a part.
    fn tube_status(data: Option<&Block>) -> Fit {
        match data.map(|d| d.bytes().len()) {
            Some(18) => Fit::Whole,
            Some(2..18) | None => Fit::Short,
            _ => Fit::Wrong,
        }
    }

    impl Line {
        /// Hears words and lets time go by until the exchange is over; what came of it.
        fn hear_out(&mut self, words: &[Word]) -> Vec<Outcome> {
            let mut outcomes = Vec::new();
            for word in words {
                let (start, source) = (self.now + Micros(200), Source::Peripheral);
                let (end, uncertainty, word) = (start + WORD_TIME, Micros::ZERO, *word);
                while self.master.next_deadline() < end {
                    self.now = self.master.next_deadline();
                    outcomes.extend(self.master.wake(self.now));
                }
                let heard = TimedWord {
                    start,
                    end,
                    source,
                    word,
                    uncertainty,
                };
                outcomes.extend(self.master.heard_by(&heard, tube_status));
                self.now = end;
            }
            assert!(
                !self.master.is_free(self.now + Micros::ms(2)),
                "the bus is not free yet"
            );
            while self.master.next_deadline() != Micros::NEVER {
                self.now = self.master.next_deadline();
                outcomes.extend(self.master.wake(self.now));
            }
            outcomes
        }
    }

    /// Whichever mode bit is turned, of whatever counts: no part of the answer is believed.
    #[test]
    fn a_turned_mode_bit_makes_no_answer_of_a_part() {
        for filled in 0..18 {
            let mut bytes = [0u8; 18];
            bytes[filled] = 7;
            let block = Block::new(&bytes).unwrap();
            for turned in 0..=18 {
                let mut words: Vec<Word> = block.peripheral_words().collect();
                words[turned].mode = !words[turned].mode;
                let outcomes = Line::after_poll().hear_out(&words);
                let wrong = |o: &Outcome| matches!(o, Outcome::Ack | Outcome::Data(_));
                assert!(
                    !outcomes.iter().any(wrong),
                    "{filled} {turned}: {outcomes:?}"
                );
            }
            let words: Vec<Word> = block.peripheral_words().collect();
            assert_eq!(Line::after_poll().hear_out(&words), [Outcome::Data(block)]);
        }
    }

    /// Unsent bytes are zero (5.3): a short answer is one, once nothing follows it.
    #[test]
    fn a_short_answer_is_believed_a_little_later() {
        let block = Block::new(&[0, 0, 3, 4]).unwrap();
        let words: Vec<Word> = block.peripheral_words().collect();
        assert_eq!(Line::after_poll().hear_out(&words), [Outcome::Data(block)]);
        assert_eq!(
            Line::after_poll().hear_out(&[Word::marked(ACK)]),
            [Outcome::Ack]
        );
    }

    /// What does not look like an answer is asked for again; the same again is passed on.
    #[test]
    fn a_wrong_answer_is_passed_on_when_it_comes_twice() {
        let block = Block::new(&[5]).unwrap();
        let words: Vec<Word> = block.peripheral_words().collect();
        let mut line = Line::after_poll();
        for word in &words {
            let (start, source) = (line.now + Micros(200), Source::Peripheral);
            let (end, uncertainty, word) = (start + WORD_TIME, Micros::ZERO, *word);
            let heard = TimedWord {
                start,
                end,
                source,
                word,
                uncertainty,
            };
            assert_eq!(line.master.heard_by(&heard, tube_status), None);
            line.now = end;
        }
        assert_eq!(line.said(), [Word::plain(RET)]);
        line.now = line.master.next_deadline();
        line.master.wake(line.now);
        line.now += Micros::ms(1);
        assert_eq!(line.hear_out(&words), [Outcome::Data(block)]);
    }

    proptest! {
        #[test]
        fn any_answer_ends_in_an_outcome_and_never_panics(
            bits in proptest::collection::vec(0u16..0x200, 0..120)
        ) {
            let mut line = Line::after_poll();
            let mut ended = false;
            for b in bits {
                ended |= line.hear(&[Word::from_bits(b)]).is_some();
                while line.master.take_transmission().is_some() {}
            }
            for _ in 0..10 {
                let at = line.master.next_deadline();
                ended |= at != Micros::NEVER && line.master.wake(at).is_some();
            }
            prop_assert!(ended);
            prop_assert!(line.master.free_at() != Micros::NEVER);
        }
    }
}
