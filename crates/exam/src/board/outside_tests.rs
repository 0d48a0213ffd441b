//! The examination of a board at the other end of a port, in simulated time: the port, the board and
//! the person at it are played here.

use super::bad_habit::{BadHabits, Board};
use super::*;
use crate::link::stops::{Stoppable, Stops};
use crate::link::{Cable, Linked};
use crate::person::{Person, Question, Reply, SeenBy, ToDo, Unattended};
use crate::result::{CheckResult, Examination, Outcome};
use crate::skip::Skip;
use crate::stop::Stop;
use payrig_bench::action::{Action, MachineAction};
use payrig_bench::{Observation, VirtualBus};
use payrig_controller::{BoardConfig, Controller};
use payrig_link::{Lateness, LinkError, PortEvent};
use payrig_units::Micros;
use payrig_wire::{BusEvent, Edge, RuleName, Source, Transmission, recording};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::rc::Rc;

#[derive(Debug)]
struct World {
    now: Micros,
    bus: VirtualBus,
    config: BoardConfig,
    bad: BadHabits,
    /// The acceptor on its pulse lines.
    acceptor: String,
    board: Board,
    delivered: Vec<u16>,
    /// How it is set up beyond the ordinary, and how often that was changed.
    options: BoardOptions,
    settings: u32,
    /// How often a price was changed.
    prices_set: u32,
    /// Selections whose motor is blocked.
    blocked: BTreeSet<u16>,
    shown: Vec<String>,
    /// Edges of the credit line that are still to be made.
    planned: BTreeMap<Micros, bool>,
    credit: bool,
    inhibit: bool,
    /// What happened on the lines.
    line_events: VecDeque<LineEvent>,
    /// Edges of the credit line are made this much too late.
    lines_late: Micros,
    /// The tool is woken this much later than it wanted.
    oversleeps: Micros,
    /// The examination is ended in the middle of a pulse.
    stops_in_pulse: bool,
    /// What was recorded.
    entries: Vec<recording::Entry>,
    /// After this the adapter is unplugged.
    ends: Micros,
    /// The tool is stopped now and then.
    stops: Stops,
    /// One of so many answers of the tool is so late.
    late: Option<(u32, Micros)>,
    answers: u32,
    /// How late the words are that are on their way to the board.
    lateness: VecDeque<Micros>,
}

impl World {
    fn new(setup: &BoardSetup) -> Rc<RefCell<Self>> {
        let controller = Controller::new(setup.board.clone(), Micros::ZERO);
        let mut world = Self {
            now: Micros::ZERO,
            bus: VirtualBus::new(1, Micros(60)),
            config: setup.board.clone(),
            bad: setup.bad.clone(),
            acceptor: setup.pulse.name.clone(),
            board: Board::new(controller, setup.bad.clone()).with_acceptor(&setup.pulse.name),
            delivered: Vec::new(),
            options: BoardOptions::default(),
            settings: 0,
            prices_set: 0,
            blocked: BTreeSet::new(),
            shown: Vec::new(),
            planned: BTreeMap::new(),
            credit: true,
            inhibit: true,
            line_events: VecDeque::new(),
            lines_late: Micros::ZERO,
            oversleeps: Micros::ZERO,
            stops_in_pulse: false,
            entries: Vec::new(),
            ends: Micros::NEVER,
            stops: Stops::default(),
            late: None,
            answers: 0,
            lateness: VecDeque::new(),
        };
        world.collect();
        Rc::new(RefCell::new(world))
    }

    fn collect(&mut self) {
        while let Some(sent) = self.board.take_transmission() {
            self.bus.transmit(Source::Master, sent, true);
        }
        for (_, edge) in self.board.take_pulse_edges(self.now) {
            self.inhibit = edge.high;
            let uncertainty = Micros::ZERO;
            self.line_events
                .push_back(LineEvent::Inhibit { edge, uncertainty });
        }
        self.shown.extend(self.board.take_shown());
        let person = self.board.person();
        self.delivered.extend(person.take_delivered());
        person.take_movements();
    }

    fn block(&mut self, item: u16) {
        self.board.person().free(item);
        self.board.block_motor(item);
        self.blocked.insert(item);
    }

    /// The machine is switched off, its settings are changed, and it is switched on.
    fn set_up(&mut self, options: BoardOptions) {
        let mut config = self.config.clone();
        options.apply(&mut config);
        self.options = options;
        self.settings += 1;
        let controller = Controller::new(config, self.now);
        self.board = Board::new(controller, self.bad.clone()).with_acceptor(&self.acceptor);
        self.collect();
    }

    /// Makes edges of the credit line that are due.
    fn make_edges(&mut self) {
        while let Some(planned) = self.planned.first_entry()
            && *planned.key() <= self.now
        {
            let (at, high) = planned.remove_entry();
            let (edge, late) = (Edge { at, high }, self.lines_late);
            if high != self.credit {
                self.credit = high;
                self.board.pulse_edge(&self.acceptor, "credit", edge);
            }
            self.line_events.push_back(LineEvent::Driven { edge, late });
            self.collect();
        }
    }

    /// The tool answers, now and then late.
    fn answer(&mut self, mut sent: Transmission) {
        if let Transmission::Words { at, words, .. } = &mut sent {
            self.answers += 1;
            let late = self.late.filter(|(of, _)| self.answers.is_multiple_of(*of));
            let late = late.map_or(Micros::ZERO, |(_, by)| by);
            *at += late;
            self.lateness.extend(words.iter().map(|_| late));
        }
        self.bus.transmit(Source::Peripheral, sent, true);
    }

    fn go_on(&mut self, until: Micros) -> Option<PortEvent> {
        loop {
            self.make_edges();
            if let Some(heard) = self.bus.pop(self.now) {
                let event = heard.event;
                if let BusEvent::Word(word) = event
                    && word.source == Source::Peripheral
                {
                    self.board.heard(word);
                    self.collect();
                    let late = Lateness {
                        machine: self.lateness.pop_front().unwrap_or_default(),
                        ..Lateness::default()
                    };
                    return Some(PortEvent::Sent { event, late });
                }
                return Some(PortEvent::Heard(event));
            }
            let next = self.bus.next().min(self.board.next_deadline());
            let edge = self.planned.keys().next().copied();
            let next = next.min(edge.unwrap_or(Micros::NEVER));
            if next > until {
                self.now = self.now.max(until);
                return None;
            }
            self.now = self.now.max(next);
            if self.board.next_deadline() <= self.now {
                self.board.wake(self.now);
            }
            self.collect();
        }
    }
}

impl Stoppable for World {
    fn clock(&mut self) -> &mut Micros {
        &mut self.now
    }

    fn stops(&mut self) -> &mut Stops {
        &mut self.stops
    }

    fn step(&mut self, until: Micros) -> Option<PortEvent> {
        self.go_on(until)
    }
}

#[derive(Debug)]
struct Wires(Rc<RefCell<World>>);

impl Cable for Wires {
    fn name(&self) -> String {
        "fake".to_owned()
    }

    fn now(&self) -> Micros {
        self.0.borrow().now
    }

    fn send(&mut self, sent: Transmission) {
        self.0.borrow_mut().answer(sent);
    }

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let mut world = self.0.borrow_mut();
        if world.now >= world.ends {
            let port = "fake".to_owned();
            return Err(LinkError::Vanished { port });
        }
        let until = until + world.oversleeps;
        Ok(Stoppable::wait(&mut *world, until))
    }
}

/// The pulse lines beside the bus.
#[derive(Debug)]
struct Lines {
    world: Rc<RefCell<World>>,
    with_inhibit: bool,
    /// Asked for when a pulse begins.
    stop: Stop,
    /// The level of the inhibit line before what was not taken yet.
    level: bool,
}

impl AcceptorLines for Lines {
    fn name(&self) -> String {
        "fake lines".to_owned()
    }

    fn drive(&mut self, edge: Edge) {
        let mut world = self.world.borrow_mut();
        if !edge.high && world.stops_in_pulse {
            self.stop.ask();
        }
        let at = edge.at.max(world.now) + world.lines_late;
        world.planned.insert(at, edge.high);
    }

    fn take(&mut self) -> Result<Option<LineEvent>, LinkError> {
        let event = self.world.borrow_mut().line_events.pop_front();
        if let Some(LineEvent::Inhibit { edge, .. }) = &event {
            self.level = edge.high;
        }
        Ok(event)
    }

    fn inhibit(&self) -> Option<bool> {
        self.with_inhibit.then_some(self.level)
    }
}

/// A person at the machine.
#[derive(Debug)]
struct Somebody {
    world: Rc<RefCell<World>>,
    asked: Option<(Question, Option<Micros>)>,
    takes: Micros,
}

impl Person for Somebody {
    fn ask(&mut self, question: &Question) {
        self.asked = Some((question.clone(), None));
    }

    fn answer(&mut self, now: Micros) -> Option<Reply> {
        let (question, since) = self.asked.as_mut()?;
        let since = *since.get_or_insert(now);
        if now < since + self.takes {
            return None;
        }
        let mut world = self.world.borrow_mut();
        let now = world.now;
        let reply = match question {
            Question::Do { what, .. } => {
                match what {
                    ToDo::Act(Action::Select { item }) => {
                        // What fell before does not count.
                        world.delivered.clear();
                        // What is blocked stays so until somebody is asked to free it.
                        if world.blocked.contains(item) {
                            world.block(*item);
                        }
                        world.board.person().select(now, *item);
                    }
                    ToDo::Act(Action::JamItem { item }) => world.block(*item),
                    ToDo::Act(Action::FreeItem { item }) => {
                        world.blocked.remove(item);
                        world.board.person().free(*item);
                    }
                    ToDo::Act(Action::Power { device: None, on }) => world.board.power(now, *on),
                    ToDo::Act(Action::AtMachine(MachineAction::SetPrice(item, price))) => {
                        world.board.person().set_price(now, *item, *price);
                        world.prices_set += 1;
                    }
                    ToDo::Act(Action::AtMachine(MachineAction::SetCardPrice(item, price))) => {
                        world.board.person().set_card_price(now, *item, *price);
                        world.prices_set += 1;
                    }
                    ToDo::SetUp(options) => world.set_up(*options),
                    ToDo::Act(_) | ToDo::InARow(..) | ToDo::Prepare | ToDo::SlowReader(_) => {}
                }
                world.collect();
                Reply::Done
            }
            Question::Look { what, .. } => Reply::Saw(match what {
                Observation::ExactChange => world.board.exact_change(),
                Observation::Fell(item) => {
                    let at = world.delivered.iter().position(|d| d == item);
                    at.map(|at| world.delivered.remove(at)).is_some()
                }
                Observation::Seen(text) => world
                    .shown
                    .iter()
                    .any(|shown| shown.contains(text.as_str())),
                _ => false,
            }),
            Question::Count { .. } => Reply::Default,
        };
        self.asked = None;
        Some(reply)
    }
}

/// With a person who is quick enough to press within a session.
fn attended(setup: &BoardSetup, only: Option<&str>) -> (Examination, Option<LinkError>) {
    attended_by(Micros::ms(200), setup, only)
}

fn attended_by(
    takes: Micros,
    setup: &BoardSetup,
    only: Option<&str>,
) -> (Examination, Option<LinkError>) {
    examined(World::new(setup), takes, only, Some(true))
}

/// A board examined by a person; `lines` says whether its pulse lines are connected, and whether the
/// inhibit line is one of them.
fn examined(
    world: Rc<RefCell<World>>,
    takes: Micros,
    only: Option<&str>,
    lines: Option<bool>,
) -> (Examination, Option<LinkError>) {
    // What the board is like is its own matter: the examination knows a good one.
    examined_as(&BoardSetup::good().unwrap(), world, takes, only, lines)
}

/// Likewise, as the board of a machine like this.
fn examined_as(
    good: &BoardSetup,
    world: Rc<RefCell<World>>,
    takes: Micros,
    only: Option<&str>,
    lines: Option<bool>,
) -> (Examination, Option<LinkError>) {
    let cable = Box::new(Wires(Rc::clone(&world)));
    let stop = Stop::default();
    let linked = Linked::new(cable, Source::Peripheral, Micros(50)).until(&stop);
    let person = Somebody {
        world: Rc::clone(&world),
        asked: None,
        takes,
    };
    let mut outside = BoardOutside::new(linked, Box::new(person));
    if let Some(with_inhibit) = lines {
        let level = true;
        let lines = Lines {
            world: Rc::clone(&world),
            with_inhibit,
            stop,
            level,
        };
        outside = outside.with_lines(Box::new(lines), good);
    }
    examine_outside(good, outside, only, |_, entries| {
        world.borrow_mut().entries.extend_from_slice(entries)
    })
}

/// All checks in an order that is as good as any, the same for the same seed.
fn shuffled(seed: u64) -> Vec<&'static BoardCheck> {
    let mut order: Vec<&BoardCheck> = checks().collect();
    let mut state = seed;
    for left in (1..order.len()).rev() {
        // Constants of a well-known linear congruential generator (from memory).
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        order.swap(left, (state >> 33) as usize % (left + 1));
    }
    order
}

/// These checks, in this order, on a board of which the examination knows nothing.
fn in_order(
    world: &Rc<RefCell<World>>,
    person: Box<dyn Person>,
    order: impl IntoIterator<Item = &'static BoardCheck>,
) -> Examination {
    let cable = Box::new(Wires(Rc::clone(world)));
    let linked = Linked::new(cable, Source::Peripheral, Micros::ZERO);
    let good = BoardSetup::good().unwrap();
    let outside = BoardOutside::new(linked, person);
    let order = order.into_iter();
    runner::examine_in_order(&good, outside, order, None, |_, _| {}).0
}

/// What a board that is good must not get, in words.
fn accused(examination: &Examination) -> Vec<String> {
    let fine = |c: &&CheckResult| match &c.skip {
        Some(Skip::NotOffered(_)) => true,
        // No pulse line is connected.
        Some(Skip::EmulatedOnly(_)) => c.seen.contains("line") || is_for_emulated(c),
        _ => c.outcome == Outcome::Pass,
    };
    let not = examination.checks.iter().filter(|c| !fine(c));
    not.map(|c| format!("{}: {:?} {}", c.id, c.outcome, c.seen))
        .collect()
}

fn somebody(world: &Rc<RefCell<World>>) -> Somebody {
    Somebody {
        world: Rc::clone(world),
        asked: None,
        takes: Micros::ms(200),
    }
}

/// A motor that was blocked stays so until somebody is asked to free it; credit, sessions and settings
/// stay, too. What one check did reaches no other, whatever the order.
#[test]
fn verdicts_are_the_same_in_any_order() {
    let world = World::new(&BoardSetup::good().unwrap());
    let person = Box::new(somebody(&world));
    let examination = in_order(&world, person, shuffled(1));
    assert_eq!(accused(&examination), Vec::<String>::new());
    assert_eq!(examination.checks.len(), checks().count());
    let world = world.borrow();
    assert_eq!(world.blocked, BTreeSet::new());
    assert_eq!(world.options, BoardOptions::default());
}

/// That it keeps credit and delivers slowly is found out, or waited for.
#[test]
fn a_board_of_unknown_habits_is_accused_of_nothing() {
    let mut setup = BoardSetup::good().unwrap();
    setup.board.keep_credit = true;
    setup.board.motor_time = Micros::secs(12);
    setup.board.bills.no_escrow = true;
    setup.board.cashless_level = 2;
    let world = World::new(&setup);
    let person = Box::new(somebody(&world));
    let examination = in_order(&world, person, shuffled(2));
    assert_eq!(accused(&examination), Vec::<String>::new());
    let not_offered = |c: &&CheckResult| matches!(c.skip, Some(Skip::NotOffered(_)));
    let not_offered = examination.checks.iter().filter(not_offered);
    let mut not_offered: Vec<&str> = not_offered.map(|c| c.id.as_str()).collect();
    not_offered.sort_unstable();
    let wanted = [
        "always-idle-sale",
        "cut-with-bill-in-escrow",
        "escrow-decided",
        "escrow-not-credited",
        "expanded-currency",
        "money-of-32-bits",
        "reset-in-escrow",
    ];
    assert_eq!(not_offered, wanted);
}

/// A person who cannot free a motor.
#[derive(Debug)]
struct Unable(Somebody);

impl Person for Unable {
    fn ask(&mut self, question: &Question) {
        self.0.ask(question);
    }

    fn answer(&mut self, now: Micros) -> Option<Reply> {
        let free = |what: &ToDo| matches!(what, ToDo::Act(Action::FreeItem { .. }));
        match &self.0.asked {
            Some((Question::Do { what, .. }, _)) if free(what) => {
                self.0.asked = None;
                Some(Reply::CannotDo)
            }
            _ => self.0.answer(now),
        }
    }
}

#[test]
fn a_check_that_has_no_ground_to_start_from_says_so() {
    let world = World::new(&BoardSetup::good().unwrap());
    let named = |id: &str| checks().find(|check| check.id == id).unwrap();
    let order = ["vend-failure-said", "vend-success-said"].map(named);
    let person = Box::new(Unable(somebody(&world)));
    let examination = in_order(&world, person, order);
    assert_eq!(examination.checks[0].outcome, Outcome::Pass);
    let why = Skip::NotUndone("the motor of selection 11 is blocked".to_owned());
    assert_eq!(examination.checks[1].skip, Some(why));
    assert_eq!(examination.grade, crate::result::Grade::FitWithRemarks);
}

#[test]
fn settings_are_as_they_were_when_the_examination_is_over() {
    let world = World::new(&BoardSetup::good().unwrap());
    let (examination, _) = examined(Rc::clone(&world), Micros::ms(200), Some("multi-vend"), None);
    assert_eq!(examination.checks[0].outcome, Outcome::Pass);
    assert_eq!(world.borrow().settings, 2, "there and back");
    assert_eq!(world.borrow().options, BoardOptions::default());
}

/// A tool that is stopped in mid-check accuses no good board, whatever piled up meanwhile: a board that
/// hears nothing for 3 s resets what does not answer.
#[test]
fn a_tool_that_is_stopped_accuses_no_board() {
    let mut stopped = 0;
    for only in STOPPED_IN {
        for (every, length) in [(2_300, 300), (5_900, 1_000), (9_700, 3_000)] {
            let world = World::new(&BoardSetup::good().unwrap());
            world.borrow_mut().stops = Stops::new(Micros::ms(every), Micros::ms(length));
            let (examination, _) =
                examined(Rc::clone(&world), Micros::ms(400), Some(only), Some(true));
            let check = examination.checks.first().unwrap();
            let text = format!("{only}, {length} ms: {:?} {}", check.outcome, check.seen);
            assert_ne!(check.outcome, Outcome::Fail, "{text}");
            let world = world.borrow();
            let slept = |e: &&recording::Entry| matches!(e, recording::Entry::Slept { .. });
            let slept = world.entries.iter().filter(slept).count();
            assert_eq!(slept > 0, world.stops.count > 0, "{text}");
            stopped += world.stops.count;
            let limit = |f: &&payrig_wire::Finding| f.severity == payrig_wire::Severity::Limit;
            let found: Vec<_> = examination.findings.iter().filter(limit).collect();
            assert!(found.is_empty(), "{text}: {found:?}");
            // What was measured is measured in stretches in which the tool looked.
            let late = |i: &&crate::result::Interval| {
                i.what != "polling interval of the changer"
                    && i.values_us.iter().any(|value| i.is_outside(*value))
            };
            let late: Vec<_> = examination.intervals.iter().filter(late).collect();
            assert!(late.is_empty(), "{text}: {late:?}");
        }
    }
    assert!(stopped > 60, "{stopped}");
}

/// The tool is held up while it examines a board: in each way, by the check of this name.
fn held_up(setup: &BoardSetup, only: &str, mut judge: impl FnMut(&CheckResult, &str)) {
    let ms = Micros::ms;
    let stopped = |at, every, length| (Some((ms(at), ms(every), ms(length))), None);
    let late = |of, by| (None, Some((of, ms(by))));
    let mut held_up = 0;
    for (stops, late) in [
        // Once, early or late; for long; now and then.
        stopped(700, 9_000_000, 100),
        stopped(11_000, 9_000_000, 300),
        stopped(12_000, 9_000_000, 3_000),
        stopped(5_900, 5_900, 100),
        late(40, 8),
        late(90, 30),
    ] {
        let world = World::new(setup);
        if let Some((at, every, length)) = stops {
            world.borrow_mut().stops = Stops::from(at, every, length);
        }
        world.borrow_mut().late = late;
        let (examination, _) = examined(Rc::clone(&world), ms(400), Some(only), Some(true));
        let own = |entry: &recording::Entry| {
            matches!(entry, recording::Entry::Finding(f)
                if matches!(f.rule, RuleName::OwnLate | RuleName::Slept))
        };
        let how = format!("{only}, stopped {stops:?}, late {late:?}");
        // Not every check takes so long.
        held_up += usize::from(world.borrow().entries.iter().any(own));
        let check = examination.checks.first().unwrap();
        judge(check, &format!("{how}: {:?} {}", check.outcome, check.seen));
    }
    assert!(held_up > 0, "{only}");
}

/// A board that breaks a limit again and again is not saved by a tool that is held up now and then.
#[test]
fn a_board_that_is_always_too_fast_or_too_slow_fails_however_the_tool_is_held_up() {
    let good = BoardSetup::good().unwrap();
    let board = |change: fn(&mut BoardSetup)| {
        let mut setup = good.clone();
        change(&mut setup);
        setup
    };
    let bad: [(&str, BoardSetup); 3] = [
        (
            "polls-not-too-often",
            board(|s| s.board.poll_every = Micros::ms(15)),
        ),
        (
            "polls-often-enough",
            board(|s| s.board.poll_every = Micros::ms(400)),
        ),
        (
            "command-byte-gaps",
            board(|s| s.board.timing.gap = Micros(1_500)),
        ),
    ];
    for (only, setup) in bad {
        held_up(&setup, only, |check, text| {
            assert_eq!(check.outcome, Outcome::Fail, "{text}");
        });
    }
}

/// A good one is not accused, were the tool late with every answer that it gives: it repeats what was not
/// answered at once.
#[test]
fn a_good_board_fails_no_check_of_times_however_the_tool_is_held_up() {
    let good = BoardSetup::good().unwrap();
    let mut eager = good.clone();
    eager.board.poll_every = Micros::ms(30);
    for only in [
        "polls-not-too-often",
        "polls-often-enough",
        "acknowledges-in-time",
        "command-byte-gaps",
    ] {
        for setup in [&good, &eager] {
            held_up(setup, only, |check, text| {
                assert_ne!(check.outcome, Outcome::Fail, "{text}");
            });
            for late in [(1, 8), (2, 22), (3, 60)].map(|(of, by)| (of, Micros::ms(by))) {
                let world = World::new(setup);
                world.borrow_mut().late = Some(late);
                let (examination, _) =
                    examined(Rc::clone(&world), Micros::ms(400), Some(only), Some(true));
                let check = examination.checks.first().unwrap();
                let text = format!("{only}, {late:?}: {:?} {}", check.outcome, check.seen);
                assert_ne!(check.outcome, Outcome::Fail, "{text}");
            }
        }
    }
}

/// Ends the examination, or says that it cannot be done here, at the first thing that is to be done at the
/// machine.
#[derive(Debug)]
struct Quits {
    reply: Reply,
    /// What was asked for beyond the preparation.
    asked: Rc<RefCell<Vec<String>>>,
    prepared: bool,
}

impl Person for Quits {
    fn ask(&mut self, question: &Question) {
        self.prepared = matches!(
            question,
            Question::Do {
                what: ToDo::Prepare,
                ..
            }
        );
        if !self.prepared {
            self.asked.borrow_mut().push(question.text().to_owned());
        }
    }

    fn answer(&mut self, _: Micros) -> Option<Reply> {
        Some(match self.prepared {
            true => Reply::Done,
            false => self.reply,
        })
    }
}

/// A check that a person ends is not begun again because the tool was held up before: who typed q would be
/// asked the same once more, and who answers no more would be waited for.
#[test]
fn a_tool_that_is_stopped_does_not_ask_again_who_ended_the_examination() {
    for only in ["price-asked", "change-right", "vend-success-said"] {
        for reply in [Reply::Stop, Reply::CannotDo] {
            let world = World::new(&BoardSetup::good().unwrap());
            world.borrow_mut().stops = Stops::new(Micros::ms(1_100), Micros::ms(300));
            let cable = Box::new(Wires(Rc::clone(&world)));
            let linked = Linked::new(cable, Source::Peripheral, Micros(50));
            let asked = Rc::<RefCell<Vec<String>>>::default();
            let person = Quits {
                reply,
                asked: Rc::clone(&asked),
                prepared: false,
            };
            let outside = BoardOutside::new(linked, Box::new(person));
            let good = BoardSetup::good().unwrap();
            let (examination, failure) = examine_outside(&good, outside, Some(only), |_, _| {});
            assert!(failure.is_none(), "{failure:?}");
            assert!(world.borrow().stops.count > 1);
            let asked = asked.borrow();
            assert_eq!(asked.len(), 1, "{only} {reply:?}: {asked:?}");
            let check = &examination.checks[0];
            assert_eq!(check.outcome, Outcome::Skipped, "{only}: {}", check.seen);
            assert_eq!(examination.was_stopped(), reply == Reply::Stop, "{only}");
        }
    }
}

/// Checks of times, of the start, of money.
const STOPPED_IN: [&str; 8] = [
    "command-byte-gaps",
    "acknowledges-in-time",
    "polls-often-enough",
    "polls-not-too-often",
    "command-checksums",
    "address-mode-bit",
    "coin-to-tube-credited",
    "change-right",
];

/// What nobody can do at a board outside, and what needs another price for cards than the built-in
/// machine has.
const EMULATED: [&str; 5] = [
    "cash-pays-cash-price",
    "card-pays-card-price",
    "cash-price-shown",
    "cut-within-pulse",
    "cut-between-pulses",
];

fn is_for_emulated(check: &CheckResult) -> bool {
    matches!(check.skip, Some(Skip::EmulatedOnly(_))) && EMULATED.contains(&check.id.as_str())
}

/// What a link that is 50 us off cannot tell, and what is done with an emulated board only.
fn is_left_out(check: &CheckResult) -> bool {
    check.outcome == Outcome::CannotTell && check.id == "bus-reset-margin" || is_for_emulated(check)
}

/// The machine of a rig over a link: no check of it fails, and people are told the keys.
#[test]
fn the_machine_of_45_selections_is_examined_at_the_other_end_of_a_port() {
    let text = include_str!("../../../../bench-rigs/harbour-loop.toml");
    let rig = payrig_rig::parse(std::path::Path::new("rig"), text).unwrap();
    let setup = BoardSetup::of_rig(&rig, false).unwrap();
    let world = World::new(&setup);
    let takes = Micros::ms(200);
    let (examination, failure) = examined_as(&setup, Rc::clone(&world), takes, None, Some(true));
    assert!(failure.is_none(), "{failure:?}");
    let wrong = examination.checks.iter().filter(|c| match &c.skip {
        Some(Skip::NotFitted(text)) => !text.contains("needs "),
        _ => c.outcome != Outcome::Pass && !is_left_out(c),
    });
    let wrong: Vec<String> = wrong
        .map(|c| format!("{}: {:?} {}", c.id, c.outcome, c.seen))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let asked = world.borrow().entries.iter().any(|entry| {
        matches!(entry, recording::Entry::Act { text, .. }
            if text == "press selection A1, which costs 1.25 in cash and 1.35 on a card")
    });
    assert!(asked);
    let prices = [
        "cash-pays-cash-price",
        "card-pays-card-price",
        "cash-price-shown",
    ];
    for id in prices {
        let check = examination.checks.iter().find(|c| c.id == id).unwrap();
        assert_eq!(check.outcome, Outcome::Pass, "{id}: {}", check.seen);
    }
}

/// A machine with two prices has its prices examined over a link too.
#[test]
fn both_prices_are_examined_at_the_other_end_of_a_port() {
    let mut good = BoardSetup::good().unwrap();
    good.two_prices();
    for id in [
        "cash-pays-cash-price",
        "card-pays-card-price",
        "cash-price-shown",
    ] {
        let takes = Micros::ms(200);
        let examine = |board: &BoardSetup| {
            examined_as(&good, World::new(board), takes, Some(id), Some(true)).0
        };
        let examination = examine(&good);
        let result = &examination.checks[0];
        assert_eq!(result.outcome, Outcome::Pass, "{id}: {}", result.seen);
        let mut bad = good.clone();
        let check = checks().find(|check| check.id == id).unwrap();
        (check.quirk.apply)(&mut bad);
        let examination = examine(&bad);
        let result = &examination.checks[0];
        assert_eq!(result.outcome, Outcome::Fail, "{id}: {}", result.seen);
        assert!(
            result.seen.contains("which is the c"),
            "{id}: {}",
            result.seen
        );
    }
}

#[test]
fn the_good_board_passes_at_the_other_end_of_a_port() {
    let (examination, failure) = attended(&BoardSetup::good().unwrap(), None);
    assert!(failure.is_none(), "{failure:?}");
    assert_eq!(examination.subject.model, "PAYRIG BOARD");
    let wrong: Vec<String> = examination
        .checks
        .iter()
        .filter(|c| c.outcome != Outcome::Pass && !is_left_out(c))
        .map(|c| format!("{}: {:?} {}", c.id, c.outcome, c.seen))
        .collect();
    let passed = examination.count(Outcome::Pass);
    assert!(wrong.is_empty(), "{passed} passed\n{}", wrong.join("\n"));
    assert_eq!(passed + 1 + EMULATED.len(), checks().count());
    let looked_into = |c: &&CheckResult| c.seen_by == SeenBy::Emulation;
    assert_eq!(examination.checks.iter().find(looked_into), None);
}

/// What a person is too slow for: a bill is out of escrow before the machine is switched off.
const TOO_QUICK: [&str; 1] = ["cut-with-bill-in-escrow"];

#[test]
fn a_person_who_is_slow_is_never_held_against_the_board() {
    let good = BoardSetup::good().unwrap();
    let (examination, _) = attended_by(Micros::secs(10), &good, None);
    let told = |c: &&CheckResult| c.outcome != Outcome::Pass && !is_left_out(c);
    let told: Vec<(&str, Outcome)> = examination
        .checks
        .iter()
        .filter(told)
        .map(|c| (c.id.as_str(), c.outcome))
        .collect();
    // The coin and the bill were the board's credit before the machine was off.
    let too_late = ["cut-while-coin-falls", "cut-with-bill-in-escrow"];
    assert_eq!(told, too_late.map(|id| (id, Outcome::CannotTell)));
}

#[test]
fn checks_catch_their_quirks_at_the_other_end_of_a_port() {
    let mut wrong = Vec::new();
    let mut caught = 0;
    for check in checks().filter(|c| !TOO_QUICK.contains(&c.id)) {
        let mut setup = BoardSetup::good().unwrap();
        (check.quirk.apply)(&mut setup);
        let (examination, _) = attended(&setup, Some(check.id));
        let result = &examination.checks[0];
        match result.outcome {
            Outcome::Fail => caught += 1,
            _ if is_left_out(result) => {}
            o => wrong.push(format!("{}: {o:?} {}", check.id, result.seen)),
        }
    }
    assert!(wrong.is_empty(), "{caught} caught\n{}", wrong.join("\n"));
    assert_eq!(caught + TOO_QUICK.len() + EMULATED.len(), checks().count());
}

fn unattended(world: Rc<RefCell<World>>) -> (Examination, Option<LinkError>) {
    let linked = Linked::new(Box::new(Wires(world)), Source::Peripheral, Micros::ZERO);
    let outside = BoardOutside::new(linked, Box::<Unattended>::default());
    examine_outside(&BoardSetup::good().unwrap(), outside, None, |_, _| {})
}

#[test]
fn with_nobody_there_what_needs_hands_is_left_out_and_nothing_fails() {
    let (examination, failure) = unattended(World::new(&BoardSetup::good().unwrap()));
    assert!(failure.is_none());
    let failed = examination
        .checks
        .iter()
        .filter(|c| c.outcome == Outcome::Fail);
    let failed: Vec<String> = failed.map(|c| format!("{}: {}", c.id, c.seen)).collect();
    assert!(failed.is_empty(), "{}", failed.join("\n"));
    let by_hand = |c: &&CheckResult| matches!(c.skip, Some(Skip::NeedsPerson(_)));
    assert!(examination.checks.iter().filter(by_hand).count() >= 20);
    assert!(examination.count(Outcome::Pass) >= 60);
    assert_eq!(examination.grade, crate::result::Grade::FitWithRemarks);
}

#[test]
fn a_link_that_fails_ends_it_and_keeps_what_was_found() {
    let world = World::new(&BoardSetup::good().unwrap());
    world.borrow_mut().ends = Micros::secs(120);
    let (examination, failure) = unattended(world);
    assert!(
        matches!(failure, Some(LinkError::Vanished { .. })),
        "{failure:?}"
    );
    assert!(examination.count(Outcome::Pass) >= 3);
    let last = examination.checks.last().unwrap();
    assert_eq!(last.outcome, Outcome::Skipped);
    assert_eq!(last.skip, Some(Skip::LinkGone));
    assert_eq!(last.seen, "the link has failed");
}

#[test]
fn a_board_that_is_dead_is_said_once_and_not_by_every_check() {
    let world = World::new(&BoardSetup::good().unwrap());
    world.borrow_mut().board.power(Micros::ZERO, false);
    world.borrow_mut().bus = VirtualBus::new(1, Micros(60));
    let (examination, _) = unattended(world);
    assert_eq!(examination.count(Outcome::Fail), 1);
    assert_eq!(examination.count(Outcome::Pass), 0);
    assert_eq!(examination.grade, crate::result::Grade::NotFit);
}

/// Checks of pulse lines, and those of them that need the inhibit line.
fn of_pulses() -> (Vec<&'static str>, Vec<&'static str>) {
    let ids = |checks: &'static [BoardCheck]| checks.iter().map(|c| c.id).collect();
    (ids(checks::pulses::CHECKS), ids(checks::inhibit::CHECKS))
}

#[test]
fn without_pulse_lines_their_checks_are_left_out_and_say_so() {
    let good = BoardSetup::good().unwrap();
    let (pulses, inhibit) = of_pulses();
    for (lines, left_out) in [
        (None, [pulses.clone(), inhibit.clone()].concat()),
        (Some(false), inhibit.clone()),
    ] {
        for id in pulses.iter().chain(&inhibit) {
            let (examination, _) = examined(World::new(&good), Micros::ms(200), Some(id), lines);
            let check = &examination.checks[0];
            let wanted = match left_out.contains(id) {
                true => Outcome::Skipped,
                false => Outcome::Pass,
            };
            assert_eq!(check.outcome, wanted, "{id} {lines:?}: {}", check.seen);
            if wanted == Outcome::Skipped {
                assert!(check.seen.contains("connected"), "{}", check.seen);
            }
        }
    }
}

#[test]
fn pulses_are_as_wide_as_meant_however_late_the_bench_is_woken() {
    let world = World::new(&BoardSetup::good().unwrap());
    world.borrow_mut().oversleeps = Micros(3_700);
    let only = Some("several-dollars");
    let (examination, _) = examined(Rc::clone(&world), Micros::ms(200), only, Some(true));
    let check = &examination.checks[0];
    assert_eq!(check.outcome, Outcome::Pass, "{}", check.seen);
    let world = world.borrow();
    let edges: Vec<(Micros, bool)> = world
        .entries
        .iter()
        .filter_map(|e| match e {
            recording::Entry::Edge {
                line, at_us, high, ..
            } if line == "old bill credit" => Some((*at_us, *high)),
            _ => None,
        })
        .skip_while(|(_, high)| *high)
        .collect();
    let widths: Vec<Micros> = edges
        .chunks(2)
        .map(|pulse| pulse[1].0.since(pulse[0].0))
        .collect();
    assert_eq!(widths, [Micros::ms(50); 5]);
}

#[test]
fn the_credit_line_rests_whatever_ended_the_check() {
    let world = World::new(&BoardSetup::good().unwrap());
    world.borrow_mut().stops_in_pulse = true;
    let only = Some("several-dollars");
    let (examination, _) = examined(Rc::clone(&world), Micros::ms(200), only, Some(true));
    assert_eq!(examination.checks[0].skip, Some(Skip::Stopped));
    let mut world = world.borrow_mut();
    let until = world.now + Micros::secs(1);
    while world.step(until).is_some() {}
    assert!(
        world.credit,
        "a board takes a line that is held for a fault"
    );
}

#[test]
fn pulses_the_tool_made_too_late_are_not_held_against_the_board() {
    let mut setup = BoardSetup::good().unwrap();
    (quirk("deaf-to-pulses").unwrap().apply)(&mut setup);
    let world = World::new(&setup);
    world.borrow_mut().lines_late = Micros::ms(30);
    let only = Some("pulse-credited");
    let (examination, _) = examined(world, Micros::ms(200), only, Some(true));
    let check = &examination.checks[0];
    assert_eq!(check.outcome, Outcome::CannotTell, "{}", check.seen);
    assert!(check.seen.contains("this tool itself"), "{}", check.seen);
    let told = |f: &&payrig_wire::Finding| f.text.contains("credit line");
    assert!(examination.findings.iter().any(|f| told(&f)));
}

/// A person who says of a switch that it is thrown, so many times before it is.
#[derive(Debug)]
struct Absent {
    somebody: Somebody,
    /// Whether it is about switching on, and how often nothing is done.
    on: bool,
    idle: u32,
    seen: Rc<RefCell<Asked>>,
}

/// What a person was asked and informed of.
#[derive(Debug, Default)]
struct Asked {
    off: usize,
    on: usize,
    informed: Vec<String>,
}

impl Person for Absent {
    fn ask(&mut self, question: &Question) {
        if let Question::Do {
            what: ToDo::Act(Action::Power { device: None, on }),
            ..
        } = question
        {
            let mut seen = self.seen.borrow_mut();
            match on {
                true => seen.on += 1,
                false => seen.off += 1,
            }
        }
        self.somebody.ask(question);
    }

    fn inform(&mut self, text: &str) {
        self.seen.borrow_mut().informed.push(text.to_owned());
    }

    fn answer(&mut self, now: Micros) -> Option<Reply> {
        if let Some((
            Question::Do {
                what: ToDo::Act(Action::Power { device: None, on }),
                ..
            },
            _,
        )) = self.somebody.asked
            && on == self.on
            && self.idle > 0
        {
            self.idle -= 1;
            self.somebody.asked = None;
            return Some(Reply::Done);
        }
        self.somebody.answer(now)
    }
}

/// These checks with such a person: what came of them, and what was asked.
fn with_absent(only: &str, on: bool, idle: u32) -> (Examination, Asked) {
    let good = BoardSetup::good().unwrap();
    let world = World::new(&good);
    let cable = Box::new(Wires(Rc::clone(&world)));
    let linked = Linked::new(cable, Source::Peripheral, Micros::ZERO);
    let seen = Rc::<RefCell<Asked>>::default();
    let person = Absent {
        somebody: somebody(&world),
        on,
        idle,
        seen: Rc::clone(&seen),
    };
    let outside = BoardOutside::new(linked, Box::new(person));
    let (examination, _) = examine_outside(&good, outside, Some(only), |_, _| {});
    let seen = seen.take();
    (examination, seen)
}

#[test]
fn a_switch_that_is_not_thrown_is_asked_for_again_and_held_against_nobody() {
    let id = "cut-with-credit";
    let (at_once, asked) = with_absent(id, false, 0);
    assert_eq!(at_once.checks[0].outcome, Outcome::Pass);
    assert_eq!((asked.off, asked.on, asked.informed.len()), (1, 1, 0));
    // The bus goes on: asked for twice more, and then it is really off.
    let (late, asked) = with_absent(id, false, 2);
    assert_eq!(late.checks[0].outcome, Outcome::Pass, "{:?}", late.checks);
    assert_eq!((asked.off, asked.on), (3, 1));
    assert_eq!(asked.informed.len(), 2, "{asked:?}");
    assert!(asked.informed[0].contains("still on"), "{asked:?}");
    // It never is: nobody knows what the board would have done.
    let (never, asked) = with_absent(id, false, 9);
    let check = &never.checks[0];
    assert_eq!(check.outcome, Outcome::CannotTell, "{}", check.seen);
    assert!(check.seen.contains("never off"), "{}", check.seen);
    assert_eq!(asked.off, 3);
    // And the same on the way back.
    let (back, asked) = with_absent(id, true, 1);
    assert_eq!(back.checks[0].outcome, Outcome::Pass, "{:?}", back.checks);
    assert_eq!((asked.off, asked.on), (1, 2));
    assert!(asked.informed[0].contains("really on"), "{asked:?}");
}

#[test]
fn one_start_from_cold_serves_all_checks_of_it() {
    let good = BoardSetup::good().unwrap();
    let cold: Vec<&str> = checks()
        .filter(|c| c.arranged(&good).from_cold)
        .map(|c| c.id)
        .collect();
    assert!(cold.len() > 2, "{cold:?}");
    let (examination, asked) = with_absent(&cold.join(","), false, 0);
    assert_eq!(examination.checks.len(), cold.len());
    let judged = |c: &&CheckResult| matches!(c.outcome, Outcome::Pass | Outcome::CannotTell);
    let judged = examination.checks.iter().filter(judged).count();
    // Without pulse lines those of the acceptor are left out.
    assert!(judged > 2, "{:#?}", examination.checks);
    assert_eq!((asked.off, asked.on), (1, 1));
}

/// The price is asked for while the card is there, is set back, and is no other's matter.
#[test]
fn a_price_that_was_changed_is_set_back() {
    let good = BoardSetup::good().unwrap();
    let world = World::new(&good);
    let only = Some("price-change-in-session");
    let takes = Micros::secs(6);
    let (examination, _) = examined(Rc::clone(&world), takes, only, None);
    let check = &examination.checks[0];
    assert_eq!(check.outcome, Outcome::Pass, "{}", check.seen);
    let world = world.borrow();
    assert_eq!(world.prices_set, 2);
    let acts: Vec<&str> = world
        .entries
        .iter()
        .filter_map(|entry| match entry {
            recording::Entry::Act { text, .. } if text.contains("price of") => Some(text.as_str()),
            _ => None,
        })
        .collect();
    let asked = "set the price of selection 11 to 0.80, while the card stays where it is";
    assert_eq!(acts, [asked]);
}

/// A person whose board has no other settings.
#[derive(Debug)]
struct Unsettling(Somebody);

impl Person for Unsettling {
    fn ask(&mut self, question: &Question) {
        self.0.ask(question);
    }

    fn answer(&mut self, now: Micros) -> Option<Reply> {
        match self.0.asked {
            Some((
                Question::Do {
                    what: ToDo::SetUp(_),
                    ..
                },
                _,
            )) => {
                self.0.asked = None;
                Some(Reply::CannotDo)
            }
            _ => self.0.answer(now),
        }
    }
}

#[test]
fn settings_a_board_does_not_have_are_asked_for_once_and_held_against_nobody() {
    let good = BoardSetup::good().unwrap();
    let world = World::new(&good);
    let cable = Box::new(Wires(Rc::clone(&world)));
    let linked = Linked::new(cable, Source::Peripheral, Micros::ZERO);
    let person = Unsettling(Somebody {
        world: Rc::clone(&world),
        asked: None,
        takes: Micros::ms(200),
    });
    let outside = BoardOutside::new(linked, Box::new(person));
    let (examination, _) = examine_outside(&good, outside, None, |_, _| {});
    let skipped = |c: &&CheckResult| matches!(c.skip, Some(Skip::CannotBeSetUp(_)));
    assert_eq!(examination.checks.iter().filter(skipped).count(), 8);
    // All of them are about options of a board: it is fit without.
    let missing = |c: &&CheckResult| !matches!(c.outcome, Outcome::Pass | Outcome::Skipped);
    let missing: Vec<&str> = examination
        .checks
        .iter()
        .filter(missing)
        .map(|c| c.id.as_str())
        .collect();
    assert_eq!(missing, Vec::<&str>::new());
    assert_eq!(examination.grade, crate::result::Grade::Fit);
}
