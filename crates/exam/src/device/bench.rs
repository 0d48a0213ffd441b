//! The bench of a device examination: the tool is the board, one device is the subject.
//!
//! Checks see what passes on the wire, edges on the credit line, and where money physically is.
//! They never look into the device.

mod asking;
mod lines;
mod talking;

pub(super) use super::act::{Act, Answer, Close};
use super::outside_lines::OutsideLines;
use super::pulse_unit::{HopperWires, PulseUnit};
use super::reports::Reports;
use super::setup::{Kind, Setup};
use super::subject::Emulated;
use crate::Stop;
use crate::operator::{self, Deed, Operator, Question, Reply, SeenBy, Sight, Tally};
use crate::remains::Remains;
use crate::result::Interval;
use crate::seen::Seen;
use crate::skip::Skip;
use crate::wire::{Linked, Wire};
use payrig_mdb::bill::{self, EscrowStatus};
use payrig_mdb::cashless::Unit;
use payrig_mdb::{ACK, Block, NAK, Word};
use payrig_pulse::{Profile, Train};
use payrig_units::{Decimals, Micros, Money, Movement, Place};
use payrig_wire::analysis::{Analyst, Books};
use payrig_wire::recording::{Entry, LineRecord, LineRole, MovementRecord, TrainRecord};
use payrig_wire::{
    BusEvent, Finding, Origin, RuleName, Source, TimedWord, Transmission, WORD_TIME,
};
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
    told: Reports,
    /// Reports that came while the operator was asked.
    queued: VecDeque<Vec<u8>>,
    /// What is to be put right again before the next check.
    to_undo: Vec<Act>,
    /// Its pulse lines, where it has some.
    unit: Option<Box<PulseUnit>>,
}

/// An outside device and the bench it stands on, lent to one check after another.
#[derive(Debug)]
pub struct Outside {
    linked: Linked,
    operator: Box<dyn Operator>,
    told: Reports,
    lines: Option<OutsideLines>,
}

impl Outside {
    /// Says something to whoever is at it.
    pub(super) fn tell(&mut self, text: &str) {
        self.operator.tell(text);
    }

    /// A device of this kind at the other end of a port.
    #[must_use]
    pub fn new(kind: Kind, linked: Linked, operator: Box<dyn Operator>) -> Self {
        let told = Reports::new(kind);
        Self {
            linked,
            operator,
            told,
            lines: None,
        }
    }

    /// A device of this kind on pulse lines.
    #[must_use]
    pub fn on_lines(kind: Kind, lines: OutsideLines, operator: Box<dyn Operator>) -> Self {
        let linked = Linked::without_words(Box::new(lines.clone()));
        Self {
            lines: Some(lines),
            ..Self::new(kind, linked, operator)
        }
    }

    /// The same, and the examination ends when it is asked to.
    #[must_use]
    pub fn until(mut self, stop: &Stop) -> Self {
        self.linked = self.linked.until(stop);
        self
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
    reader: Unit,
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
            lines,
        } = outside;
        let unit = lines.and_then(|lines| PulseUnit::outside(setup, lines).ok());
        told.begin();
        let queued = VecDeque::new();
        let subject = Subject::Outside(Box::new(AtHand {
            operator,
            told,
            queued,
            to_undo: Vec::new(),
            unit: unit.map(Box::new),
        }));
        Self::set_up(setup, Wire::linked(linked), subject)
    }

    fn set_up(setup: &Setup, wire: Wire, subject: Subject) -> Self {
        let ours = matches!(subject, Subject::Outside(_)).then_some(Source::Master);
        let now = wire.now();
        let mut bench = Self {
            kind: setup.kind,
            reader: setup.cashless.unit,
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

    /// Which of the two card readers it is, where it is one.
    #[must_use]
    pub fn reader(&self) -> Unit {
        self.reader
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
        if let Subject::Outside(at_hand) = &mut self.subject
            && let Some(unit) = &mut at_hand.unit
        {
            unit.refresh();
            self.record_edges();
        }
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
        self.record_edges();
        self.book(movements);
    }

    fn record_edges(&mut self) {
        let Some(unit) = self.unit_mut() else {
            return;
        };
        let (name, uncertainty_us) = (unit.name().to_owned(), unit.uncertainty());
        let edges = unit.take_fresh().into_iter();
        self.entries.extend(edges.map(|(line, edge)| Entry::Edge {
            line: format!("{name} {line}"),
            at_us: edge.at,
            high: edge.high,
            uncertainty_us,
        }));
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
        let broken_off = self.wire.broken_off();
        let live = self.is_outside();
        let lines_off = self.unit().map_or(Micros::ZERO, PulseUnit::uncertainty);
        let uncertainty = self.wire.uncertainty().max(lines_off);
        let now = self.now;
        let late_by = self.wire.late_by();
        let lines = match &self.subject {
            Subject::Outside(at_hand) => at_hand.unit.as_ref().and_then(|u| u.lines()),
            Subject::Emulated(_) => None,
        };
        let outside = match (self.subject, self.wire.into_linked()) {
            (Subject::Outside(at_hand), Some(linked)) => Some(Outside {
                linked,
                operator: at_hand.operator,
                told: at_hand.told,
                lines,
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
            over: broken_off.or(self.over),
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
            let finding =
                Finding::limit(RuleName::Money, d.since, text).from_origin(Origin::Ledger);
            self.log(vec![Entry::Finding(finding)]);
        }
    }
}
