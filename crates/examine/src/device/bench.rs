//! The bench of a device examination: the tool is the board, one device is the subject.
//!
//! Checks see what passes on the wire, edges on the credit line, and where money physically is.
//! They never look into the device.

pub(super) use super::act::{Act, Answer, Close};
use super::pulse_unit::{HopperWires, PulseUnit};
use super::setup::{Kind, Setup};
use super::subject::Emulated;
use super::told::Told;
use crate::check::{NEEDS_A_PERSON, Seen};
use crate::operator::{Deed, Operator, Question, Reply, SeenBy, Sight, Tally};
use crate::remains::{Remains, STOPPED};
use crate::result::Interval;
use crate::wire::{Linked, Wire};
use payrig_bench::{Analyst, Books};
use payrig_mdb::bill::{self, EscrowStatus};
use payrig_mdb::{ACK, Block, NAK, Word};
use payrig_pulse::{Profile, Train};
use payrig_units::{Decimals, Micros, Money, Movement, Place};
use payrig_wire::recording::{Entry, LineRecord, LineRole, MovementRecord, TrainRecord};
use payrig_wire::{BusEvent, Finding, Source, TimedWord, Transmission, WORD_TIME};
use std::cell::Cell;
use std::collections::VecDeque;

/// From the end of data to the tool's ACK.
const TURNAROUND: Micros = Micros(600);

/// Between exchanges.
const REST: Micros = Micros::ms(3);

/// How long the tool waits for an answer (Appendix 3, section 2).
const PATIENCE: Micros = Micros::ms(20);

/// From one POLL to the next.
pub(super) const POLL_EVERY: Micros = Micros::ms(125);

/// What is examined.
#[derive(Debug)]
enum Subject {
    Emulated(Box<Emulated>),
    /// At the other end of a port.
    Outside(Box<AtHand>),
}

/// An outside device: who does and sees things at it, and what it told.
#[derive(Debug)]
struct AtHand {
    operator: Box<dyn Operator>,
    told: Told,
    /// Reports that came while the operator was asked.
    queued: VecDeque<Vec<u8>>,
    /// What is to be put right again before the next check.
    to_undo: Vec<Act>,
}

/// An outside device and the bench it stands on, lent to one check after another.
#[derive(Debug)]
pub struct Outside {
    linked: Linked,
    operator: Box<dyn Operator>,
    told: Told,
}

impl Outside {
    /// A device of this kind at the other end of a port.
    #[must_use]
    pub fn new(kind: Kind, linked: Linked, operator: Box<dyn Operator>) -> Self {
        let told = Told::new(kind);
        Self {
            linked,
            operator,
            told,
        }
    }

    pub(super) fn linked(&mut self) -> &mut Linked {
        &mut self.linked
    }

    /// Who it says it is.
    pub(super) fn identity(&self) -> crate::result::Subject {
        self.told.identity()
    }
}

/// The bench.
#[derive(Debug)]
pub struct Bench {
    kind: Kind,
    began: Micros,
    now: Micros,
    wire: Wire,
    subject: Subject,
    analyst: Analyst,
    books: Books,
    decimals: Decimals,
    heard: Vec<TimedWord>,
    answer_times: Vec<Micros>,
    gaps: Vec<Micros>,
    findings: Vec<Finding>,
    trains: Vec<TrainRecord>,
    currency_scale: i64,
    seen_by: Cell<SeenBy>,
    entries: Vec<Entry>,
    /// The check is over, whatever it says: somebody or something is missing.
    over: Option<Seen>,
}

impl Bench {
    /// Sets an emulated device up. `None` when it contradicts itself.
    #[must_use]
    pub fn new(setup: &Setup) -> Option<Self> {
        let emulated = Emulated::new(setup)?;
        let subject = Subject::Emulated(Box::new(emulated));
        Some(Self::set_up(setup, Wire::simulated(), subject))
    }

    /// A bench with an outside device.
    #[must_use]
    pub fn outside(setup: &Setup, outside: Outside) -> Self {
        let Outside {
            linked,
            operator,
            mut told,
        } = outside;
        told.begin();
        let queued = VecDeque::new();
        let subject = Subject::Outside(Box::new(AtHand {
            operator,
            told,
            queued,
            to_undo: Vec::new(),
        }));
        Self::set_up(setup, Wire::linked(linked), subject)
    }

    fn set_up(setup: &Setup, wire: Wire, subject: Subject) -> Self {
        let ours = matches!(subject, Subject::Outside(_)).then_some(Source::Master);
        let now = wire.now();
        let mut bench = Self {
            kind: setup.kind,
            began: now,
            now,
            wire,
            subject,
            analyst: Analyst::new().speaking_for(ours),
            books: Books::new(),
            decimals: setup.decimals,
            heard: Vec::new(),
            answer_times: Vec::new(),
            gaps: Vec::new(),
            findings: Vec::new(),
            trains: Vec::new(),
            currency_scale: 1,
            seen_by: Cell::default(),
            entries: Vec::new(),
            over: None,
        };
        let lines = bench.unit().map_or(Vec::new(), |unit| {
            let record = |(line, high): (String, bool)| LineRecord {
                at_us: now,
                device: unit.name().to_owned(),
                line: format!("{} {line}", unit.name()),
                role: LineRole::Credit,
                high,
                profile: None,
                counted_by: None,
                outside: false,
            };
            unit.levels().into_iter().map(record).collect()
        });
        bench.entries.extend(lines.into_iter().map(Entry::Line));
        bench.collect();
        bench
    }

    /// What is examined.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.now
    }

    /// Decimals of all amounts.
    #[must_use]
    pub fn decimals(&self) -> Decimals {
        self.decimals
    }

    /// An amount as it is printed.
    #[must_use]
    pub fn show(&self, amount: Money) -> String {
        amount.show(self.decimals).to_string()
    }

    /// Where money is.
    #[must_use]
    pub fn books(&self) -> &Books {
        &self.books
    }

    /// What all places that `which` accepts hold together. An emulated device is looked into; at an
    /// outside one the operator counts what came out, and the rest is what it reported.
    #[must_use]
    pub fn sum(&mut self, which: impl Fn(&Place) -> bool) -> Money {
        if self.is_outside() {
            self.settle_out();
        } else {
            self.note_seen(SeenBy::Emulation);
        }
        self.books.ledger().held(which)
    }

    /// Minor units per count, once SETUP told it.
    #[must_use]
    pub fn scale(&self) -> i64 {
        self.currency_scale
    }

    /// Remembers the scaling factor.
    pub fn set_scale(&mut self, factor: i64) {
        self.currency_scale = factor.max(1);
    }

    /// How far the times of what is heard may be off.
    #[must_use]
    pub fn uncertainty(&self) -> Micros {
        self.wire.uncertainty()
    }

    /// True when the device is at the other end of a port, and cannot be looked into.
    #[must_use]
    pub fn is_outside(&self) -> bool {
        matches!(self.subject, Subject::Outside(_))
    }

    fn note_seen(&self, by: SeenBy) {
        self.seen_by.set(self.seen_by.get().max(by));
    }

    // ---- time --------------------------------------------------------------------------------

    fn next(&mut self) -> Micros {
        let subject = match &mut self.subject {
            Subject::Emulated(emulated) => emulated.next_deadline(),
            Subject::Outside(_) => Micros::NEVER,
        };
        subject.min(self.wire.next())
    }

    /// Lets time pass to the next thing that happens, until `to` at most. False when nothing did.
    fn step(&mut self, to: Micros) -> bool {
        let due = self.next().min(to);
        self.now = self.now.max(self.wire.reach(due));
        if self.next() > self.now {
            return self.now < to;
        }
        self.deliver();
        let now = self.now;
        if let Subject::Emulated(emulated) = &mut self.subject {
            emulated.wake(now);
        }
        self.collect();
        true
    }

    /// Lets time pass until `to`.
    pub fn until(&mut self, to: Micros) {
        while self.step(to) {}
        self.now = self.now.max(to);
        let now = self.now;
        let mut entries = self.analyst.idle(now);
        entries.extend(self.wire.take_notes());
        self.log(entries);
    }

    /// Lets time pass.
    pub fn wait(&mut self, time: Micros) {
        self.until(self.now + time);
    }

    fn deliver(&mut self) {
        while let Some(heard) = self.wire.pop(self.now) {
            let entries = self.analyst.event(&heard.event);
            self.log(entries);
            match heard.event {
                BusEvent::Word(word) if word.source == Source::Peripheral => {
                    if heard.reaches_peer {
                        self.heard.push(word);
                    }
                }
                BusEvent::Word(word) => {
                    if let Subject::Emulated(emulated) = &mut self.subject {
                        emulated.heard(word);
                    }
                }
                BusEvent::Break { start, end, .. } => {
                    if let Subject::Emulated(emulated) = &mut self.subject {
                        emulated.heard_break(start, end);
                    }
                }
                BusEvent::Garbled { .. } => {}
            }
            self.collect();
        }
    }

    fn log(&mut self, entries: Vec<Entry>) {
        for entry in entries {
            if let Entry::Finding(finding) = &entry {
                self.findings.push(finding.clone());
            }
            self.entries.push(entry);
        }
    }

    fn collect(&mut self) {
        let Subject::Emulated(emulated) = &mut self.subject else {
            return;
        };
        let movements = emulated.take_movements();
        while let Some(sent) = emulated.take_transmission() {
            self.wire.transmit(Source::Peripheral, sent);
        }
        if let Some(unit) = emulated.unit_mut() {
            let name = unit.name().to_owned();
            let edges = unit.take_fresh().into_iter();
            self.entries.extend(edges.map(|(line, edge)| Entry::Edge {
                line: format!("{name} {line}"),
                at_us: edge.at,
                high: edge.high,
                uncertainty_us: Micros::ZERO,
            }));
        }
        self.book(movements);
    }

    fn book(&mut self, movements: Vec<Movement>) {
        for movement in movements {
            // Amounts too large for the ledger do not occur on these benches.
            if let Ok(entry) = self.books.book(self.now, None, movement) {
                self.entries
                    .push(Entry::Movement(MovementRecord::from(&entry)));
            }
        }
    }

    // ---- the operator ------------------------------------------------------------------------

    /// Has something done at the device, which is POLLed meanwhile when a person has to do it. The
    /// end of the check when it cannot be.
    ///
    /// # Errors
    /// A skipped check: the device is of another kind, or nobody is there.
    pub fn act(&mut self, act: Act) -> Result<(), Seen> {
        self.do_act(act, true)
    }

    /// As [`act`](Self::act), and nothing is said on the bus meanwhile: reports wait in the device.
    ///
    /// # Errors
    /// As [`act`](Self::act).
    pub fn act_unasked(&mut self, act: Act) -> Result<(), Seen> {
        self.do_act(act, false)
    }

    fn do_act(&mut self, act: Act, polling: bool) -> Result<(), Seen> {
        let text = self.instruction(act);
        let at_us = self.now;
        if let Subject::Emulated(emulated) = &mut self.subject {
            if !emulated.act(self.now, act) {
                let text = format!("a {} cannot do that", self.kind);
                return Err(Seen::skipped(text));
            }
            self.entries.push(Entry::Act { at_us, text });
            self.collect();
            return Ok(());
        }
        if let Subject::Outside(at_hand) = &mut self.subject {
            // What is reported while the hand is still at the slot is of this coin.
            at_hand.told.put(act);
        }
        let deed = Deed::Act(act);
        match self.ask_operator(
            &Question::Do {
                text: text.clone(),
                deed,
            },
            polling,
        ) {
            Reply::CannotDo | Reply::Default => {
                self.taken_back(act);
                Err(Seen::skipped(format!("{NEEDS_A_PERSON}: {text}")))
            }
            Reply::Stop => {
                self.taken_back(act);
                Err(self.stopped())
            }
            Reply::Done | Reply::Saw(_) | Reply::Counted(_) => {
                let at_us = self.now;
                self.entries.push(Entry::Act { at_us, text });
                if let Subject::Outside(at_hand) = &mut self.subject {
                    at_hand.to_undo.retain(|undo| *undo != act);
                    at_hand.to_undo.extend(act.undone_by());
                }
                Ok(())
            }
        }
    }

    /// Has everything put right again that this check put wrong, and a bill in escrow given back.
    fn undo(&mut self) {
        let in_escrow = |b: &Self| match &b.subject {
            Subject::Outside(at_hand) => at_hand.told.in_escrow(),
            Subject::Emulated(_) => false,
        };
        if in_escrow(self) && !self.wire.is_over() {
            let back = bill::Command::Escrow(EscrowStatus::RETURN);
            self.ask(back.emit().bytes());
            let by = self.now + Micros::secs(10);
            while in_escrow(self) && self.now < by && !self.wire.is_over() {
                self.poll_meanwhile();
                self.wait(POLL_EVERY);
            }
        }
        while let Subject::Outside(at_hand) = &mut self.subject {
            let Some(act) = at_hand.to_undo.pop() else {
                break;
            };
            if self.wire.is_over() || self.do_act(act, true).is_err() {
                break;
            }
        }
    }

    /// It was not put in after all.
    fn taken_back(&mut self, act: Act) {
        if let Subject::Outside(at_hand) = &mut self.subject {
            let worth = at_hand.told.worth(act);
            at_hand.told.take_back(worth);
        }
    }

    fn stopped(&mut self) -> Seen {
        self.wire.give_up();
        let seen = Seen::skipped(STOPPED);
        self.over = Some(seen.clone());
        seen
    }

    fn instruction(&self, act: Act) -> String {
        let worth = match &self.subject {
            Subject::Outside(at_hand) => at_hand.told.worth(act),
            Subject::Emulated(_) => Money::ZERO,
        };
        act.instruction(worth, self.decimals)
    }

    /// Puts a question and goes on with the wire until it is answered.
    fn ask_operator(&mut self, question: &Question, polling: bool) -> Reply {
        let Subject::Outside(at_hand) = &mut self.subject else {
            return Reply::Default;
        };
        let nobody = Box::new(crate::operator::Unattended::default());
        let mut operator = std::mem::replace(&mut at_hand.operator, nobody);
        operator.ask(question);
        let reply = loop {
            if self.wire.is_over() {
                break Reply::CannotDo;
            }
            if let Some(reply) = operator.answer(self.now) {
                break reply;
            }
            if polling {
                self.poll_meanwhile();
                self.wait(POLL_EVERY);
            } else {
                self.wait(Micros::ms(20));
            }
        };
        let at_us = self.now;
        self.entries.push(Entry::Note {
            at_us,
            who: Some("operator".to_owned()),
            text: format!("{} {reply}", question.text()),
        });
        if let Subject::Outside(at_hand) = &mut self.subject {
            at_hand.operator = operator;
        }
        reply
    }

    /// Keeps the device company; what it reports is kept for the check.
    fn poll_meanwhile(&mut self) {
        let poll = self.poll_byte();
        let words = Block::truncated(&[poll]).master_words().collect();
        let answer = self.talk(&[poll], words, Micros(60), Close::Ack);
        let (Answer::Data(data), Subject::Outside(at_hand)) = (answer, &mut self.subject) else {
            return;
        };
        // A state that lasts is said at every POLL; once is enough.
        let lasting = match (self.kind, data.as_slice()) {
            (Kind::Changer, [0x02 | 0x06 | 0x0A]) => true,
            (Kind::BillValidator | Kind::BillRecycler, [code]) => *code < 0x10,
            _ => false,
        };
        if !lasting || at_hand.queued.back() != Some(&data) {
            at_hand.queued.push_back(data);
        }
    }

    const fn poll_byte(&self) -> u8 {
        match self.kind {
            Kind::BillValidator | Kind::BillRecycler => 0x33,
            Kind::Cashless => 0x12,
            _ => 0x0B,
        }
    }

    /// Something that is not on the wire: the emulated device is looked into, a person is asked,
    /// or `default` is taken.
    pub fn look(
        &mut self,
        text: &str,
        sight: Sight,
        default: bool,
        emulated: impl FnOnce(&mut Self) -> bool,
    ) -> bool {
        if !self.is_outside() {
            self.note_seen(SeenBy::Emulation);
            return emulated(self);
        }
        let text = text.to_owned();
        let question = Question::Look {
            text,
            sight,
            default,
        };
        match self.ask_operator(&question, true) {
            Reply::Saw(seen) => {
                self.note_seen(SeenBy::Person);
                seen
            }
            reply => {
                self.nobody(reply);
                default
            }
        }
    }

    /// An amount that is not on the wire, likewise.
    pub fn count(
        &mut self,
        text: &str,
        tally: Tally,
        default: Money,
        emulated: impl FnOnce(&Self) -> Money,
    ) -> Money {
        if !self.is_outside() {
            self.note_seen(SeenBy::Emulation);
            return emulated(self);
        }
        let question = Question::Count {
            text: text.to_owned(),
            tally,
            default,
            decimals: self.decimals,
        };
        match self.ask_operator(&question, true) {
            Reply::Counted(amount) => {
                self.note_seen(SeenBy::Person);
                amount
            }
            reply => {
                self.nobody(reply);
                default
            }
        }
    }

    fn nobody(&mut self, reply: Reply) {
        self.note_seen(SeenBy::Nobody);
        if reply == Reply::Stop {
            self.stopped();
        }
    }

    /// Has the operator count what came out.
    fn ask_out(&mut self) -> Money {
        let expected = match &self.subject {
            Subject::Outside(at_hand) => at_hand.told.to_come_out(),
            Subject::Emulated(_) => Money::ZERO,
        };
        let text = match self.kind {
            Kind::BillValidator | Kind::BillRecycler => {
                "How much came back out of the bill slot since you were last asked?"
            }
            _ => "How much came out of the return cup since you were last asked?",
        };
        let counted = self.count(text, Tally::CameOut, expected, |_| Money::ZERO);
        let movements = match &mut self.subject {
            Subject::Outside(at_hand) => at_hand.told.came_out(counted),
            Subject::Emulated(_) => Vec::new(),
        };
        self.book(movements);
        counted
    }

    /// Asks for what should have come out, or be taken from a card, and was not seen yet.
    fn settle_out(&mut self) {
        let Subject::Outside(at_hand) = &self.subject else {
            return;
        };
        let (out, card) = (at_hand.told.to_come_out(), at_hand.told.card_unseen());
        if out != Money::ZERO && !self.wire.is_over() {
            self.ask_out();
        }
        if card && !self.wire.is_over() {
            self.ask_card();
        }
    }

    fn ask_card(&mut self) {
        let claimed = match &self.subject {
            Subject::Outside(at_hand) => at_hand.told.claimed(),
            Subject::Emulated(_) => Money::ZERO,
        };
        let text = "How much has been taken from the card since this check began?";
        let seen = self.count(text, Tally::FromCard, claimed, |_| Money::ZERO);
        let movements = match &mut self.subject {
            Subject::Outside(at_hand) => at_hand.told.taken_from_card(seen),
            Subject::Emulated(_) => Vec::new(),
        };
        self.book(movements);
    }

    // ---- the bus -----------------------------------------------------------------------------

    /// Sends words and gives the end of the last.
    pub fn send(&mut self, words: Vec<Word>, gap: Micros) -> Micros {
        let at = self.now;
        let sent = Transmission::Words { at, words, gap };
        let end = self.wire.say(Source::Master, sent);
        self.now = self.now.max(self.wire_now());
        end
    }

    fn wire_now(&self) -> Micros {
        match self.wire.is_over() {
            true => self.now,
            false => self.wire.now(),
        }
    }

    /// Holds the bus for `length`.
    pub fn hold(&mut self, length: Micros) {
        let at = self.now;
        let sent = Transmission::Break { at, length };
        let end = self.wire.say(Source::Master, sent);
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
            // It came while the operator was asked.
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
    fn talk(&mut self, command: &[u8], words: Vec<Word>, gap: Micros, close: Close) -> Answer {
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
            self.told(command, &answer);
        }
        self.wait(REST);
        answer
    }

    /// An outside device has said something for good.
    fn told(&mut self, command: &[u8], answer: &Answer) {
        let Subject::Outside(at_hand) = &mut self.subject else {
            return;
        };
        let movements = match answer {
            Answer::Ack => at_hand.told.acknowledged(command),
            Answer::Data(data) => at_hand.told.said(command, data),
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
                by = self.now + Micros::ms(5) + WORD_TIME + slack;
            }
            if !more || self.heard.last().is_some_and(|w| w.word.mode) {
                break;
            }
        }
        let words = std::mem::take(&mut self.heard);
        let Some(first) = words.first() else {
            self.until(by);
            return Answer::Silence;
        };
        self.answer_times.push(first.start.since(end));
        let ends = words.iter().map(|w| w.end);
        let gaps = ends
            .zip(words.iter().skip(1))
            .map(|(end, next)| next.start.since(end));
        self.gaps.extend(gaps);
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

    /// Words of the device that nobody asked for, since this was last called.
    pub fn take_unasked(&mut self) -> Vec<TimedWord> {
        std::mem::take(&mut self.heard)
    }

    /// Answer times so far.
    #[must_use]
    pub fn answer_times(&self) -> &[Micros] {
        &self.answer_times
    }

    /// Pauses inside answers so far.
    #[must_use]
    pub fn gaps(&self) -> &[Micros] {
        &self.gaps
    }

    // ---- the credit line ---------------------------------------------------------------------

    fn unit(&self) -> Result<&PulseUnit, Seen> {
        let unit = match &self.subject {
            Subject::Emulated(emulated) => emulated.unit(),
            Subject::Outside(_) => None,
        };
        unit.ok_or_else(|| Seen::skipped("the device has no credit line"))
    }

    fn unit_mut(&mut self) -> Option<&mut PulseUnit> {
        match &mut self.subject {
            Subject::Emulated(emulated) => emulated.unit_mut(),
            Subject::Outside(_) => None,
        }
    }

    /// The profile the acceptor was set to.
    ///
    /// # Errors
    /// A skipped check: the device has no credit line.
    pub fn profile(&self) -> Result<&Profile, Seen> {
        self.unit().map(PulseUnit::profile)
    }

    /// The bills or coins the acceptor was set to take.
    #[must_use]
    pub fn values(&self) -> Vec<Money> {
        self.unit().map_or(Vec::new(), |d| d.values().to_vec())
    }

    /// Pulses a value is said by.
    #[must_use]
    pub fn pulses_for(&self, value: Money) -> u64 {
        self.unit().map_or(0, |d| d.pulses_for(value))
    }

    /// True for a card reader that asks every card for the same price.
    #[must_use]
    pub fn has_fixed_price(&self) -> bool {
        self.unit().is_ok_and(PulseUnit::has_fixed_price)
    }

    /// The wires of the payout hopper.
    ///
    /// # Errors
    /// A skipped check: there is none.
    pub(super) fn hopper(&self) -> Result<HopperWires, Seen> {
        let hopper = self.unit()?.hopper().cloned();
        hopper.ok_or_else(|| Seen::skipped("there is no hopper below it"))
    }

    /// Runs the motor of the hopper, or stops it.
    pub fn motor(&mut self, on: bool) {
        let now = self.now;
        if let Some(unit) = self.unit_mut() {
            unit.motor(now, on);
        }
        self.collect();
    }

    /// Pulses of the exit sensor since this was last called: when each began, and its width.
    pub fn take_exit(&mut self) -> Vec<(Micros, Micros)> {
        self.unit_mut().map_or(Vec::new(), PulseUnit::take_exit)
    }

    /// Lines that rest at the wrong level: credit lines, or the exit sensor's.
    #[must_use]
    pub fn wrong_at_rest(&self, exit: bool) -> Vec<String> {
        self.unit().map_or(Vec::new(), |d| d.wrong_at_rest(exit))
    }

    /// Sets the inhibit line.
    pub fn inhibit(&mut self, on: bool) {
        let now = self.now;
        if let Some(unit) = self.unit_mut() {
            unit.inhibit(now, on);
        }
        self.collect();
    }

    /// True when a credit line has moved since [`take_trains`](Self::take_trains) was last called.
    #[must_use]
    pub fn has_edges(&self) -> bool {
        self.unit().is_ok_and(PulseUnit::has_edges)
    }

    /// Edges on credit lines since this was last called, read as trains by the profile.
    pub fn take_trains(&mut self) -> Vec<Train> {
        let now = self.now;
        let Some(unit) = self.unit_mut() else {
            return Vec::new();
        };
        let (trains, name) = (unit.take_trains(now), unit.profile().name.clone());
        self.trains.extend(trains.iter().map(|train| TrainRecord {
            line: train.line.clone(),
            start_us: train.start(),
            pulses: train.count() as u64,
            widths_us: train.widths(),
            gaps_us: train.gaps(),
            profile: name.clone(),
            text: None,
        }));
        trains
    }

    // ---- what is left for the report ---------------------------------------------------------

    /// Ends the bench: findings, intervals and trains for the report.
    #[must_use]
    pub fn finish(self) -> Remains {
        self.end().0
    }

    /// Ends the bench and gives the outside device back, where there is one.
    #[must_use]
    pub(super) fn end(mut self) -> (Remains, Option<Outside>) {
        let by = self.seen_by.get();
        self.undo();
        self.settle_out();
        // The check did not judge by it.
        self.seen_by.set(by);
        let last = self.analyst.finish(self.now);
        let notes = self.wire.take_notes();
        self.log(last);
        self.log(notes);
        self.disagreements();
        let failed = self.wire.failure().map(|error| {
            let text = format!("the link failed before the check was over: {error}");
            Seen::cannot_tell(text)
        });
        let live = self.is_outside();
        let (now, uncertainty) = (self.now, self.wire.uncertainty());
        let late_by = self.wire.late_by();
        let outside = match (self.subject, self.wire.into_linked()) {
            (Subject::Outside(at_hand), Some(linked)) => Some(Outside {
                linked,
                operator: at_hand.operator,
                told: at_hand.told,
            }),
            _ => None,
        };
        let remains = Remains {
            began: self.began,
            uncertainty,
            late_by,
            now,
            live,
            findings: self.findings,
            intervals: vec![
                Interval::at_most("answer time", Micros::ms(5), self.answer_times),
                Interval::at_most("pause between bytes", Micros::ms(1), self.gaps),
            ],
            trains: self.trains,
            books: self.books,
            entries: self.entries,
            seen_by: self.seen_by.get(),
            over: failed.or(self.over),
        };
        (remains, outside)
    }

    /// Where the operator and the device disagree about money.
    fn disagreements(&mut self) {
        if !self.is_outside() {
            return;
        }
        for d in self.books.discrepancies() {
            let (real, claimed) = (self.show(d.real), self.show(d.claimed));
            let text = format!(
                "by hand {real} went into the {} and stayed there, it reports {claimed}",
                d.device
            );
            let mut finding = Finding::advice("money", d.since, text);
            finding.severity = payrig_wire::Severity::Limit;
            finding.section = std::borrow::Cow::Borrowed("the ledger");
            self.log(vec![Entry::Finding(finding)]);
        }
    }
}
