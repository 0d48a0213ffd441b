//! The bench of a device examination: the tool is the board, one device is the subject.
//!
//! Checks see what passes on the wire, edges on the credit line, and where money physically is.
//! They never look into the device.

mod asking;
mod lines;
mod talking;

pub(super) use super::action::{Answer, Close};
use super::action::{instruction, undone_by};
use super::examiner::Examiner;
use super::outside_lines::OutsideLines;
use super::presumptions::Leeway;
use super::pulse_unit::{self, HopperWires, PulseUnit};
use super::reports::Reports;
use super::setup::{Kind, Setup};
use super::subject::Emulated;
use crate::Stop;
use crate::evidence::{Evidence, slept_for};
use crate::link::{Driven, LINE_IN, LINE_OUT, Linked};
use crate::person::{self, Person, Plan, Progress, Question, Reply, SeenBy, Tally, ToDo};
use crate::recorder::Recorder;
use crate::result::Interval;
use crate::seen::{Seen, Timed};
use crate::skip::Skip;
use payrig_bench::action::{Action, BillAction, ChangerAction, Tender};
use payrig_bench::plan::{self, DeviceLink, DevicePlan, LineLink, Pin};
use payrig_bench::{BusId, Node, NodeId, Observation, Refusal};
use payrig_mdb::bill::{self, EscrowStatus};
use payrig_mdb::cashless::Unit;
use payrig_mdb::changer::CoinType;
use payrig_mdb::{ACK, Block, NAK, Word};
use payrig_peripherals::PortTiming;
use payrig_pulse::{Profile, Train};
use payrig_units::{Decimals, Micros, Money, Movement, Place};
use payrig_wire::analysis::Books;
use payrig_wire::recording::{Entry, LineRecord, LineRole, Ours, TrainRecord};
use payrig_wire::{Finding, Origin, RuleName, Source, TimedWord, Transmission, WORD_TIME};
use std::cell::Cell;
use std::collections::{BTreeSet, VecDeque};

/// From the end of data to the tool's ACK.
const TURNAROUND: Micros = Micros(600);

/// Between exchanges.
const REST: Micros = Micros::ms(3);

/// How long the tool waits for an answer (Appendix 3, section 2).
const PATIENCE: Micros = Micros::ms(20);

/// What an emulated device on the bus is called on the bench.
const SUBJECT: &str = "subject";

/// From one POLL to the next.
pub(super) const POLL_EVERY: Micros = Micros::ms(125);

/// What is examined.
#[derive(Debug)]
enum Subject {
    Emulated(NodeId),
    /// At the other end of a port.
    Outside(Box<AtHand>),
}

/// An outside device: who does and sees things at it, and what it reported.
#[derive(Debug)]
struct AtHand {
    person: Box<dyn Person>,
    reports: Reports,
    /// Reports that came while the person was asked.
    queued: VecDeque<Vec<u8>>,
    /// What is to be undone before the next check.
    to_undo: Vec<Action>,
}

/// An outside device and the bench it stands on, lent to one check after another.
#[derive(Debug)]
pub struct Outside {
    linked: Linked,
    person: Box<dyn Person>,
    reports: Reports,
    /// What the examination is expected to take.
    plan: Plan,
}

impl Outside {
    /// The same, and the person learns how far the examination is.
    #[must_use]
    pub fn expecting(mut self, plan: Plan) -> Self {
        self.plan = plan;
        self
    }

    pub(super) fn take_plan(&mut self) -> Plan {
        std::mem::take(&mut self.plan)
    }

    /// A check begins, whether or not it was expected.
    pub(super) fn check_begins(&mut self) {
        self.person.check_begins();
    }

    /// A check begins.
    pub(super) fn begins(&mut self, progress: &Progress) {
        self.person.begins(progress);
    }

    /// Says something to whoever is at it.
    pub(super) fn inform(&mut self, text: &str) {
        self.person.inform(text);
    }

    /// A device of this kind at the other end of a port.
    #[must_use]
    pub fn new(kind: Kind, linked: Linked, person: Box<dyn Person>) -> Self {
        let reports = Reports::new(kind);
        Self {
            linked,
            person,
            reports,
            plan: Plan::default(),
        }
    }

    /// A device of this kind on pulse lines.
    #[must_use]
    pub fn on_lines(kind: Kind, lines: OutsideLines, person: Box<dyn Person>) -> Self {
        let linked = Linked::without_words(Box::new(lines));
        Self::new(kind, linked, person)
    }

    /// The same, and the examination ends when it is asked to.
    #[must_use]
    pub fn until(mut self, stop: &Stop) -> Self {
        self.linked = self.linked.until(stop);
        self
    }

    /// The same, and what happens is recorded as it happens.
    #[must_use]
    pub fn recorded_by(mut self, recorder: Recorder) -> Self {
        self.linked = self.linked.recorded_by(recorder);
        self
    }

    /// What the tool speaks for over the link: the board, or the lines that it drives of a device on
    /// pulse lines.
    #[must_use]
    pub fn ours(setup: &Setup) -> Ours {
        if setup.address().is_some() {
            return Ours::default().bus(Source::Master);
        }
        let unit = PulseUnit::new(setup);
        let lines = unit.driven_lines().into_iter();
        lines.fold(Ours::default(), |ours, (line, ..)| {
            ours.line(&format!("{} {line}", unit.name()))
        })
    }

    pub(super) fn linked(&mut self) -> &mut Linked {
        &mut self.linked
    }

    /// Who it says it is.
    pub(super) fn identity(&self) -> crate::result::Subject {
        self.reports.identity()
    }
}

/// The bench.
#[derive(Debug)]
pub struct Bench {
    kind: Kind,
    /// The name its places have in the ledger.
    place: String,
    reader: Unit,
    began: Micros,
    run: Driven,
    /// The tool in the place of the board.
    examiner: NodeId,
    subject: Subject,
    /// Its pulse lines, where it has some.
    unit: Option<Box<PulseUnit>>,
    decimals: Decimals,
    heard: Vec<TimedWord>,
    answer_times: Vec<Timed>,
    gaps: Vec<Timed>,
    /// Stretches in which the tool did not look at its port.
    slept: Vec<(Micros, Micros)>,
    findings: Vec<Finding>,
    trains: Vec<TrainRecord>,
    currency_scale: i64,
    /// What of a good device's own ways the check has worked from.
    presumed: BTreeSet<Leeway>,
    seen_by: Cell<SeenBy>,
    /// How often in a row a switch was asked for that was not thrown.
    power_asked: u32,
    /// What was asked of a person, or would have been.
    questions: usize,
    entries: Vec<Entry>,
    /// The check is over, whatever it says: somebody or something is missing.
    over: Option<Seen>,
}

impl Bench {
    /// Sets an emulated device up. `None` when it contradicts itself.
    #[must_use]
    pub fn new(setup: &Setup) -> Option<Self> {
        let emulated = Emulated::new(setup)?;
        let mut run = Driven::simulated(setup.decimals);
        let (unit, on) = match setup.address() {
            Some(_) => (None, Some((BusId::BOARD, Source::Peripheral))),
            None => (Some(PulseUnit::new(setup)), None),
        };
        let name = unit.as_ref().map_or(SUBJECT, PulseUnit::name);
        let emulated = run.bench.add_node(name, Box::new(emulated), on);
        Some(Self::set_up(setup, run, Subject::Emulated(emulated), unit))
    }

    /// A bench with an outside device.
    #[must_use]
    pub fn outside(setup: &Setup, outside: Outside) -> Self {
        let Outside {
            linked,
            person,
            mut reports,
            ..
        } = outside;
        reports.begin();
        let queued = VecDeque::new();
        let subject = Subject::Outside(Box::new(AtHand {
            person,
            reports,
            queued,
            to_undo: Vec::new(),
        }));
        let mut run = Driven::linked(linked, setup.decimals);
        let unit = run.device_line().map(|_| PulseUnit::outside(setup));
        if let (Some(unit), Some(port)) = (&unit, run.port()) {
            let port = port.cable().name();
            run.bench.connect_lines(&device_on(port, setup, unit));
        }
        Self::set_up(setup, run, subject, unit)
    }

    fn set_up(setup: &Setup, mut run: Driven, subject: Subject, unit: Option<PulseUnit>) -> Self {
        let examiner = run.bench.add_board(Box::new(Examiner::default()));
        let place = match (&subject, setup.kind) {
            (Subject::Outside(at_hand), _) => at_hand.reports.name(),
            (_, Kind::Changer) => setup.changer.name.clone(),
            (_, Kind::BillValidator | Kind::BillRecycler) => setup.bill.name.clone(),
            (_, kind) => kind.to_string(),
        };
        let mut bench = Self {
            kind: setup.kind,
            place,
            reader: setup.cashless.unit,
            began: run.now(),
            run,
            examiner,
            subject,
            unit: unit.map(Box::new),
            decimals: setup.decimals,
            heard: Vec::new(),
            answer_times: Vec::new(),
            gaps: Vec::new(),
            slept: Vec::new(),
            findings: Vec::new(),
            trains: Vec::new(),
            currency_scale: 1,
            presumed: BTreeSet::new(),
            seen_by: Cell::default(),
            power_asked: 0,
            questions: 0,
            entries: Vec::new(),
            over: None,
        };
        bench.begin_lines();
        bench.gather();
        bench
    }

    /// What is examined.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// The name of its places in the ledger.
    #[must_use]
    pub fn place(&self) -> String {
        self.place.clone()
    }

    /// Which of the two card readers it is, where it is one.
    #[must_use]
    pub fn reader(&self) -> Unit {
        self.reader
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Micros {
        self.run.now()
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
        self.run.bench.books()
    }

    /// What all places that `which` accepts hold together. An emulated device is looked into; at an
    /// outside one the person counts what came out, and the rest is what it reported.
    #[must_use]
    pub fn sum(&mut self, which: impl Fn(&Place) -> bool) -> Money {
        if self.is_outside() {
            self.settle_out();
        } else {
            self.note_seen(SeenBy::Emulation);
        }
        self.books().ledger().held(which)
    }

    /// Minor units per count, once SETUP reported it.
    #[must_use]
    pub fn scale(&self) -> i64 {
        self.currency_scale
    }

    /// Remembers the scaling factor.
    pub fn set_scale(&mut self, factor: i64) {
        self.currency_scale = factor.max(1);
    }

    /// The check goes by one of the ways in which good devices differ.
    pub fn works_from(&mut self, leeway: Leeway) {
        self.presumed.insert(leeway);
    }

    /// All that it went by.
    #[must_use]
    pub fn presumed(&self) -> &BTreeSet<Leeway> {
        &self.presumed
    }

    /// How far the times of what is heard may be off.
    #[must_use]
    pub fn uncertainty(&self) -> Micros {
        self.run.uncertainty()
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

    /// Lets time pass to the next thing that happens, until `to` at most. False when nothing did.
    fn step(&mut self, to: Micros) -> bool {
        let more = self.run.step(to);
        self.gather();
        more
    }

    /// Lets time pass until `to`.
    pub fn until(&mut self, to: Micros) {
        self.run.until(to);
        self.gather();
    }

    /// Lets time pass.
    pub fn wait(&mut self, time: Micros) {
        self.until(self.now() + time);
    }

    /// Takes what has become known on the bench.
    fn gather(&mut self) {
        let Self { run, .. } = self;
        let mut edges = Vec::new();
        run.bench
            .at_node(self.examiner, |examiner: &mut Examiner, _| {
                self.heard.append(&mut examiner.heard);
                edges.append(&mut examiner.edges);
            });
        if let Some(unit) = &mut self.unit {
            for (line, edge, uncertainty) in edges {
                unit.edge(line, edge, uncertainty);
            }
        }
        let entries: Vec<Entry> = run.bench.take_entries().collect();
        for entry in entries {
            match &entry {
                Entry::Finding(finding) => self.findings.push(finding.clone()),
                Entry::Slept { from_us, to_us } => self.slept.push((*from_us, *to_us)),
                _ => {}
            }
            run.record(&entry);
            self.entries.push(entry);
        }
    }

    /// It is recorded: at once, where that is wanted.
    fn keep(&mut self, entry: Entry) {
        self.run.record(&entry);
        self.entries.push(entry);
    }

    /// Records something that does not happen on the bench itself.
    fn record(&mut self, entry: Entry) {
        self.gather();
        self.keep(entry);
    }

    /// Money has moved by what was reported, or by what a person says.
    fn book(&mut self, movements: Vec<Movement>) {
        let book = |examiner: &mut Examiner, _| examiner.moved.extend(movements);
        self.run.bench.at_node(self.examiner, book);
        self.gather();
    }

    // ---- what is left for the report ---------------------------------------------------------

    /// Ends the bench: findings, intervals and trains for the report.
    #[must_use]
    pub fn finish(self) -> Evidence {
        self.end().0
    }

    /// Ends the bench and gives the outside device back, where there is one.
    #[must_use]
    pub(super) fn end(mut self) -> (Evidence, Option<Outside>) {
        let by = self.seen_by.get();
        self.undo();
        self.settle_out();
        // The check did not judge by it.
        self.seen_by.set(by);
        self.run.bench.close();
        self.gather();
        self.disagreements();
        let broken_off = self.run.broken_off();
        let entries = self.run.left_to_record(std::mem::take(&mut self.entries));
        let live = self.is_outside();
        let lines_off = self.unit().map_or(Micros::ZERO, PulseUnit::uncertainty);
        let uncertainty = self.run.uncertainty().max(lines_off);
        let (now, late_by) = (self.now(), self.run.late_by());
        let (bench, linked) = self.run.apart();
        let outside = match (self.subject, linked) {
            (Subject::Outside(at_hand), Some(linked)) => Some(Outside {
                linked,
                person: at_hand.person,
                reports: at_hand.reports,
                plan: Plan::default(),
            }),
            _ => None,
        };
        let evidence = Evidence {
            began: self.began,
            uncertainty,
            late_by,
            slept: slept_for(&self.slept),
            now,
            live,
            findings: self.findings,
            intervals: vec![
                Interval::at_most(
                    "answer time",
                    Micros::ms(5),
                    Timed::times(&self.answer_times),
                ),
                Interval::at_most(
                    "pause between bytes",
                    Micros::ms(1),
                    Timed::times(&self.gaps),
                ),
            ],
            trains: self.trains,
            books: bench.books().clone(),
            entries,
            seen_by: self.seen_by.get(),
            questions: self.questions,
            over: broken_off.or(self.over),
        };
        (evidence, outside)
    }

    /// Where the person and the device disagree about money.
    fn disagreements(&mut self) {
        if !self.is_outside() {
            return;
        }
        for d in self.books().discrepancies() {
            let (real, claimed) = (self.show(d.real), self.show(d.claimed));
            let text = format!(
                "by hand {real} went into the {} and stayed there, it reports {claimed}",
                d.device
            );
            let finding =
                Finding::limit(RuleName::Money, d.since, text).from_origin(Origin::Ledger);
            self.findings.push(finding.clone());
            self.keep(Entry::Finding(finding));
        }
    }
}

/// A real device of a setup, with its lines on a port.
fn device_on(port: String, setup: &Setup, unit: &PulseUnit) -> DevicePlan {
    let inhibit = unit.profile().inhibit.line.clone();
    let wires = vec![
        (unit.credit_line().to_owned(), Pin::In(LINE_IN)),
        (inhibit, Pin::Out(LINE_OUT)),
    ];
    DevicePlan {
        settings: Default::default(),
        name: unit.name().to_owned(),
        kind: plan::Kind::Pulse(Box::new(pulse_unit::plan(setup))),
        timing: PortTiming::default(),
        behind: None,
        link: Some(DeviceLink::Lines(LineLink {
            port,
            device_outside: true,
            asserted_is_high: true,
            wires,
            reconnect: None,
        })),
    }
}
