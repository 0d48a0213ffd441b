//! Bad habits on the wire: a layer between a bus and a well-behaved device that makes it behave as
//! devices in the field do. What a device does wrong by itself is a quirk of its own crate; what
//! only shows on the wire is made here.

use super::messages::{Command, is_poll};
use payrig_mdb::cashless::{self, Level, Mode, Unit, length_in};
use payrig_mdb::{ACK, Address, Block, Length, NAK, RET, Word, bill, changer, chk, command_length};
use payrig_peripherals::BusPeripheral;
use payrig_units::Micros;
use payrig_wire::{Source, TimedWord, Transmission, WORD_TIME};
use std::collections::BTreeMap;

/// What is known when an answer is rewritten.
#[derive(Debug)]
pub struct Context<'a> {
    /// The command, without CHK.
    pub command: &'a [u8],
    /// How many data answers there were before.
    pub count: u32,
    /// The first data answer to the same command.
    pub first: &'a [u8],
}

/// A change made to the data of an answer, without CHK. Nothing left means ACK.
pub type Rewrite = fn(&Context<'_>, &mut Vec<u8>);

/// Bad habits; all off by default.
#[derive(Clone, Debug, Default)]
pub struct Habits {
    /// Every n-th answer is late by so much.
    pub late: Option<(u32, Micros)>,
    /// Pause between the words of an answer.
    pub gap: Option<Micros>,
    /// Data answers carry a wrong CHK.
    pub wrong_chk: bool,
    /// The mode bit is missing on the last word.
    pub no_mode_bit: bool,
    /// Every word of a data answer has its mode bit set, not the last alone.
    pub mode_bits_everywhere: bool,
    /// A command with a wrong CHK is taken for good.
    pub acts_on_bad_checksum: bool,
    /// A command with a wrong CHK is answered with NAK.
    pub naks: bool,
    /// Every n-th ACK is a NAK instead.
    pub nak_for_ack: Option<u32>,
    /// An address that is nobody's is answered too.
    pub answers_other_address: bool,
    /// RET is answered with something else.
    pub ret_other_data: bool,
    /// RET is not answered.
    pub ret_ignored: bool,
    /// The first RET is not heard.
    pub misses_ret: bool,
    /// NAK is taken for ACK.
    pub nak_is_ack: bool,
    /// Silence after an answer is taken for ACK.
    pub silence_is_ack: bool,
    /// The same data are sent so often at the most, acknowledged or not.
    pub repeats_at_most: Option<u32>,
    /// Silence after such data is taken for ACK.
    pub silence_is_ack_of: Option<fn(&[u8]) -> bool>,
    /// RESET is acknowledged and answered by JUST RESET, and changes nothing (card readers).
    pub feigns_reset: bool,
    /// JUST RESET and other reports are said once more after their ACK.
    pub reports_again: bool,
    /// Says something unasked once, at this time.
    pub speaks_at: Option<Micros>,
    /// A pause in a command of more than this makes it deaf to the rest.
    pub longest_gap: Option<Micros>,
    /// Bus resets are not heard.
    pub ignores_bus_reset: bool,
    /// Silent for so long after a bus reset.
    pub slow_start: Option<Micros>,
    /// Silent from a time for a time.
    pub away: Option<(Micros, Micros)>,
    /// Does not hear this command to it, counted from 1, and so does not answer, as it may be busy for its
    /// non-response time.
    pub misses: Option<u32>,
    /// Silent for ever after a command nobody knows.
    pub hangs_on_unknown: bool,
    /// A command nobody knows is answered with NAK.
    pub naks_unknown: bool,
    /// Silent for ever once power was cut.
    pub dead_after_power_cut: bool,
    /// The last enabling command holds also after a RESET.
    pub stays_enabled: bool,
    /// Commands that are acknowledged and not carried out.
    pub acknowledges_only: Option<fn(&[u8]) -> bool>,
    /// Commands that are not heard at all.
    pub deaf_to: Option<fn(&[u8]) -> bool>,
    /// What becomes of data answers.
    pub rewrite: Option<Rewrite>,
}

/// The layer itself: habits, and what it has to remember for them.
#[derive(Clone, Debug)]
pub struct Layer {
    habits: Habits,
    address: Address,
    /// What a card reader and its VMC have agreed on, which changes the form of commands.
    mode: Mode,
    mine: bool,
    gathering: bool,
    /// The command as it was sent.
    sent: Vec<u8>,
    /// The command as the device hears it.
    heard: Vec<u8>,
    last_end: Micros,
    silent_until: Micros,
    hung: bool,
    spoke: bool,
    awaiting_ack: bool,
    /// The last answer was kept from the bus; the device believes it was heard.
    swallowed: bool,
    answers: u32,
    data_answers: u32,
    firsts: BTreeMap<Vec<u8>, Vec<u8>>,
    last_data: Option<Block>,
    /// How often those were sent since an ACK.
    said: u32,
    /// Commands to it so far.
    commands: u32,
    again: Option<Block>,
    /// What is on the wire is that.
    repeating: bool,
    enabling: Option<Block>,
    replay: Option<Block>,
    out: Vec<Transmission>,
}

impl Layer {
    /// A layer in front of the device at `address`.
    #[must_use]
    pub fn new(habits: Habits, address: Address) -> Self {
        Self {
            habits,
            address,
            mode: Mode::level(Level::TWO),
            mine: false,
            gathering: false,
            sent: Vec::new(),
            heard: Vec::new(),
            last_end: Micros::ZERO,
            silent_until: Micros::ZERO,
            hung: false,
            spoke: false,
            awaiting_ack: false,
            swallowed: false,
            answers: 0,
            data_answers: 0,
            firsts: BTreeMap::new(),
            last_data: None,
            said: 0,
            commands: 0,
            again: None,
            repeating: false,
            enabling: None,
            replay: None,
            out: Vec::new(),
        }
    }

    /// A word of the master, on its way to the device.
    pub fn heard(&mut self, word: TimedWord, port: &mut dyn BusPeripheral) {
        if word.word.mode && Address::of(word.word.byte) == self.address {
            self.commands += 1;
            // It is busy for a moment.
            if self.habits.misses == Some(self.commands) {
                (self.mine, self.gathering) = (false, false);
                return;
            }
        }
        let pause = word.start.since(self.last_end);
        self.last_end = word.end;
        if word.word.mode {
            self.address_byte(word, port);
        } else if self.gathering {
            let slow = self
                .habits
                .longest_gap
                .is_some_and(|longest| pause > longest);
            if slow {
                self.gathering = false;
                self.mine = false;
                return;
            }
            self.command_byte(word, port);
        } else if self.mine && self.awaiting_ack {
            self.verdict(word, port);
        }
    }

    fn address_byte(&mut self, mut word: TimedWord, port: &mut dyn BusPeripheral) {
        self.awaiting_ack = false;
        self.sent = vec![word.word.byte];
        let own = Address::of(word.word.byte) == self.address;
        // 70H is a coin hopper's; none is on an examination's bus.
        let alias = self.habits.answers_other_address && Address::of(word.word.byte).byte() == 0x70;
        if alias {
            word.word.byte = self.address.with(word.word.byte & 7);
        }
        self.mine = own || alias;
        self.gathering = self.mine;
        self.heard = vec![word.word.byte];
        if own && let Some(block) = self.replay {
            self.replay_enabling(word, &block, port);
        }
        if self.mine {
            port.heard(&word);
        }
    }

    /// Enables the device behind its back. It may not listen yet; then the next command is tried.
    fn replay_enabling(&mut self, word: TimedWord, block: &Block, port: &mut dyn BusPeripheral) {
        for part in block.master_words() {
            let (start, end) = (word.start, word.start);
            port.heard(&TimedWord {
                start,
                end,
                word: part,
                ..word
            });
        }
        let mut done = false;
        while port.take_transmission().is_some() {
            done = true;
        }
        if done {
            self.replay = None;
        }
    }

    fn command_byte(&mut self, mut word: TimedWord, port: &mut dyn BusPeripheral) {
        self.sent.push(word.word.byte);
        self.heard.push(word.word.byte);
        if self.habits.hangs_on_unknown && is_unknown(&self.heard) {
            self.hung = true;
        }
        // The command of the examination has no data: its third byte is the CHK.
        if self.habits.naks_unknown && is_unknown(&self.heard) && self.heard.len() == 3 {
            self.gathering = false;
            self.say(word.end, vec![Word::marked(NAK)]);
            return;
        }
        let length = match Unit::of(self.address.byte()) {
            Some(_) => length_in(&self.heard, &self.mode),
            None => command_length(&self.heard),
        };
        let done = matches!(length, Length::Known(n) if self.heard.len() >= n);
        if !done {
            // A block of unknown length ends where its sender pauses; habits let those pass.
            port.heard(&word);
            return;
        }
        self.gathering = false;
        let right = |bytes: &[u8]| match bytes.split_last() {
            Some((last, rest)) => (chk(rest), chk(rest) == *last),
            None => (0, false),
        };
        let (_, good) = right(&self.sent);
        if good || self.habits.acts_on_bad_checksum {
            word.word.byte = right(&self.heard).0;
        } else if self.habits.naks {
            self.say(word.end, vec![Word::marked(NAK)]);
        }
        self.heard.pop();
        let command = self.heard.clone();
        if self.habits.deaf_to.is_some_and(|deaf| deaf(&command)) {
            return;
        }
        if good
            && self
                .habits
                .acknowledges_only
                .is_some_and(|only| only(&command))
        {
            self.say(word.end, vec![Word::marked(ACK)]);
            return;
        }
        if good && self.habits.feigns_reset && is_reset_of_reader(&command) {
            self.say(word.end, vec![Word::marked(ACK)]);
            self.again = Block::new(&[0x00]).ok();
            return;
        }
        port.heard(&word);
        let command = Command::parse(&command);
        self.agreed(command.as_ref());
        match command {
            Some(Command::Changer(changer::Command::CoinType { .. }))
            | Some(Command::Bill(bill::Command::BillType { .. })) => {
                self.enabling = Block::new(&self.heard).ok();
            }
            Some(command) if command.is_reset() && self.habits.stays_enabled => {
                self.replay = self.enabling;
            }
            _ => {}
        }
    }

    /// Level 03 options a reader has to use (7.4.24) are of level 03; a reset ends them.
    fn agreed(&mut self, command: Option<&Command>) {
        let Some(Command::Reader(command)) = command else {
            return;
        };
        match command.kind {
            cashless::Kind::EnableOptions(options) => {
                self.mode.level = Level::THREE;
                self.mode.options = options;
            }
            cashless::Kind::Reset => self.mode = Mode::level(Level::TWO),
            _ => {}
        }
    }

    fn verdict(&mut self, word: TimedWord, port: &mut dyn BusPeripheral) {
        let ret = word.word.byte == RET;
        if ret && (self.habits.ret_ignored || std::mem::take(&mut self.habits.misses_ret)) {
            return;
        }
        if ret
            && self.habits.ret_other_data
            && let Some(data) = self.last_data
        {
            let mut bytes = data.bytes().to_vec();
            if let Some(last) = bytes.last_mut() {
                *last ^= 0x01;
            }
            self.say(
                word.end,
                Block::truncated(&bytes).peripheral_words().collect(),
            );
            return;
        }
        self.awaiting_ack = ret;
        match word.word.byte {
            NAK if self.habits.nak_is_ack => port.heard(&plain(word, ACK)),
            ACK => {
                self.said = 0;
                if self.habits.reports_again && is_poll(&self.heard) && !self.repeating {
                    self.again = self.last_data;
                }
                port.heard(&word);
            }
            _ => port.heard(&word),
        }
    }

    /// A bus reset; false when the device does not hear it.
    pub fn bus_reset(&mut self, end: Micros) -> bool {
        if let Some(slow) = self.habits.slow_start {
            self.silent_until = end + slow;
        }
        self.hung = false;
        self.mode = Mode::level(Level::TWO);
        !self.habits.ignores_bus_reset
    }

    /// Power comes or goes.
    pub fn power(&mut self, on: bool) {
        self.hung |= !on && self.habits.dead_after_power_cut;
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        match self.habits.speaks_at {
            Some(at) if !self.spoke => at,
            _ => Micros::NEVER,
        }
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) {
        if self.next_deadline() <= now {
            self.spoke = true;
            self.say(now, vec![Word::plain(0x55)]);
        }
    }

    /// What goes on the wire next, if anything.
    pub fn take(&mut self, port: &mut dyn BusPeripheral) -> Option<Transmission> {
        if let Some(sent) = self.out.pop() {
            return Some(sent);
        }
        loop {
            let sent = port.take_transmission()?;
            // Nothing that is heard before the data are out is an ACK of them.
            let mut over = end_of(&sent);
            let sent = self.outgoing(sent);
            // The device waits for the ACK of what is really on the wire.
            if let Some(sent) = &sent {
                let out = end_of(sent);
                port.goes_out_until(out);
                over = over.max(out);
            }
            let most = self.habits.repeats_at_most;
            let of_this = self.habits.silence_is_ack_of.zip(self.last_data);
            let of_this = of_this.is_some_and(|(of, data)| of(data.bytes()));
            let given_up =
                self.habits.silence_is_ack || of_this || most.is_some_and(|n| self.said >= n);
            let silence = self.awaiting_ack && given_up;
            if silence || std::mem::take(&mut self.swallowed) {
                port.heard(&acknowledgment(over));
            }
            if sent.is_some() {
                return sent;
            }
        }
    }

    fn say(&mut self, now: Micros, words: Vec<Word>) {
        self.out.push(Transmission::Words {
            at: now + Micros::ms(1),
            words,
            gap: Micros(100),
        });
    }

    fn outgoing(&mut self, sent: Transmission) -> Option<Transmission> {
        let Transmission::Words {
            mut at,
            mut words,
            mut gap,
        } = sent
        else {
            return Some(sent);
        };
        self.answers += 1;
        if self.hung || at < self.silent_until {
            return None;
        }
        if self
            .habits
            .away
            .is_some_and(|(from, length)| at >= from && at < from + length)
        {
            return None;
        }
        let bytes: Vec<u8> = words.iter().map(|w| w.byte).collect();
        self.awaiting_ack = false;
        let mut data = Block::from_wire(&bytes).ok().filter(|_| bytes.len() > 1);
        self.repeating = is_poll(&self.heard) && self.again.is_some();
        if self.repeating {
            data = self.again.take();
        }
        if let Some(block) = data {
            words = self.data(&block);
            self.awaiting_ack = words.len() > 1;
        }
        let unasked = bytes == [ACK] && data.is_none();
        if unasked
            && self
                .habits
                .nak_for_ack
                .is_some_and(|n| self.answers.is_multiple_of(n))
        {
            words = vec![Word::marked(NAK)];
        }
        if let Some((every, late)) = self.habits.late
            && self.answers.is_multiple_of(every)
        {
            at += late;
        }
        gap = self.habits.gap.unwrap_or(gap);
        Some(Transmission::Words { at, words, gap })
    }

    fn data(&mut self, block: &Block) -> Vec<Word> {
        let mut bytes = block.bytes().to_vec();
        if let Some(rewrite) = self.habits.rewrite {
            let first = self
                .firsts
                .entry(self.heard.clone())
                .or_insert_with(|| bytes.clone());
            let context = Context {
                command: &self.heard,
                count: self.data_answers,
                first,
            };
            rewrite(&context, &mut bytes);
        }
        self.data_answers += 1;
        if bytes.is_empty() {
            self.swallowed = true;
            return vec![Word::marked(ACK)];
        }
        let block = Block::truncated(&bytes);
        self.said = match self.last_data == Some(block) {
            true => self.said + 1,
            false => 1,
        };
        self.last_data = Some(block);
        let mut words: Vec<Word> = block.peripheral_words().collect();
        if let Some(last) = words.last_mut() {
            if self.habits.wrong_chk {
                last.byte ^= 0x10;
            }
            if self.habits.no_mode_bit {
                last.mode = false;
            }
        }
        if self.habits.mode_bits_everywhere {
            words.iter_mut().for_each(|word| word.mode = true);
        }
        words
    }
}

/// When the last of it is out.
fn end_of(sent: &Transmission) -> Micros {
    match sent {
        Transmission::Words { at, words, gap } => {
            let length = (WORD_TIME + *gap) * words.len() as u64;
            *at + length.since(*gap)
        }
        Transmission::Break { at, length } => *at + *length,
    }
}

fn plain(word: TimedWord, byte: u8) -> TimedWord {
    TimedWord {
        word: Word::plain(byte),
        ..word
    }
}

/// An ACK the device believes to hear.
fn acknowledgment(at: Micros) -> TimedWord {
    TimedWord {
        start: at,
        end: at,
        source: Source::Master,
        word: Word::plain(ACK),
        uncertainty: Micros::ZERO,
    }
}

/// RESET (7.4.1).
fn is_reset_of_reader(command: &[u8]) -> bool {
    matches!(command, [0x10 | 0x60])
}

/// A sub-command of EXPANSION that no section knows.
pub(super) const UNKNOWN: u8 = 0x55;

/// True for a command with that sub-command.
fn is_unknown(command: &[u8]) -> bool {
    matches!(command, [0x0F | 0x37 | 0x17 | 0x67, UNKNOWN, ..])
}
