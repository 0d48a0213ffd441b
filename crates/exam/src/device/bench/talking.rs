//! Exchanges with the device.

use super::*;

impl Bench {
    /// Sends words and gives the end of the last.
    pub fn send(&mut self, words: Vec<Word>, gap: Micros) -> Micros {
        let at = self.now();
        let sent = Transmission::Words { at, words, gap };
        let end = self.run.say(Source::Master, sent);
        self.gather();
        end
    }

    /// Holds the bus for `length`.
    pub fn hold(&mut self, length: Micros) {
        let at = self.now();
        let sent = Transmission::Break { at, length };
        let end = self.run.say(Source::Master, sent);
        self.until(end);
    }

    /// Resets the bus (section 3.2: 100 ms, then at least 200 ms of silence; 500 ms for older
    /// devices, Appendix 3, section 2).
    pub fn bus_reset(&mut self) {
        self.hold(Micros::ms(120));
        self.wait(Micros::ms(500));
    }

    /// One exchange; the command is without CHK.
    pub fn exchange(&mut self, command: &[u8], close: Close) -> Answer {
        if close == Close::Ack
            && command == [self.poll_byte()]
            && let Subject::Outside(at_hand) = &mut self.subject
            && let Some(data) = at_hand.queued.pop_front()
        {
            // It came while the person was asked.
            return Answer::Data(data);
        }
        let words = Block::truncated(command).master_words().collect();
        self.talk(command, words, Micros(60), close)
    }

    /// One exchange with an ordinary end.
    pub fn ask(&mut self, command: &[u8]) -> Answer {
        self.exchange(command, Close::Ack)
    }

    /// One exchange, the words as they are.
    pub fn exchange_words(&mut self, words: Vec<Word>, gap: Micros, close: Close) -> Answer {
        self.talk(&[], words, gap, close)
    }

    /// One exchange; `command` is what the words say, where that may move money.
    pub(super) fn talk(
        &mut self,
        command: &[u8],
        words: Vec<Word>,
        gap: Micros,
        close: Close,
    ) -> Answer {
        self.heard.clear();
        let end = self.send(words, gap);
        self.until(end);
        let answer = self.listen(end);
        let after_data = matches!(answer, Answer::Data(_) | Answer::Bad(_));
        let say = match close {
            Close::Ack => ACK,
            Close::Nak => NAK,
            Close::Silence => {
                // Long enough for the device to give up on the ACK.
                self.wait(PATIENCE + Micros::ms(10));
                return answer;
            }
        };
        if after_data {
            self.say(say);
        }
        if close == Close::Ack {
            self.reported(command, &answer);
        }
        self.wait(REST);
        answer
    }

    /// An outside device has said something for good.
    pub(super) fn reported(&mut self, command: &[u8], answer: &Answer) {
        let Subject::Outside(at_hand) = &mut self.subject else {
            return;
        };
        let movements = match answer {
            Answer::Ack => at_hand.reports.acknowledged(command),
            Answer::Data(data) => at_hand.reports.said(command, data),
            _ => Vec::new(),
        };
        self.book(movements);
    }

    /// Says one byte, as ACK, NAK and RET are said.
    pub fn say(&mut self, byte: u8) -> Micros {
        self.wait(TURNAROUND);
        self.heard.clear();
        let end = self.send(vec![Word::plain(byte)], Micros::ZERO);
        self.until(end);
        end
    }

    /// Waits for an answer to what ended at `end`.
    pub fn listen(&mut self, end: Micros) -> Answer {
        let slack = self.uncertainty();
        let mut by = end + PATIENCE + WORD_TIME + slack;
        loop {
            let known = self.heard.len();
            let more = self.step(by);
            if self.heard.len() > known {
                by = self.now() + Micros::ms(5) + WORD_TIME + slack;
            }
            if !more || self.heard.last().is_some_and(|w| w.word.mode) {
                break;
            }
        }
        let words = std::mem::take(&mut self.heard);
        let (Some(first), Some(last)) = (words.first(), words.last()) else {
            self.until(by);
            return Answer::Silence;
        };
        if self.looked(end, last.end) {
            self.answer_times.push(Timed {
                time: first.start.since(end),
                off: first.uncertainty,
            });
            let pairs = words.iter().zip(words.iter().skip(1));
            self.gaps.extend(pairs.map(|(one, next)| Timed {
                time: next.start.since(one.end),
                off: one.uncertainty + next.uncertainty,
            }));
        }
        let bytes: Vec<u8> = words.iter().map(|w| w.word.byte).collect();
        let closed = words.last().is_some_and(|w| w.word.mode);
        match (bytes.as_slice(), closed) {
            ([0x00], true) => Answer::Ack,
            ([0xFF], true) => Answer::Nak,
            ([_, _, ..], true) => match Block::from_wire(&bytes) {
                Ok(block) => Answer::Data(block.bytes().to_vec()),
                Err(_) => Answer::Bad(bytes),
            },
            _ => Answer::Bad(bytes),
        }
    }

    /// All that is said after what ended at `end`, until the bus is quiet: the words as they are, with mode
    /// bits that may end a block before it is over. Nothing is said to it.
    pub fn hear_out(&mut self, end: Micros) -> Vec<TimedWord> {
        let slack = self.uncertainty();
        let mut by = end + PATIENCE + WORD_TIME + slack;
        loop {
            let known = self.heard.len();
            let more = self.step(by);
            if self.heard.len() > known {
                by = self.now() + Micros::ms(5) + WORD_TIME + slack;
            }
            if !more {
                break;
            }
        }
        self.until(by);
        std::mem::take(&mut self.heard)
    }

    /// True when the tool looked at its port all the time from `from` until `to`: what came while it
    /// did not has no times.
    fn looked(&self, from: Micros, to: Micros) -> bool {
        let mut slept = self.slept.iter();
        !slept.any(|(asleep, awake)| from <= *awake && to >= *asleep)
    }

    /// Words of the device that nobody asked for, since this was last called.
    pub fn take_unasked(&mut self) -> Vec<TimedWord> {
        std::mem::take(&mut self.heard)
    }

    /// Answer times so far.
    #[must_use]
    pub fn answer_times(&self) -> &[Timed] {
        &self.answer_times
    }

    /// Pauses inside answers so far.
    #[must_use]
    pub fn gaps(&self) -> &[Timed] {
        &self.gaps
    }
}
