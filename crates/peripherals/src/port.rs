//! What every MDB peripheral does on the bus, whatever it is: hear its address, gather the block,
//! check it, answer in time, hear ACK / NAK / RET, repeat when asked (MDB/ICP 4.3, section 2.2).

use crate::{Device, Reply};
use payrig_mdb::{ACK, Address, Block, Length, MAX_BLOCK, PeripheralFrame, RET};
use payrig_units::{Micros, Movement};
use payrig_wire::{TimedWord, Transmission, WORD_TIME};
use std::collections::VecDeque;

/// Shortest line-active time that is a bus reset (section 3.2, t-break).
pub const BREAK_MIN: Micros = Micros::ms(100);

/// The longest pause inside a block that a receiver tolerates (Appendix 3, section 2: 5 ms; the
/// sender's limit is 1.0 ms, section 3.2).
pub const GAP_TOLERATED: Micros = Micros::ms(5);

/// How long a peripheral waits for the master's ACK before it takes silence for a NAK (Appendix 3,
/// section 2: 20 ms; the sender's limit is 5.0 ms, section 3.2).
pub const ACK_TOLERATED: Micros = Micros::ms(20);

/// How a peripheral times what it sends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PortTiming {
    /// From the end of the master's last stop bit to the answer's first start bit. The limit is
    /// 5.0 ms (section 3.2); a sender should keep within 4 ms (Appendix 3, section 2).
    pub answer: Micros,
    /// Between the words of an answer. The limit is 1.0 ms (section 3.2); a sender should keep
    /// within 0.8 ms (Appendix 3, section 2).
    pub gap: Micros,
}

impl Default for PortTiming {
    fn default() -> Self {
        Self {
            answer: Micros(1_000),
            gap: Micros(100),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Hearing {
    /// Nothing for us: wait for the next address byte.
    Elsewhere,
    /// Gathering a block for us.
    Gathering,
    /// Data are out at `sent`; the master has `until` then to send ACK, NAK or RET.
    AwaitingAck { sent: Micros, until: Micros },
}

/// A peripheral on the bus: the common half, and its [`Device`].
///
/// ```
/// use payrig_mdb::Word;
/// use payrig_mdb::changer::Command;
/// use payrig_peripherals::changer::{Changer, ChangerConfig, Quirks};
/// use payrig_peripherals::{BusPeripheral, Port, PortTiming};
/// use payrig_units::Micros;
/// use payrig_wire::{Source, TimedWord, Transmission, WORD_TIME};
///
/// let changer = Changer::new(ChangerConfig::demo(), Quirks::default())?;
/// let mut port = Port::new(changer, PortTiming::default());
/// let mut start = Micros::secs(1);
/// for word in Command::Poll.emit().master_words() {
///     let end = start + WORD_TIME;
///     let (source, uncertainty) = (Source::Master, Micros::ZERO);
///     port.heard(&TimedWord { start, end, source, word, uncertainty });
///     start = end;
/// }
/// // JUST RESET, 1 ms after the last word; the mode bit is on the CHK.
/// let Some(Transmission::Words { at, words, .. }) = port.take_transmission() else { panic!() };
/// assert_eq!(at, start + PortTiming::default().answer);
/// assert_eq!(words, [Word::plain(0x0B), Word::marked(0x0B)]);
/// # Ok::<(), payrig_peripherals::changer::ConfigError>(())
/// ```
#[derive(Clone, Debug)]
pub struct Port<D> {
    device: D,
    timing: PortTiming,
    powered: bool,
    hearing: Hearing,
    received: Vec<u8>,
    last_word_end: Micros,
    /// Set while a block of unknown length is being gathered: it ends when its sender pauses.
    gathered_by: Micros,
    last_data: Option<Block>,
    outbox: VecDeque<Transmission>,
    /// Until then it answers nothing, because somebody wants it so.
    silent_until: Micros,
}

impl<D: Device> Port<D> {
    /// A powered peripheral that has heard nothing yet.
    pub fn new(device: D, timing: PortTiming) -> Self {
        Self {
            device,
            timing,
            powered: true,
            hearing: Hearing::Elsewhere,
            received: Vec::with_capacity(MAX_BLOCK),
            last_word_end: Micros::ZERO,
            gathered_by: Micros::NEVER,
            last_data: None,
            outbox: VecDeque::new(),
            silent_until: Micros::ZERO,
        }
    }

    /// The device, for user acts and for looking at.
    pub fn device(&self) -> &D {
        &self.device
    }

    /// The device, for user acts.
    pub fn device_mut(&mut self) -> &mut D {
        &mut self.device
    }

    /// How this peripheral times its answers.
    pub fn timing_mut(&mut self) -> &mut PortTiming {
        &mut self.timing
    }

    /// True while data are on their way of which it is not known whether the master heard them.
    pub fn awaits_ack(&self) -> bool {
        matches!(self.hearing, Hearing::AwaitingAck { .. })
    }

    /// True while the peripheral has power.
    pub fn powered(&self) -> bool {
        self.powered
    }

    /// Cuts or restores power.
    pub fn power(&mut self, now: Micros, on: bool) {
        if on != self.powered {
            self.powered = on;
            self.forget();
            self.device.power(now, on);
        }
    }

    /// For so long, whatever comes is not answered and not carried out, as with a plug that is loose.
    /// ACK, NAK and RET to what was sent before still count; so does a bus reset.
    pub fn stay_silent(&mut self, now: Micros, time: Micros) {
        self.silent_until = self.silent_until.max(now + time);
    }

    /// A word of the master, heard whole at its end.
    pub fn heard(&mut self, word: &TimedWord) {
        if !self.powered {
            return;
        }
        let now = word.end;
        self.wake(word.start);
        let pause = word.start.since(self.last_word_end);
        self.last_word_end = word.end;
        if word.word.mode {
            self.give_up_on_ack(now);
            self.received.clear();
            self.gathered_by = Micros::NEVER;
            if Address::of(word.word.byte) == self.device.address() {
                self.hearing = Hearing::Gathering;
                self.gather(now, word.word.byte);
            } else {
                self.hearing = Hearing::Elsewhere;
            }
            return;
        }
        match self.hearing {
            Hearing::Elsewhere => {}
            // What the master sends before it can have heard all of the data is no answer to them: a
            // mode bit turned on the way makes it believe that they are over (section 2.2).
            Hearing::AwaitingAck { sent, .. } if word.start + word.uncertainty < sent => {}
            Hearing::AwaitingAck { .. } => self.verdict_of_master(now, word.word.byte),
            Hearing::Gathering if pause > GAP_TOLERATED => self.hearing = Hearing::Elsewhere,
            Hearing::Gathering => self.gather(now, word.word.byte),
        }
    }

    /// The master held its line active from `start` to `end`.
    pub fn heard_break(&mut self, start: Micros, end: Micros) {
        if self.powered && end.since(start) >= BREAK_MIN {
            self.forget();
            self.device.bus_reset(end);
        }
    }

    /// When [`wake`](Self::wake) is wanted.
    pub fn next_deadline(&self) -> Micros {
        if !self.powered {
            return Micros::NEVER;
        }
        let ack = match self.hearing {
            Hearing::AwaitingAck { until, .. } => until,
            _ => Micros::NEVER,
        };
        ack.min(self.gathered_by).min(self.device.next_deadline())
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) {
        if !self.powered {
            return;
        }
        if now >= self.gathered_by {
            self.gathered_by = Micros::NEVER;
            self.complete(now);
        }
        if matches!(self.hearing, Hearing::AwaitingAck { until, .. } if now >= until) {
            self.give_up_on_ack(now);
        }
        self.device.wake(now);
    }

    /// The next transmission, if any.
    pub fn take_transmission(&mut self) -> Option<Transmission> {
        self.outbox.pop_front()
    }

    /// What was handed out last is on the wire until `end`, because somebody holds it back or alters it:
    /// its ACK is waited for from then.
    pub fn goes_out_until(&mut self, end: Micros) {
        if let Hearing::AwaitingAck { sent, until } = &mut self.hearing {
            *sent = end;
            *until = end + self.timing.gap + ACK_TOLERATED + WORD_TIME;
        }
    }

    fn forget(&mut self) {
        self.hearing = Hearing::Elsewhere;
        self.received.clear();
        self.gathered_by = Micros::NEVER;
        self.last_data = None;
        self.outbox.clear();
    }

    fn gather(&mut self, now: Micros, byte: u8) {
        self.received.push(byte);
        if self.received.len() > MAX_BLOCK {
            // Longer than any block may be: not a message for anybody (section 2.2).
            self.hearing = Hearing::Elsewhere;
            self.gathered_by = Micros::NEVER;
            return;
        }
        match self.device.command_length(&self.received) {
            Length::Known(n) if self.received.len() >= n => self.complete(now),
            Length::Known(_) | Length::NeedMore => {}
            // A word is heard at its end: the next one of this block ends at most one pause of
            // 1.0 ms and one word later (sections 2.6.4 and 3.2).
            Length::Unknown => self.gathered_by = now + Micros::ms(1) + WORD_TIME + Micros(50),
        }
    }

    fn complete(&mut self, now: Micros) {
        self.hearing = Hearing::Elsewhere;
        self.gathered_by = Micros::NEVER;
        // A wrong CHK is answered by silence, not NAK (Appendix 3, section 3).
        let Ok(block) = Block::from_wire(&self.received) else {
            return;
        };
        if now < self.silent_until {
            return;
        }
        match self.device.command(now, &block) {
            Reply::Silence => {}
            Reply::Ack => self.send(now, PeripheralFrame::Ack),
            Reply::Data(data) => {
                self.last_data = Some(data);
                self.send(now, PeripheralFrame::Data(data));
            }
        }
    }

    fn send(&mut self, now: Micros, frame: PeripheralFrame) {
        let words = frame.words();
        let at = now + self.timing.answer;
        if let PeripheralFrame::Data(_) = frame {
            let length = (WORD_TIME + self.timing.gap) * words.len() as u64;
            self.hearing = Hearing::AwaitingAck {
                sent: at + length.since(self.timing.gap),
                until: at + length + ACK_TOLERATED + WORD_TIME,
            };
        }
        self.outbox.push_back(Transmission::Words {
            at,
            words,
            gap: self.timing.gap,
        });
    }

    fn verdict_of_master(&mut self, now: Micros, byte: u8) {
        match (byte, self.last_data) {
            (ACK, _) => {
                self.hearing = Hearing::Elsewhere;
                self.device.acknowledged(now);
            }
            (RET, Some(data)) => self.send(now, PeripheralFrame::Data(data)),
            // NAK, or a byte that is none of the three: not acknowledged.
            _ => self.give_up_on_ack(now),
        }
    }

    fn give_up_on_ack(&mut self, now: Micros) {
        if let Hearing::AwaitingAck { .. } = self.hearing {
            self.hearing = Hearing::Elsewhere;
            self.device.unacknowledged(now);
        }
    }
}

/// A [`Port`] whatever its device: what a bench needs to put it on a bus.
pub trait BusPeripheral {
    /// A word of the master.
    fn heard(&mut self, word: &TimedWord);
    /// The master held its line active.
    fn heard_break(&mut self, start: Micros, end: Micros);
    /// When [`wake`](Self::wake) is wanted.
    fn next_deadline(&self) -> Micros;
    /// A deadline has come.
    fn wake(&mut self, now: Micros);
    /// Cuts or restores power.
    fn power(&mut self, now: Micros, on: bool);
    /// See [`Port::stay_silent`].
    fn stay_silent(&mut self, now: Micros, time: Micros);
    /// The next transmission, if any.
    fn take_transmission(&mut self) -> Option<Transmission>;
    /// See [`Port::goes_out_until`].
    fn goes_out_until(&mut self, _end: Micros) {}
    /// Money that has physically moved since the last call.
    fn take_movements(&mut self) -> Vec<Movement>;
    /// What a person at the machine would see since the last call.
    fn take_notes(&mut self) -> Vec<String>;
}

impl<D: Device> BusPeripheral for Port<D> {
    fn heard(&mut self, word: &TimedWord) {
        Self::heard(self, word);
    }
    fn heard_break(&mut self, start: Micros, end: Micros) {
        Self::heard_break(self, start, end);
    }
    fn next_deadline(&self) -> Micros {
        Self::next_deadline(self)
    }
    fn wake(&mut self, now: Micros) {
        Self::wake(self, now);
    }
    fn power(&mut self, now: Micros, on: bool) {
        Self::power(self, now, on);
    }
    fn stay_silent(&mut self, now: Micros, time: Micros) {
        Self::stay_silent(self, now, time);
    }
    fn take_transmission(&mut self) -> Option<Transmission> {
        Self::take_transmission(self)
    }
    fn goes_out_until(&mut self, end: Micros) {
        Self::goes_out_until(self, end);
    }
    fn take_movements(&mut self) -> Vec<Movement> {
        self.device.take_movements()
    }
    fn take_notes(&mut self) -> Vec<String> {
        self.device.take_notes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use payrig_mdb::{NAK, Word};
    use payrig_wire::Source;
    use proptest::prelude::*;

    /// Answers every command with the same data and remembers what it heard.
    #[derive(Debug, Default)]
    struct Echo {
        commands: Vec<Vec<u8>>,
        acked: u32,
        unacked: u32,
        resets: u32,
    }

    impl Device for Echo {
        fn address(&self) -> Address {
            Address::CHANGER
        }
        fn command(&mut self, _: Micros, command: &Block) -> Reply {
            self.commands.push(command.bytes().to_vec());
            Reply::Data(Block::new(&[0x52, 0x1A]).unwrap())
        }
        fn acknowledged(&mut self, _: Micros) {
            self.acked += 1;
        }
        fn unacknowledged(&mut self, _: Micros) {
            self.unacked += 1;
        }
        fn bus_reset(&mut self, _: Micros) {
            self.resets += 1;
        }
        fn power(&mut self, _: Micros, _: bool) {}
        fn next_deadline(&self) -> Micros {
            Micros::NEVER
        }
        fn wake(&mut self, _: Micros) {}
        fn take_movements(&mut self) -> Vec<Movement> {
            Vec::new()
        }
        fn take_notes(&mut self) -> Vec<String> {
            Vec::new()
        }
    }

    struct Line {
        port: Port<Echo>,
        now: Micros,
    }

    impl Line {
        fn new() -> Self {
            Self {
                port: Port::new(Echo::default(), PortTiming::default()),
                now: Micros(1_000),
            }
        }
        fn say(&mut self, words: &[Word], gap: Micros) -> Vec<Word> {
            for word in words {
                let end = self.now + WORD_TIME;
                let (start, source) = (self.now, Source::Master);
                let uncertainty = Micros::ZERO;
                self.port.heard(&TimedWord {
                    start,
                    end,
                    source,
                    word: *word,
                    uncertainty,
                });
                self.now = end + gap;
            }
            self.now += Micros::ms(3);
            self.port.wake(self.now);
            let mut said = Vec::new();
            while let Some(Transmission::Words { words, .. }) = self.port.take_transmission() {
                self.now += (WORD_TIME + Micros(200)) * words.len() as u64 + Micros::ms(1);
                said.extend(words);
            }
            said
        }
    }

    fn poll() -> Vec<Word> {
        Block::new(&[0x0B]).unwrap().master_words().collect()
    }

    fn data() -> Vec<Word> {
        vec![Word::plain(0x52), Word::plain(0x1A), Word::marked(0x6C)]
    }

    #[test]
    fn answers_its_address_only() {
        let mut line = Line::new();
        assert_eq!(line.say(&poll(), Micros(100)), data());
        let other: Vec<Word> = Block::new(&[0x33]).unwrap().master_words().collect();
        assert_eq!(line.say(&other, Micros(100)), vec![]);
        assert_eq!(line.port.device().commands.len(), 1);
    }

    /// MDB/ICP 4.3, section 2.2: ACK ends the exchange, RET repeats it, NAK, silence and a new
    /// address byte all mean "not received".
    #[test]
    fn hears_ack_nak_ret_and_silence() {
        let mut line = Line::new();
        line.say(&poll(), Micros(100));
        assert_eq!(line.say(&[Word::plain(RET)], Micros(0)), data());
        assert_eq!(line.say(&[Word::plain(ACK)], Micros(0)), vec![]);
        assert_eq!(
            (line.port.device().acked, line.port.device().unacked),
            (1, 0)
        );
        line.say(&poll(), Micros(100));
        line.say(&[Word::plain(NAK)], Micros(0));
        assert_eq!(
            (line.port.device().acked, line.port.device().unacked),
            (1, 1)
        );
        line.say(&poll(), Micros(100));
        let late = line.port.next_deadline();
        line.port.wake(late);
        assert_eq!(line.port.device().unacked, 2);
        line.say(&poll(), Micros(100));
        line.say(&poll(), Micros(100));
        assert_eq!(line.port.device().unacked, 3);
        assert_eq!(line.port.device().commands.len(), 5);
    }

    #[test]
    fn a_wrong_checksum_or_a_long_pause_is_answered_by_silence() {
        let mut line = Line::new();
        assert_eq!(
            line.say(&[Word::marked(0x0B), Word::plain(0x0C)], Micros(100)),
            vec![]
        );
        assert_eq!(line.say(&poll(), Micros::ms(6)), vec![]);
        assert!(line.port.device().commands.is_empty());
        assert_eq!(
            line.say(&poll(), Micros::ms(4)),
            data(),
            "5 ms are tolerated"
        );
    }

    #[test]
    fn only_a_break_of_100_ms_is_a_reset() {
        let mut line = Line::new();
        line.port.heard_break(Micros(0), Micros(99_999));
        assert_eq!(line.port.device().resets, 0);
        line.port.heard_break(Micros(0), Micros(100_000));
        assert_eq!(line.port.device().resets, 1);
    }

    #[test]
    fn without_power_it_neither_hears_nor_speaks() {
        let mut line = Line::new();
        line.port.power(Micros(0), false);
        assert_eq!(line.say(&poll(), Micros(100)), vec![]);
        line.port.power(line.now, true);
        assert_eq!(line.say(&poll(), Micros(100)), data());
    }

    /// Data that somebody holds back are acknowledged as much later: not sooner, and not too late.
    #[test]
    fn data_that_are_held_back_wait_for_their_ack_from_when_they_are_out() {
        for (after, acked) in [(Micros(0), 1), (Micros::ms(20), 1), (Micros::ms(22), 0)] {
            let mut line = Line::new();
            line.say(&poll(), Micros(100));
            let out = line.now + Micros::ms(17);
            line.port.goes_out_until(out);
            line.now = out - Micros::ms(2);
            line.say(&[Word::plain(ACK)], Micros(0));
            assert_eq!(line.port.device().acked, 0, "before they are out");
            line.now = out + after;
            line.say(&[Word::plain(ACK)], Micros(0));
            let device = line.port.device();
            assert_eq!(
                (device.acked, device.unacked),
                (acked, 1 - acked),
                "{after}"
            );
        }
    }

    /// Section 2.2: an ACK follows the data. A master that takes a word in their midst for the last one,
    /// because its mode bit was turned on the way, acknowledges what it has not heard.
    #[test]
    fn what_is_heard_before_the_data_are_out_is_no_ack() {
        let mut line = Line::new();
        let sent = line.now + (WORD_TIME + Micros(100)) * 2;
        line.say(&poll(), Micros(100));
        // The answer begins 1 ms after the command and lasts three words.
        for early in [ACK, RET, NAK] {
            line.now = sent + Micros::ms(2);
            assert_eq!(line.say(&[Word::plain(early)], Micros(0)), vec![]);
        }
        assert_eq!(
            (line.port.device().acked, line.port.device().unacked),
            (0, 0)
        );
        line.now = sent + Micros::ms(5);
        line.say(&[Word::plain(ACK)], Micros(0));
        assert_eq!(
            (line.port.device().acked, line.port.device().unacked),
            (1, 0)
        );
    }

    proptest! {
        #[test]
        fn any_words_never_panic_and_every_data_reply_is_settled_once(
            words in proptest::collection::vec((0u16..0x200, 0u64..30_000), 0..200)
        ) {
            let mut line = Line::new();
            for (bits, gap) in words {
                line.say(&[Word::from_bits(bits)], Micros(gap));
            }
            let device = line.port.device();
            let settled = device.acked + device.unacked;
            let sent = device.commands.len() as u32;
            prop_assert!(settled == sent || settled + 1 == sent);
        }
    }
}
