//! A board with bad habits: a layer around a well-behaved controller. It changes what the
//! controller says before it is on the wire, and what it hears before it hears it.

use super::hearing::{Cut, Ear, Gate, Ghosts, LetsIn, Mishears};
use payrig_bench::action::Action;
use payrig_bench::{
    Input, LineEdge, Node, Observation, Observed, Output, Refusal, Shown, node_identity,
};
use payrig_controller::Controller;
use payrig_mdb::{ACK, Address, Block, NAK, Word};
use payrig_units::Micros;
use payrig_wire::{Edge, TimedWord, Transmission};
use std::collections::{BTreeMap, VecDeque};

/// What a habit may know.
#[derive(Clone, Debug, Default)]
pub struct Memory {
    /// The command before this one, to whomever.
    pub before: Vec<u8>,
    /// It was not answered.
    pub unanswered: bool,
    /// Silences in a row, by address.
    pub silences: BTreeMap<Address, u32>,
    /// Commands so far, by their first byte.
    pub commands: BTreeMap<u8, u32>,
    /// The last data answer, by address.
    pub last_data: BTreeMap<Address, Vec<u8>>,
    /// Whatever a habit wants to count.
    pub count: u32,
    /// Whatever command a habit wants to keep.
    pub kept: Vec<u8>,
    /// Power cuts of the board so far.
    pub cuts: u32,
    /// All of this as it was at the first power cut.
    pub at_cut: Option<Box<Self>>,
    /// The motor turns.
    pub delivering: bool,
    /// Items sold so far.
    pub sold: u32,
    /// Pulses heard so far.
    pub pulses: u32,
}

/// True for a command to the first card reader.
pub(super) fn of_reader(command: &[u8]) -> bool {
    command
        .first()
        .is_some_and(|first| Address::of(*first) == Address::CASHLESS_1)
}

/// What becomes of a command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Said {
    /// It goes out.
    AsIs,
    /// This goes out in its place; the controller hears the answer as if to its own.
    Changed(Vec<u8>),
    /// This goes out in its place; data that answer it are acknowledged and kept from the
    /// controller, which hears ACK.
    Instead(Vec<u8>),
    /// Nothing goes out.
    Nothing,
}

/// What becomes of the data of an answer: the command it answers, and the data without CHK.
pub type Hears = fn(&mut Memory, &[u8], &mut Vec<u8>);

/// Bad habits of a board; all off by default.
#[derive(Clone, Debug, Default)]
pub struct BadHabits {
    /// What becomes of commands.
    pub says: Option<fn(&mut Memory, &[u8]) -> Said>,
    /// What becomes of data answers: the command, and the data without CHK. Nothing left is ACK.
    pub hears: Option<Hears>,
    /// Answers with a wrong CHK are taken for good.
    pub ignores_checksum: bool,
    /// Data are not acknowledged.
    pub never_acks: bool,
    /// Data are answered with NAK.
    pub naks_data: bool,
    /// NAK is taken for ACK.
    pub nak_is_ack: bool,
    /// Every fifth command has a wrong CHK.
    pub wrong_chk: bool,
    /// Every fifth address byte has no mode bit.
    pub no_mode_bit: bool,
    /// No bus reset but the first.
    pub no_bus_reset: bool,
    /// How pulses are misheard.
    pub mishears: Option<Mishears>,
    /// Pulses counted after a power cut that nobody sends.
    pub ghosts: Option<Ghosts>,
    /// On the display the second stands wherever the first should.
    pub shows_instead: Option<(String, String)>,
    /// How the line that holds the pulse acceptor off is handled wrongly.
    pub lets_in: Option<LetsIn>,
    /// Cards are asked for this many counts for this selection, whatever it costs by now.
    pub asks_price: Option<(u16, u16)>,
    /// The exact-change light is never on.
    pub no_exact_change_light: bool,
    /// The exact-change light, once on, stays on.
    pub light_stays_on: bool,
    /// A blocked motor is not noticed.
    pub no_drop_sensor: bool,
}

/// The board under examination, as far as the tool can see it: lines, and what a person sees.
#[derive(Clone, Debug)]
pub struct Board {
    controller: Controller,
    bad: BadHabits,
    memory: Memory,
    /// What the controller said last, without CHK.
    asked: Vec<u8>,
    /// Data that answer it are not for the controller.
    swallow: bool,
    answer: Vec<TimedWord>,
    answered: bool,
    resets: u32,
    dispensed: Option<Micros>,
    ear: Ear,
    gate: Gate,
    light_was_on: bool,
    /// The last edge of the credit line.
    last_edge: Option<Edge>,
    /// Where in a train the power went.
    cut: Cut,
    /// Edges it imagines, to come.
    imagined: VecDeque<Edge>,
    out: VecDeque<Transmission>,
    /// The acceptor on its pulse lines.
    acceptor: String,
    /// What its display showed so far.
    shown: Vec<String>,
}

impl Board {
    /// A board with bad habits.
    #[must_use]
    pub fn new(controller: Controller, bad: BadHabits) -> Self {
        Self {
            controller,
            ear: Ear::new(bad.mishears),
            gate: Gate::new(bad.lets_in),
            light_was_on: false,
            last_edge: None,
            cut: Cut::default(),
            imagined: VecDeque::new(),
            bad,
            memory: Memory::default(),
            asked: Vec::new(),
            swallow: false,
            answer: Vec::new(),
            answered: true,
            resets: 0,
            dispensed: None,
            out: VecDeque::new(),
            acceptor: String::new(),
            shown: Vec::new(),
        }
    }

    /// The same with an acceptor of this name on its pulse lines.
    #[must_use]
    pub fn with_acceptor(mut self, name: &str) -> Self {
        name.clone_into(&mut self.acceptor);
        self
    }

    /// What its display showed so far.
    #[must_use]
    pub fn shown(&self) -> &[String] {
        &self.shown
    }

    /// The controller, for what a person does and sees at the machine.
    pub fn person(&mut self) -> &mut Controller {
        &mut self.controller
    }

    /// The motor of an item is blocked.
    pub fn block_motor(&mut self, item: u16) {
        if !self.bad.no_drop_sensor {
            self.controller.jam(item);
        }
    }

    /// The exact-change light.
    #[must_use]
    pub fn exact_change(&self) -> bool {
        let on = self.controller.exact_change() || self.light_was_on;
        on && !self.bad.no_exact_change_light
    }

    /// What the display showed since the last call.
    pub fn take_shown(&mut self) -> Vec<String> {
        self.light_was_on |= self.bad.light_stays_on && self.controller.exact_change();
        let mut shown = self.controller.take_shown().0;
        if let Some((right, wrong)) = &self.bad.shows_instead {
            for text in &mut shown {
                *text = text.replace(right.as_str(), wrong);
            }
        }
        shown
    }

    /// Edges on the pulse acceptor's lines since the last call: the line and the edge.
    pub fn take_pulse_edges(&mut self, now: Micros) -> Vec<(String, Edge)> {
        let started = self.memory.commands.contains_key(&0x0C);
        let edges = self.controller.take_pulse_edges().into_iter();
        let mut out: Vec<(String, Edge)> = edges
            .filter_map(|(_, line, edge)| Some((line, self.gate.pass(edge, started)?)))
            .collect();
        let own = self.gate.own(now, started);
        out.extend(own.map(|edge| (payrig_pulse::INHIBIT_LINE.to_owned(), edge)));
        out
    }

    /// A word of a peripheral.
    pub fn heard(&mut self, word: TimedWord) {
        self.answered = true;
        let mut word = word;
        if self.bad.nak_is_ack && self.answer.is_empty() && word.word == Word::marked(NAK) {
            word.word = Word::marked(ACK);
        }
        // A pause longer than the controller tolerates ends the answer for it.
        let changes = self.swallow || self.bad.hears.is_some() || self.bad.ignores_checksum;
        if !changes {
            self.remember(word);
            self.controller.heard(&word);
            return;
        }
        self.answer.push(word);
        if word.word.mode {
            let words = std::mem::take(&mut self.answer);
            for word in self.understood(words) {
                self.controller.heard(&word);
            }
        }
    }

    /// Keeps the data that pass unchanged, for habits of what is said.
    fn remember(&mut self, word: TimedWord) {
        let address = self.address();
        let data = self.memory.last_data.entry(address).or_default();
        data.push(word.word.byte);
    }

    /// What a habit may know of the machine.
    fn look(&mut self) {
        self.memory.delivering = self.controller.is_delivering();
        let sold = self.controller.vending().sold().len();
        self.memory.sold = u32::try_from(sold).unwrap_or(u32::MAX);
    }

    fn address(&self) -> Address {
        Address::of(self.asked.first().copied().unwrap_or(0))
    }

    fn understood(&mut self, words: Vec<TimedWord>) -> Vec<TimedWord> {
        let bytes: Vec<u8> = words.iter().map(|w| w.word.byte).collect();
        let (Some(last), [_, _, ..]) = (words.last().copied(), bytes.as_slice()) else {
            return words;
        };
        let block = match Block::from_wire(&bytes) {
            Ok(block) => block,
            Err(_) if self.bad.ignores_checksum => {
                Block::truncated(bytes.split_last().map_or(&[][..], |(_, data)| data))
            }
            Err(_) => return words,
        };
        let mut data = block.bytes().to_vec();
        let address = self.address();
        self.memory.last_data.insert(address, data.clone());
        if self.swallow {
            data.clear();
        } else if let Some(hears) = self.bad.hears {
            let asked = self.asked.clone();
            hears(&mut self.memory, &asked, &mut data);
        }
        if data.is_empty() {
            // The device is answered here; the controller hears ACK.
            self.out.push_back(Transmission::Words {
                at: last.end + Micros(600),
                words: vec![Word::plain(ACK)],
                gap: Micros::ZERO,
            });
            let word = Word::marked(ACK);
            return vec![TimedWord { word, ..last }];
        }
        let words: Vec<Word> = Block::truncated(&data).peripheral_words().collect();
        let timed = |word| TimedWord { word, ..last };
        words.into_iter().map(timed).collect()
    }

    /// A credit line changed.
    pub fn pulse_edge(&mut self, name: &str, line: &str, edge: Edge) {
        self.last_edge = Some(edge);
        if self.acceptor.is_empty() {
            name.clone_into(&mut self.acceptor);
        }
        for edge in self.ear.hear(edge, self.dispensed, self.memory.cuts) {
            self.memory.pulses += u32::from(edge.high);
            self.controller.pulse_edge(name, line, edge);
        }
    }

    /// When [`wake`](Self::wake) is wanted.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        let imagined = self.imagined.front().map_or(Micros::NEVER, |edge| edge.at);
        let due = match self.answer.last() {
            // In the middle of an answer the controller waits for the rest of it.
            Some(word) => word.end + Micros::ms(8),
            None => self.controller.next_deadline(),
        };
        due.min(imagined)
    }

    /// A deadline has come.
    pub fn wake(&mut self, now: Micros) {
        while let Some(edge) = self.imagined.pop_front() {
            if edge.at > now {
                self.imagined.push_front(edge);
                break;
            }
            let name = self.acceptor.clone();
            self.controller
                .pulse_edge(&name, payrig_pulse::CREDIT_LINE, edge);
        }
        if !self.answer.is_empty() {
            if self.next_deadline() > now {
                return;
            }
            for word in std::mem::take(&mut self.answer) {
                self.controller.heard(&word);
            }
        }
        self.controller.wake(now);
    }

    /// Power comes or goes.
    pub fn power(&mut self, now: Micros, on: bool) {
        self.answer.clear();
        self.look();
        if !on && self.memory.at_cut.is_none() {
            self.memory.at_cut = Some(Box::new(self.memory.clone()));
        }
        self.memory.cuts += u32::from(!on);
        self.controller.power(now, on);
        match (on, self.bad.ghosts) {
            (false, _) => self.cut = Cut::at(now, self.last_edge),
            (true, Some(ghosts)) => {
                let held = self.last_edge.is_some_and(|edge| !edge.high);
                self.imagined.extend(ghosts.edges(now, self.cut, held));
            }
            (true, None) => {}
        }
    }

    /// The next transmission, if any.
    pub fn take_transmission(&mut self) -> Option<Transmission> {
        if let Some(sent) = self.out.pop_front() {
            return Some(sent);
        }
        loop {
            let sent = self.controller.take_transmission()?;
            if let Some(sent) = self.outgoing(sent) {
                return Some(sent);
            }
        }
    }

    fn outgoing(&mut self, sent: Transmission) -> Option<Transmission> {
        let Transmission::Words { at, words, gap } = sent else {
            self.resets += 1;
            return (self.resets == 1 || !self.bad.no_bus_reset).then_some(sent);
        };
        let words = match words.as_slice() {
            [word] if word.byte == ACK && self.bad.never_acks => return None,
            [word] if word.byte == ACK && self.bad.naks_data => vec![Word::plain(NAK)],
            [word] => vec![*word],
            _ => self.command(at, &words)?,
        };
        Some(Transmission::Words { at, words, gap })
    }

    fn command(&mut self, at: Micros, words: &[Word]) -> Option<Vec<Word>> {
        let bytes: Vec<u8> = words.iter().map(|w| w.byte).collect();
        let Ok(block) = Block::from_wire(&bytes) else {
            return Some(words.to_vec());
        };
        let command = block.bytes().to_vec();
        self.memory.unanswered = !self.answered && !self.asked.is_empty();
        if !self.asked.is_empty() {
            let silences = self.memory.silences.entry(self.address()).or_default();
            *silences = if self.answered { 0 } else { *silences + 1 };
        }
        self.answered = false;
        self.look();
        let said = match self.bad.says {
            Some(says) => says(&mut self.memory, &command),
            None => Said::AsIs,
        };
        let said = match (said, self.bad.asks_price, command.as_slice()) {
            // VEND REQUEST in 16 bits (section 7.4.5).
            (Said::AsIs, Some((item, price)), [0x13, 0x00, _, _, of @ ..])
                if of == item.to_be_bytes() =>
            {
                let [high, low] = price.to_be_bytes();
                Said::Changed([&[0x13, 0x00, high, low], of].concat())
            }
            (said, ..) => said,
        };
        self.memory.before.clone_from(&command);
        *self.memory.commands.entry(block.first()).or_default() += 1;
        self.asked.clone_from(&command);
        let address = self.address();
        self.memory.last_data.remove(&address);
        self.swallow = matches!(said, Said::Instead(_));
        let out = match said {
            Said::AsIs => command,
            Said::Changed(out) | Said::Instead(out) => out,
            Said::Nothing => return None,
        };
        if matches!(out.as_slice(), [0x0D, ..]) {
            self.dispensed = Some(at);
        }
        let mut words: Vec<Word> = Block::truncated(&out).master_words().collect();
        let total: u32 = self.memory.commands.values().sum();
        let fifth = total.is_multiple_of(5);
        if let Some(last) = words.last_mut().filter(|_| fifth && self.bad.wrong_chk) {
            last.byte ^= 0x20;
        }
        if let Some(first) = words.first_mut().filter(|_| fifth && self.bad.no_mode_bit) {
            first.mode = false;
        }
        Some(words)
    }
}

/// On a bench: what the board believes of money is its own affair, the bench books what devices move.
impl Node for Board {
    node_identity!();

    fn next_deadline(&self) -> Micros {
        Self::next_deadline(self)
    }

    fn wake(&mut self, now: Micros) {
        Self::wake(self, now);
    }

    fn hear(&mut self, input: &Input<'_>) {
        match *input {
            Input::Word(word) => self.heard(*word),
            Input::Edge {
                device, line, edge, ..
            } => self.pulse_edge(device, line, edge),
            Input::LinkDelay(delay) => self.controller.set_link_delay(delay),
            Input::Level { .. } | Input::Break { .. } => {}
        }
    }

    fn drain(&mut self, now: Micros, out: &mut Output) {
        while let Some(sent) = self.take_transmission() {
            out.sent.push_back(sent);
        }
        let edges = self.take_pulse_edges(now).into_iter();
        out.edges.extend(edges.map(|(line, edge)| LineEdge {
            device: self.acceptor.clone(),
            line,
            edge,
        }));
        let shown = self.take_shown();
        self.shown.extend(shown.iter().cloned());
        out.shown.extend(shown.into_iter().map(Shown::Display));
        out.delivered.extend(self.controller.take_delivered());
        self.controller.take_movements();
    }

    fn power(&mut self, now: Micros, on: bool) {
        Self::power(self, now, on);
    }

    fn act(&mut self, now: Micros, action: &Action) -> Result<(), Refusal> {
        match action {
            Action::JamItem { item } => {
                self.block_motor(*item);
                Ok(())
            }
            action => self.controller.act(now, action),
        }
    }

    fn observe(&self, what: &Observation) -> Option<Observed> {
        match what {
            Observation::ExactChange => Some(Observed::Flag(self.exact_change())),
            what => self.controller.observe(what),
        }
    }

    fn is_quiet(&self) -> bool {
        Node::is_quiet(&self.controller)
    }
}
