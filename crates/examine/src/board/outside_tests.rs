//! The examination of a board at the other end of a port, in simulated time: the port, the board and
//! the person at it are played here.

use super::habit::Board;
use super::*;
use crate::operator::{Operator, SeenBy, Sight, Unattended};
use crate::result::Outcome;
use crate::wire::{Cable, Linked};
use payrig_controller::Controller;
use payrig_link::{Lateness, PortEvent, VirtualBus};
use payrig_wire::{BusEvent, Source, Transmission};
use std::cell::RefCell;
use std::rc::Rc;

#[derive(Debug)]
struct World {
    now: Micros,
    bus: VirtualBus,
    board: Board,
    delivered: Vec<u16>,
    /// After this the adapter is unplugged.
    ends: Micros,
}

impl World {
    fn new(setup: &BoardSetup) -> Rc<RefCell<Self>> {
        let controller = Controller::new(setup.board.clone(), Micros::ZERO);
        let mut world = Self {
            now: Micros::ZERO,
            bus: VirtualBus::new(1, Micros(60)),
            board: Board::new(controller, setup.habits.clone()),
            delivered: Vec::new(),
            ends: Micros::NEVER,
        };
        world.collect();
        Rc::new(RefCell::new(world))
    }

    fn collect(&mut self) {
        while let Some(sent) = self.board.take_transmission() {
            self.bus.transmit(Source::Master, sent);
        }
        self.board.take_pulse_edges(self.now);
        self.board.take_shown();
        let person = self.board.person();
        self.delivered.extend(person.take_delivered());
        person.take_movements();
    }

    fn step(&mut self, until: Micros) -> Option<PortEvent> {
        loop {
            if let Some(heard) = self.bus.pop(self.now) {
                let event = heard.event;
                if let BusEvent::Word(word) = event
                    && word.source == Source::Peripheral
                {
                    self.board.heard(word);
                    self.collect();
                    let late = Lateness::default();
                    return Some(PortEvent::Sent { event, late });
                }
                return Some(PortEvent::Heard(event));
            }
            let next = self.bus.next().min(self.board.next_deadline());
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
        self.0.borrow_mut().bus.transmit(Source::Peripheral, sent);
    }

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let mut world = self.0.borrow_mut();
        if world.now >= world.ends {
            let port = "fake".to_owned();
            return Err(LinkError::Vanished { port });
        }
        Ok(world.step(until))
    }
}

/// A person at the machine.
#[derive(Debug)]
struct Person {
    world: Rc<RefCell<World>>,
    asked: Option<(Question, Option<Micros>)>,
    takes: Micros,
}

impl Operator for Person {
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
            Question::Do { deed, .. } => {
                match *deed {
                    Deed::Select(item) => {
                        // What fell before is of before.
                        world.delivered.clear();
                        world.board.person().select(now, item);
                    }
                    Deed::BlockMotor(item) => world.board.block_motor(item),
                    Deed::MachinePower(on) => world.board.power(now, on),
                    Deed::Prepare | Deed::Act(_) => {}
                }
                world.collect();
                Reply::Done
            }
            Question::Look { sight, .. } => Reply::Saw(match sight {
                Sight::ExactChangeLight => world.board.exact_change(),
                Sight::Fell(item) => {
                    let at = world.delivered.iter().position(|d| d == item);
                    at.map(|at| world.delivered.remove(at)).is_some()
                }
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
    let world = World::new(setup);
    let cable = Box::new(Wires(Rc::clone(&world)));
    let linked = Linked::new(cable, Source::Peripheral, Micros(50));
    let person = Person {
        world,
        asked: None,
        takes,
    };
    let outside = BoardOutside::new(linked, Box::new(person));
    // What the board is like is its own matter: the examination knows a good one.
    let good = BoardSetup::good().unwrap();
    examine_outside(&good, outside, only, |_, _| {})
}

/// What is not done at a board outside: no pulse line is connected, its display is not read, or it
/// would have to be set up otherwise. And what a link that is 50 us off cannot tell.
fn is_left_out(check: &CheckResult) -> bool {
    match check.outcome {
        Outcome::Skipped => check.seen.ends_with("done with the emulated board only"),
        Outcome::CannotTell => check.id == "bus-reset-margin",
        _ => false,
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
    assert!(passed >= 120, "{passed}");
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
        (quirk(check.quirk).unwrap().apply)(&mut setup);
        let (examination, _) = attended(&setup, Some(check.id));
        let result = &examination.checks[0];
        match result.outcome {
            Outcome::Fail => caught += 1,
            _ if is_left_out(result) => {}
            o => wrong.push(format!("{}: {o:?} {}", check.id, result.seen)),
        }
    }
    assert!(wrong.is_empty(), "{caught} caught\n{}", wrong.join("\n"));
    assert!(caught >= 120, "{caught}");
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
    let by_hand = |c: &&CheckResult| c.seen.starts_with("needs a person");
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
    assert_eq!(last.seen, LINK_GONE);
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
