//! The examination of a device at the other end of a port, in simulated time: the port, the device
//! and the person at it are played here.

use super::pulse_unit::PulseUnit;
use super::subject::Emulated;
use super::*;
use crate::link::stops::{Stoppable, Stops};
use crate::link::{Cable, Linked};
use crate::person::{Person, Question, Reply, SeenBy, Tally, ToDo, Unattended};
use crate::recorder::Recorder;
use crate::result::Outcome;
use crate::result::{CheckResult, Examination, Interval};
use payrig_bench::action::{Action, Tender};
use payrig_bench::{Input, Node, Observation, Output, Refusal, VirtualBus};
use payrig_link::LinkError;
use payrig_link::{Lateness, PortEvent};
use payrig_peripherals::bill::BillKind;
use payrig_units::{Micros, Money, Place};
use payrig_wire::recording::Entry;
use payrig_wire::rules::BusRule;
use payrig_wire::{BusEvent, Edge, Finding, RuleName, Source, Transmission};
use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

/// What is at the other end.
#[derive(Debug)]
struct World {
    now: Micros,
    bus: VirtualBus,
    device: Emulated,
    setup: Setup,
    /// Put in by hand, all in all, and what of it the customer has less.
    put_in: Money,
    gone: Money,
    /// Counted as come out, all in all.
    counted: Money,
    /// Taken from cards.
    receipts: Money,
    /// Where the last coin or bill went.
    last: Option<Place>,
    /// How late what the tool says goes out, by the port's account.
    late: Micros,
    /// After this the adapter is unplugged.
    ends: Micros,
    /// The tool is stopped now and then.
    stops: Stops,
}

impl World {
    fn new(setup: &Setup) -> Rc<RefCell<Self>> {
        let mut world = Self {
            now: Micros::ZERO,
            bus: VirtualBus::new(1, Micros(60)),
            device: Emulated::new(setup).unwrap(),
            setup: setup.clone(),
            put_in: Money::ZERO,
            gone: Money::ZERO,
            counted: Money::ZERO,
            receipts: Money::ZERO,
            last: None,
            late: Micros::ZERO,
            ends: Micros::NEVER,
            stops: Stops::default(),
        };
        world.collect();
        Rc::new(RefCell::new(world))
    }

    fn collect(&mut self) {
        let mut out = Output::default();
        self.device.drain(self.now, &mut out);
        for sent in out.sent {
            self.bus.transmit(Source::Peripheral, sent, true);
        }
        for m in out.moved {
            let amount = |place: &Place| {
                if m.from == *place {
                    m.amount
                } else {
                    Money::ZERO
                }
            };
            let customer = Place::Customer;
            self.gone = self.gone.saturating_add(amount(&customer));
            if m.to == customer {
                self.gone = self.gone.saturating_sub(m.amount);
            }
            if matches!(
                m.to,
                Place::Tube(..) | Place::CashBox(_) | Place::Stacker(_)
            ) {
                self.last = Some(m.to.clone());
            }
            if let Place::CardReceipts(_) = m.to {
                self.receipts = self.receipts.saturating_add(m.amount);
            }
            if let Place::CardReceipts(_) = m.from {
                self.receipts = self.receipts.saturating_sub(m.amount);
            }
        }
    }

    /// What is in the hands of the person when this is done.
    fn worth(&self, action: &Action) -> Money {
        match action {
            Action::InsertCoin {
                coin: Tender::Type(t),
                ..
            } => {
                let coin = self
                    .setup
                    .changer
                    .coins
                    .get(usize::from(*t))
                    .copied()
                    .flatten();
                coin.map_or(Money::ZERO, |c| c.worth.money())
            }
            Action::InsertBill {
                bill: Tender::Type(t),
                ..
            } => match self.setup.bill.bills.get(usize::from(*t)) {
                Some(BillKind::Value(value)) => *value,
                _ => Money::ZERO,
            },
            _ => Money::ZERO,
        }
    }

    /// What came out since this was last asked: all that was put in and is not inside.
    fn count(&mut self) -> Money {
        let out = self.put_in.saturating_sub(self.gone);
        let news = out.saturating_sub(self.counted);
        self.counted = out;
        news
    }

    fn go_on(&mut self, until: Micros) -> Option<PortEvent> {
        loop {
            if let Some(heard) = self.bus.pop(self.now) {
                let event = heard.event;
                let ours = match event {
                    BusEvent::Word(word) => {
                        if word.source == Source::Master {
                            self.device.hear(&Input::Word(&word));
                        }
                        word.source == Source::Master
                    }
                    BusEvent::Break { start, end, .. } => {
                        self.device.hear(&Input::Break { start, end });
                        true
                    }
                    BusEvent::Garbled { .. } => false,
                };
                self.collect();
                let late = Lateness {
                    machine: self.late,
                    ours: Micros::ZERO,
                };
                return Some(match ours {
                    true => PortEvent::Sent { event, late },
                    false => PortEvent::Heard(event),
                });
            }
            let next = self.bus.next().min(self.device.next_deadline());
            if next > until {
                self.now = self.now.max(until);
                return None;
            }
            self.now = self.now.max(next);
            let now = self.now;
            self.device.wake(now);
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
        self.0.borrow_mut().bus.transmit(Source::Master, sent, true);
    }

    fn wait(&mut self, until: Micros) -> Result<Option<PortEvent>, LinkError> {
        let mut world = self.0.borrow_mut();
        if world.now >= world.ends {
            let port = "fake".to_owned();
            return Err(LinkError::Vanished { port });
        }
        Ok(Stoppable::wait(&mut *world, until))
    }
}

/// What a person does at the device. What is in order already needs nothing more.
fn by_hand(device: &mut Emulated, now: Micros, action: &Action) -> bool {
    match action {
        Action::Power { on, .. } => device.power(now, *on),
        _ => {
            let done = device.act(now, action);
            return matches!(done, Ok(()) | Err(Refusal::NotNow(_)));
        }
    }
    true
}

/// A person who needs a moment for everything.
#[derive(Debug)]
struct Somebody {
    world: Rc<RefCell<World>>,
    asked: Option<(Question, Option<Micros>, bool)>,
    /// What had been taken from cards when the last one was presented.
    receipts_before: Money,
    setting: Setting,
}

/// What comes of it when a reader is to be set up.
#[derive(Clone, Copy, Debug)]
enum Setting {
    Done,
    /// It was said to be done, and was not.
    SaidOnly,
    /// It has no such setting.
    Missing,
}

impl Setting {
    fn reply(self, world: &mut World, time: Option<Micros>) -> Reply {
        match self {
            Self::Done => {
                let usual = world.setup.cashless.approve_delay;
                let Emulated::Cashless(reader) = &mut world.device else {
                    return Reply::CannotDo;
                };
                let config = reader.device_mut().config_mut();
                config.approve_delay = time.unwrap_or(usual);
                Reply::Done
            }
            Self::SaidOnly => Reply::Done,
            Self::Missing => Reply::CannotDo,
        }
    }
}

impl Person for Somebody {
    fn ask(&mut self, question: &Question) {
        self.asked = Some((question.clone(), None, false));
    }

    fn answer(&mut self, now: Micros) -> Option<Reply> {
        let (question, since, done) = self.asked.as_mut()?;
        let since = *since.get_or_insert(now);
        if now < since + Micros::ms(400) {
            return None;
        }
        let mut world = self.world.borrow_mut();
        if let (
            Question::Do {
                what: ToDo::Act(action),
                ..
            },
            false,
        ) = (&*question, *done)
        {
            *done = true;
            let now = world.now;
            if matches!(action, Action::PresentCard { .. }) {
                self.receipts_before = world.receipts;
            }
            world.last = None;
            let worth = world.worth(action);
            world.put_in = world.put_in.saturating_add(worth);
            if !by_hand(&mut world.device, now, action) {
                return Some(Reply::CannotDo);
            }
            world.collect();
        }
        if now < since + Micros::ms(800) {
            return None;
        }
        Some(match question {
            Question::Do {
                what: ToDo::SlowReader(time),
                ..
            } => self.setting.reply(&mut world, *time),
            Question::Do { .. } => Reply::Done,
            Question::Look { what, .. } => Reply::Saw(match what {
                Observation::WentTo(Place::Tube(_, t)) => {
                    matches!(&world.last, Some(Place::Tube(_, tube)) if tube == t)
                }
                _ => matches!(&world.last, Some(Place::Stacker(_))),
            }),
            Question::Count { tally, .. } => Reply::Counted(match tally {
                Tally::CameOut => world.count(),
                Tally::FromCard => world.receipts.saturating_sub(self.receipts_before),
            }),
        })
    }
}

const ON_THE_BUS: [Kind; 4] = [
    Kind::Changer,
    Kind::BillValidator,
    Kind::BillRecycler,
    Kind::Cashless,
];

fn attended(setup: &Setup, only: Option<&str>) -> (Examination, Option<LinkError>) {
    attended_by(setup, only, Setting::Done)
}

fn attended_by(
    setup: &Setup,
    only: Option<&str>,
    setting: Setting,
) -> (Examination, Option<LinkError>) {
    let world = World::new(setup);
    let cable = Box::new(Wires(Rc::clone(&world)));
    let linked = Linked::new(cable, Source::Master, Micros(50));
    let person = Somebody {
        world,
        asked: None,
        receipts_before: Money::ZERO,
        setting,
    };
    let outside = Outside::new(setup.kind, linked, Box::new(person));
    examine_outside(setup, outside, only, |_, _| {})
}

/// A reader that decides at once cannot show whether it gives up a vend, whatever it is; one without the
/// setting is left alone.
#[test]
fn a_reader_that_is_not_slow_cannot_tell_whether_it_gives_up_a_vend() {
    let outcome = |setting: Setting, bad: bool| {
        let mut setup = Setup::good(Kind::Cashless);
        setup.cashless.quirks.ignores_vend_cancel = bad;
        let (examination, _) = attended_by(&setup, Some("vend-cancel-obeyed"), setting);
        let check = &examination.checks[0];
        (check.outcome, check.seen.clone())
    };
    for bad in [false, true] {
        let done = if bad { Outcome::Fail } else { Outcome::Pass };
        assert_eq!(outcome(Setting::Done, bad).0, done);
        let (said_only, seen) = outcome(Setting::SaidOnly, bad);
        assert_eq!(said_only, Outcome::CannotTell, "{seen}");
        let (missing, seen) = outcome(Setting::Missing, bad);
        assert_eq!(missing, Outcome::Skipped);
        assert!(seen.contains("cannot be set up for it"), "{seen}");
    }
    // It is set back: the check after it finds the reader as quick as it was.
    let (examination, _) = attended(&Setup::good(Kind::Cashless), None);
    assert!(
        examination
            .checks
            .iter()
            .all(|c| c.outcome == Outcome::Pass)
    );
}

/// What earlier checks leave too few bills for.
const NOT_DONE: [&str; 2] = ["payout-cancelled", "payout-not-doubled"];

/// Section 6.3, RESET, asks for the bill back, and for no report of that: the person is asked.
#[test]
fn a_validator_that_gives_a_bill_back_at_reset_and_says_nothing_of_it_is_not_accused() {
    let says_nothing = |setup: &mut Setup| {
        setup.habits.rewrite = Some(|context, data| {
            if context.command == [0x33] {
                data.retain(|byte| !(0xA0..=0xAF).contains(byte));
            }
        });
    };
    let only = Some("reset-returns-escrow");
    let mut good = Setup::good(Kind::BillValidator);
    says_nothing(&mut good);
    let mut bad = good.clone();
    bad.bill_quirks.reset_forgets_escrow = true;
    for (setup, wanted) in [(good, Outcome::Pass), (bad, Outcome::Fail)] {
        let (examination, _) = attended(&setup, only);
        let check = &examination.checks[0];
        assert_eq!(check.outcome, wanted, "{}", check.seen);
        assert_eq!(check.seen_by, SeenBy::Person);
    }
}

#[test]
fn good_devices_pass_at_the_other_end_of_a_port() {
    let mut wrong = Vec::new();
    for kind in ON_THE_BUS {
        let (examination, failure) = attended(&Setup::good(kind), None);
        assert!(failure.is_none(), "{kind}: {failure:?}");
        assert!(
            !examination.subject.serial.is_empty(),
            "{kind} said who it is"
        );
        for check in &examination.checks {
            let allowed: &[Outcome] = match NOT_DONE.contains(&check.id.as_str()) {
                true => &[Outcome::Skipped, Outcome::CannotTell],
                false => &[Outcome::Pass],
            };
            if !allowed.contains(&check.outcome) {
                let (o, t) = (check.outcome, &check.seen);
                wrong.push(format!("{kind} {}: {o:?} {t}", check.id));
            }
            if check.seen_by == SeenBy::Emulation {
                wrong.push(format!("{kind} {}: looked into the device", check.id));
            }
        }
        // By hand, by report and by count, all money is somewhere.
        let sum: Money = examination.balances.iter().map(|b| b.amount).sum();
        assert_eq!(sum, Money::ZERO, "{kind}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A real card reader may be the second of the bus.
#[test]
fn the_second_reader_passes_at_the_other_end_of_a_port() {
    let mut setup = Setup::good(Kind::Cashless);
    setup.cashless.unit = payrig_mdb::cashless::Unit::Two;
    let (examination, failure) = attended(&setup, None);
    assert!(failure.is_none(), "{failure:?}");
    assert!(!examination.subject.serial.is_empty(), "it said who it is");
    for check in &examination.checks {
        let allowed: &[Outcome] = match NOT_DONE.contains(&check.id.as_str()) {
            true => &[Outcome::Skipped],
            false => &[Outcome::Pass],
        };
        assert!(
            allowed.contains(&check.outcome),
            "{}: {}",
            check.id,
            check.seen
        );
    }
}

/// What a person is too slow to see: a bill reported stacked a moment before it is, and bills that
/// come out after what was ordered has been counted.
const TOO_QUICK: [&str; 2] = ["stacked-means-stacked", "payout-cancelled"];

/// A fault is found at the other end of a port as it is on the virtual bus.
#[test]
fn checks_catch_their_quirks_at_the_other_end_of_a_port() {
    let mut wrong = Vec::new();
    let mut caught = 0;
    for kind in ON_THE_BUS {
        for check in checks(kind) {
            let mut setup = Setup::good(kind);
            let arranged = check.arranged(&setup);
            let by_hand = check.arrange.is_none() || setup.by_hand(&arranged).is_some();
            if !by_hand || TOO_QUICK.contains(&check.id) {
                continue;
            }
            setup.cashless.level = arranged.cashless.level;
            (check.quirk.apply)(&mut setup);
            let (examination, _) = attended(&setup, Some(check.id));
            let result = &examination.checks[0];
            match result.outcome {
                Outcome::Fail => caught += 1,
                o => wrong.push(format!("{kind} {}: {o:?} {}", check.id, result.seen)),
            }
        }
    }
    assert!(wrong.is_empty(), "{caught} caught\n{}", wrong.join("\n"));
    assert!(caught >= 190, "{caught}");
}

#[test]
fn with_nobody_there_what_needs_hands_is_left_out_and_nothing_fails() {
    for kind in ON_THE_BUS {
        let setup = Setup::good(kind);
        let cable = Box::new(Wires(World::new(&setup)));
        let linked = Linked::new(cable, Source::Master, Micros(50));
        let outside = Outside::new(kind, linked, Box::<Unattended>::default());
        let (examination, failure) = examine_outside(&setup, outside, None, |_, _| {});
        assert!(failure.is_none());
        let count = |o: Outcome| examination.checks.iter().filter(|c| c.outcome == o).count();
        let failed = examination
            .checks
            .iter()
            .find(|c| c.outcome == Outcome::Fail);
        assert_eq!(failed, None, "{kind}");
        assert!(
            count(Outcome::Pass) >= 15,
            "{kind}: {}",
            count(Outcome::Pass)
        );
        let skipped = examination
            .checks
            .iter()
            .filter(|c| c.outcome == Outcome::Skipped);
        let (by_hand, other): (Vec<_>, Vec<_>) =
            skipped.partition(|c| c.seen.starts_with("needs a person"));
        assert!(by_hand.len() >= 3, "{kind}");
        assert!(
            other.iter().all(|c| NOT_DONE.contains(&c.id.as_str())),
            "{kind}: {other:?}"
        );
    }
}

#[test]
fn a_link_that_fails_ends_it_and_keeps_what_was_found() {
    let setup = Setup::good(Kind::Changer);
    let world = World::new(&setup);
    world.borrow_mut().ends = Micros::secs(60);
    let linked = Linked::new(Box::new(Wires(world)), Source::Master, Micros(50));
    let outside = Outside::new(setup.kind, linked, Box::<Unattended>::default());
    let mut entries = 0;
    let (examination, failure) = examine_outside(&setup, outside, None, |_, e| entries += e.len());
    assert!(
        matches!(failure, Some(LinkError::Vanished { .. })),
        "{failure:?}"
    );
    assert_eq!(examination.checks.len(), checks(Kind::Changer).count());
    let outcomes: Vec<Outcome> = examination.checks.iter().map(|c| c.outcome).collect();
    assert_eq!(outcomes[0], Outcome::Pass);
    let cut = outcomes
        .iter()
        .position(|o| *o == Outcome::CannotTell)
        .unwrap();
    assert!(examination.checks[cut].seen.contains("the link failed"));
    assert!(outcomes[cut + 1..].iter().all(|o| *o == Outcome::Skipped));
    assert!(entries > 100, "{entries}");
}

#[test]
fn a_device_that_is_dead_is_said_once_and_not_by_every_check() {
    let setup = Setup::good(Kind::Changer);
    let world = World::new(&setup);
    world.borrow_mut().device.power(Micros::ZERO, false);
    let linked = Linked::new(Box::new(Wires(world)), Source::Master, Micros(50));
    let outside = Outside::new(setup.kind, linked, Box::<Unattended>::default());
    let (examination, _) = examine_outside(&setup, outside, None, |_, _| {});
    let count = |o: Outcome| examination.checks.iter().filter(|c| c.outcome == o).count();
    assert_eq!((count(Outcome::Fail), count(Outcome::Pass)), (1, 0));
    assert_eq!(examination.grade, crate::result::Grade::NotFit);
    let last = examination.checks.last().unwrap();
    assert!(
        last.seen.starts_with("it has never answered"),
        "{}",
        last.seen
    );
}

/// Ends the examination when it is asked the first time, and never answers: Ctrl-C at a question.
#[derive(Debug)]
struct Leaves(crate::Stop);

impl Person for Leaves {
    fn ask(&mut self, _: &Question) {
        self.0.ask();
    }

    fn answer(&mut self, _: Micros) -> Option<Reply> {
        None
    }
}

#[test]
fn an_examination_is_ended_at_a_question_and_keeps_what_was_found() {
    for kind in ON_THE_BUS {
        let setup = Setup::good(kind);
        let stop = crate::Stop::default();
        let cable = Box::new(Wires(World::new(&setup)));
        let linked = Linked::new(cable, Source::Master, Micros(50));
        let outside = Outside::new(kind, linked, Box::new(Leaves(stop.clone()))).until(&stop);
        let (examination, failure) = examine_outside(&setup, outside, None, |_, _| {});
        assert!(failure.is_none(), "{failure:?}");
        let stopped = |c: &CheckResult| c.skip == Some(crate::Skip::Stopped);
        let begun: Vec<_> = examination
            .checks
            .iter()
            .take_while(|c| !stopped(c))
            .collect();
        // All that needs no person comes first.
        assert!(begun.len() >= 15, "{kind}: {}", begun.len());
        assert!(begun.iter().all(|c| c.outcome != Outcome::Fail), "{kind}");
        let rest = examination.checks.iter().skip(begun.len());
        assert!(rest.clone().all(stopped), "{kind}");
        assert!(rest.count() > 0);
        assert!(examination.was_stopped() && !examination.passed());
        assert_eq!(examination.grade, crate::result::Grade::Partial);
    }
}

/// What was not done is no reason to call a device fit.
#[test]
fn an_examination_that_nobody_attended_is_not_without_remarks() {
    let setup = Setup::good(Kind::Changer);
    let linked = Linked::new(
        Box::new(Wires(World::new(&setup))),
        Source::Master,
        Micros::ZERO,
    );
    let outside = Outside::new(setup.kind, linked, Box::<Unattended>::default());
    let (examination, _) = examine_outside(&setup, outside, None, |_, _| {});
    assert_eq!(examination.grade, crate::result::Grade::FitWithRemarks);
    let last = examination.reasons.last().unwrap();
    assert!(last.contains("checks were not done"), "{last}");
}

/// A device that fails while the tool itself is late is not accused.
#[test]
fn what_fails_while_the_tool_is_late_proves_nothing() {
    let mut setup = Setup::good(Kind::Changer);
    (quirk(Kind::Changer, "ret-ignored").unwrap().apply)(&mut setup);
    for (late, outcome) in [(0, Outcome::Fail), (20, Outcome::CannotTell)] {
        let world = World::new(&setup);
        world.borrow_mut().late = Micros::ms(late);
        let linked = Linked::new(Box::new(Wires(world)), Source::Master, Micros::ZERO);
        let outside = Outside::new(setup.kind, linked, Box::<Unattended>::default());
        let only = Some("ret-answered");
        let (examination, _) = examine_outside(&setup, outside, only, |_, _| {});
        assert_eq!(examination.checks[0].outcome, outcome, "{late}");
    }
}

/// A tool that is stopped in mid-examination, wherever that is, accuses no good device: the stretch is
/// marked, what piled up has no times, and a check that failed for it is done again.
#[test]
fn a_tool_that_is_stopped_accuses_no_device() {
    for kind in ON_THE_BUS {
        for (every, length) in [(3_100, 300), (7_700, 3_000)] {
            let setup = Setup::good(kind);
            let world = World::new(&setup);
            world.borrow_mut().stops = Stops::new(Micros::ms(every), Micros::ms(length));
            let cable = Box::new(Wires(Rc::clone(&world)));
            let linked = Linked::new(cable, Source::Master, Micros(50));
            let outside = Outside::new(kind, linked, Box::<Unattended>::default());
            let mut slept = 0;
            let (examination, _) = examine_outside(&setup, outside, None, |_, entries| {
                let stretches = entries.iter().filter(|e| matches!(e, Entry::Slept { .. }));
                slept += stretches.count();
            });
            let failed = examination.checks.iter();
            let failed = failed.filter(|c| c.outcome == Outcome::Fail);
            let failed: Vec<String> = failed.map(|c| format!("{}: {}", c.id, c.seen)).collect();
            assert!(failed.is_empty(), "{kind} {every}: {}", failed.join("\n"));
            let passed = examination.checks.iter();
            let passed = passed.filter(|c| c.outcome == Outcome::Pass).count();
            assert!(passed >= 10, "{kind} {every}: {passed}");
            assert!(
                slept > 5 && world.borrow().stops.count > 5,
                "{kind}: {slept}"
            );
            // Nor in what was found on the wire and measured.
            let limit = |f: &&Finding| f.severity == payrig_wire::Severity::Limit;
            let found: Vec<_> = examination.findings.iter().filter(limit).collect();
            assert!(
                found.iter().all(|f| !ON_TIME.contains(&f.rule)),
                "{found:?}"
            );
            let late = |i: &&Interval| i.values_us.iter().any(|value| i.is_outside(*value));
            let late: Vec<_> = examination.intervals.iter().filter(late).collect();
            assert!(late.is_empty(), "{kind}: {late:?}");
        }
    }
}

/// What is about times.
const ON_TIME: [RuleName; 2] = [
    RuleName::Bus(BusRule::Response),
    RuleName::Bus(BusRule::InterByte),
];

/// What happens over a link is recorded as it happens, and nothing twice or left out.
#[test]
fn what_happens_is_recorded_as_it_happens() {
    let only = "answer-time";
    let recording = |at_once: bool| {
        let setup = Setup::good(Kind::Changer);
        let world = World::new(&setup);
        let cable = Box::new(Wires(Rc::clone(&world)));
        let linked = Linked::new(cable, Source::Master, Micros(50));
        let mut outside = Outside::new(setup.kind, linked, Box::<Unattended>::default());
        let recorded: Rc<RefCell<Vec<Entry>>> = Rc::default();
        // When the first entry of the check was recorded, and when the last.
        let when: Rc<RefCell<Vec<Micros>>> = Rc::default();
        if at_once {
            let (recorded, when) = (Rc::clone(&recorded), Rc::clone(&when));
            outside = outside.recorded_by(Recorder::new(move |entry| {
                // The port is not being waited for just now.
                when.borrow_mut().push(world.borrow().now);
                recorded.borrow_mut().push(entry.clone());
            }));
        }
        let _ = examine_outside(&setup, outside, Some(only), |_, entries| {
            recorded.borrow_mut().extend_from_slice(entries);
        });
        let spread = when.borrow().last().copied().unwrap_or_default()
            - when.borrow().first().copied().unwrap_or_default();
        (recorded.take(), spread)
    };
    let (at_the_end, _) = recording(false);
    let (at_once, spread) = recording(true);
    assert_eq!(at_once, at_the_end);
    assert!(spread > Micros::secs(60), "{spread}");
}

/// A pulse device, its lines and the person at it.
#[derive(Debug)]
struct Wired {
    now: Micros,
    device: Emulated,
    /// Edges of its lines that were not reported yet.
    edges: VecDeque<Edge>,
    /// Its inhibit line.
    inhibit: String,
    high: bool,
    receipts: Money,
    gone: Money,
    put_in: Money,
    counted: Money,
    /// Edges of its lines, all in all.
    moved: usize,
}

#[derive(Debug)]
struct Lines(Rc<RefCell<Wired>>);

impl Wired {
    fn collect(&mut self) {
        let mut out = Output::default();
        self.device.drain(self.now, &mut out);
        self.moved += out.edges.len();
        self.edges.extend(out.edges.into_iter().map(|e| e.edge));
        for m in out.moved {
            if m.from == Place::Customer {
                self.gone = self.gone.saturating_add(m.amount);
            }
            if m.to == Place::Customer {
                self.gone = self.gone.saturating_sub(m.amount);
            }
            if let Place::CardReceipts(_) = m.to {
                self.receipts = self.receipts.saturating_add(m.amount);
            }
        }
    }
}

impl LinePort for Lines {
    fn name(&self) -> String {
        "fake".to_owned()
    }

    fn now(&self) -> Micros {
        self.0.borrow().now
    }

    fn level(&self) -> bool {
        self.0.borrow().high
    }

    fn wait(&mut self, until: Micros) -> Result<Option<(Edge, Micros)>, LinkError> {
        let mut wired = self.0.borrow_mut();
        loop {
            if let Some(edge) = wired.edges.pop_front() {
                wired.high = edge.high;
                return Ok(Some((edge, Micros(60))));
            }
            let next = wired.device.next_deadline();
            if next > until {
                wired.now = wired.now.max(until);
                return Ok(None);
            }
            wired.now = wired.now.max(next);
            let now = wired.now;
            wired.device.wake(now);
            wired.collect();
        }
    }

    fn inhibit(&mut self, high: bool) {
        let mut wired = self.0.borrow_mut();
        let now = wired.now;
        let line = wired.inhibit.clone();
        wired.device.hear(&Input::Edge {
            device: "",
            line: &line,
            edge: Edge { at: now, high },
            uncertainty: Micros::ZERO,
        });
        wired.collect();
    }
}

#[derive(Debug)]
struct Feeder {
    wired: Rc<RefCell<Wired>>,
    asked: Option<(Question, Option<Micros>)>,
    /// The first of two is in; the lines had moved so often then.
    first_in: Option<usize>,
}

/// Something is put in, or shown, at a device on pulse lines.
fn put(wired: &mut Wired, action: &Action) -> bool {
    if let Action::InsertCoin {
        coin: Tender::Worth(value),
        ..
    }
    | Action::InsertBill {
        bill: Tender::Worth(value),
        ..
    }
    | Action::PresentCard {
        amount: Some(value),
        ..
    } = action
    {
        wired.put_in = wired.put_in.saturating_add(*value);
    }
    let now = wired.now;
    let able = by_hand(&mut wired.device, now, action);
    wired.collect();
    able
}

impl Person for Feeder {
    fn ask(&mut self, question: &Question) {
        self.asked = Some((question.clone(), None));
    }

    fn answer(&mut self, now: Micros) -> Option<Reply> {
        let (question, since) = self.asked.as_mut()?;
        if now < *since.get_or_insert(now) + Micros::ms(300) {
            return None;
        }
        let mut wired = self.wired.borrow_mut();
        let done = |able: bool| if able { Reply::Done } else { Reply::CannotDo };
        let reply = match question {
            Question::Do {
                what: ToDo::Act(action),
                ..
            } => done(put(&mut wired, action)),
            Question::Do {
                what: ToDo::InARow(first, second),
                ..
            } => match self.first_in {
                None => {
                    let able = put(&mut wired, first);
                    self.first_in = Some(wired.moved);
                    if able {
                        return None;
                    }
                    Reply::CannotDo
                }
                // As soon as the first pulse shows that it is taken.
                Some(moved) if wired.moved == moved => return None,
                Some(_) => {
                    self.first_in = None;
                    done(put(&mut wired, second))
                }
            },
            Question::Count {
                tally: Tally::FromCard,
                ..
            } => {
                // Each check has a reader of its own here.
                Reply::Counted(wired.receipts)
            }
            Question::Count { .. } => {
                let out = wired.put_in.saturating_sub(wired.gone);
                let news = out.saturating_sub(wired.counted);
                wired.counted = out;
                Reply::Counted(news)
            }
            _ => Reply::Default,
        };
        self.asked = None;
        Some(reply)
    }
}

fn on_lines(setup: &Setup, only: Option<&str>) -> Examination {
    let device = Emulated::new(setup).unwrap();
    let levels = device.resting_levels();
    let high = levels.first().is_none_or(|(_, high)| *high);
    let inhibit = PulseUnit::new(setup).profile().inhibit.line.clone();
    let wired = Rc::new(RefCell::new(Wired {
        now: Micros::ZERO,
        device,
        edges: VecDeque::new(),
        inhibit,
        high,
        receipts: Money::ZERO,
        gone: Money::ZERO,
        put_in: Money::ZERO,
        counted: Money::ZERO,
        moved: 0,
    }));
    let lines = OutsideLines::new(Box::new(Lines(Rc::clone(&wired))));
    let feeder = Feeder {
        wired,
        asked: None,
        first_in: None,
    };
    let outside = Outside::on_lines(setup.kind, lines, Box::new(feeder));
    // What the device is like is its own matter: the bench knows what it was set to.
    let good = Setup::good(setup.kind);
    examine_outside(&good, outside, only, |_, _| {}).0
}

fn needs_emulation(check: &CheckResult) -> bool {
    check.outcome == Outcome::Skipped && check.seen.ends_with("done with emulated devices only")
}

#[test]
fn a_good_acceptor_passes_on_real_lines() {
    let mut wrong = Vec::new();
    for kind in [Kind::PulseBill, Kind::PulseCoin, Kind::PulseCard] {
        // What was taken from a card is asked from the beginning of a check: each has a reader of its
        // own. Acceptors last over all checks.
        let ids: Vec<Option<&str>> = match kind {
            Kind::PulseCard => checks(kind).map(|c| Some(c.id)).collect(),
            _ => vec![None],
        };
        let run = |only| on_lines(&Setup::good(kind), only).checks;
        for check in ids.into_iter().flat_map(run) {
            if check.outcome != Outcome::Pass && !needs_emulation(&check) {
                wrong.push(format!(
                    "{kind} {}: {:?} {}",
                    check.id, check.outcome, check.seen
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_bad_acceptor_is_found_on_real_lines() {
    let mut wrong = Vec::new();
    for kind in [Kind::PulseBill, Kind::PulseCoin, Kind::PulseCard] {
        for check in checks(kind) {
            let mut setup = check.arranged(&Setup::good(kind));
            (check.quirk.apply)(&mut setup);
            let result = &on_lines(&setup, Some(check.id)).checks[0];
            if result.outcome != Outcome::Fail && !needs_emulation(result) {
                wrong.push(format!(
                    "{kind} {}: {:?} {}",
                    check.id, result.outcome, result.seen
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Nobody here sees what is on a real card: one that ran empty is asked about, not held against its
/// reader.
#[test]
fn an_empty_card_is_asked_about_on_real_lines() {
    let mut setup = Setup::good(Kind::PulseCard);
    setup.pulse.card.balance = Money(500);
    for id in ["count-steady", "count-per-bill", "card-charged-as-sent"] {
        let result = &on_lines(&setup, Some(id)).checks[0];
        assert_eq!(result.outcome, Outcome::CannotTell, "{id}: {}", result.seen);
        assert!(result.seen.contains("card"), "{id}: {}", result.seen);
    }
}
