//! Runs the checks of a board: one by one on a fresh bench with an emulated board, or all of them on
//! one board at the other end of a port.

use super::bench::{BoardBench, BoardOutside};
use super::checks::levels::not_offered;
use super::kit::Kit;
use super::options::{BoardOptions, preparation};
use super::relations::RELATIONS;
use super::setup::BoardSetup;
use super::table::{BoardCheck, checks, needs_bus};
use crate::check::Seen;
use crate::evidence::Evidence;
use crate::gather;
use crate::outside::{Course, attempts};
use crate::person::{Expected, Plan, Question, Reply, ToDo};
use crate::result::{CheckResult, Examination, Subject};
use crate::selection::Selection;
use crate::skip::Skip;
use crate::stop::Stop;
use payrig_link::LinkError;
use payrig_mdb::cashless::Level;
use payrig_units::Micros;
use payrig_wire::recording;

/// What a check says whose peripherals cannot be made as it wants them.
const CONTRADICTION: &str = "a peripheral contradicts itself";

/// Runs one check on a fresh bench.
#[must_use]
pub fn run_check(check: &BoardCheck, setup: &BoardSetup) -> (Seen, Option<Evidence>) {
    if let Some(end) = nobody_there(check, setup) {
        return (end, None);
    }
    let arranged = check.arranged(setup);
    let kit = kit_of(setup, &arranged);
    let Some(mut bench) = BoardBench::with(&arranged, kit) else {
        return (Seen::cannot_tell(CONTRADICTION), None);
    };
    let seen = (check.run)(&mut bench).unwrap_or_else(|early| early);
    let evidence = bench.finish();
    // Whatever it says, where it could not be done.
    (evidence.over.clone().unwrap_or(seen), Some(evidence))
}

/// The end of a check of the bus where the machine has nothing on it.
fn nobody_there(check: &BoardCheck, setup: &BoardSetup) -> Option<Seen> {
    let fitted = setup.fitted;
    let somebody = fitted.changer || fitted.bill || fitted.cashless;
    let text = "needs a device on the bus: the machine of the rig has none";
    (!somebody && needs_bus(check)).then(|| Seen::skipped(text))
}

/// What of the machine a check works with: as it is ordinarily, at the prices the check arranged.
fn kit_of(ordinary: &BoardSetup, arranged: &BoardSetup) -> Kit {
    Kit::of(&BoardSetup {
        items: arranged.items.clone(),
        ..ordinary.clone()
    })
}

/// The check and what was seen, in the words of the machine it was done on.
fn worded(check: &BoardCheck, setup: &BoardSetup, mut seen: Seen) -> Seen {
    let arranged = check.arranged(setup);
    let kit = kit_of(setup, &arranged);
    seen.words = Some(Box::new((kit.text(check.title), kit.text(check.expected))));
    seen
}

/// Examines a board; `only` picks checks by names and patterns, with commas between
/// ([`Selection`](crate::Selection)). `each` gets every result as it comes.
#[must_use]
pub fn examine(
    setup: &BoardSetup,
    only: Option<&str>,
    each: impl FnMut(&CheckResult, &[recording::Entry]),
) -> Examination {
    examine_until(setup, only, &Stop::default(), each)
}

/// As [`examine`]; once `stop` is asked for, the checks that are left are skipped.
#[must_use]
pub fn examine_until(
    setup: &BoardSetup,
    only: Option<&str>,
    stop: &Stop,
    each: impl FnMut(&CheckResult, &[recording::Entry]),
) -> Examination {
    let identity = &setup.board.identity;
    let subject = Subject {
        kind: "board".to_owned(),
        name: "controller".to_owned(),
        maker: identity.maker.clone(),
        serial: identity.serial.clone(),
        model: identity.model.clone(),
        version: String::new(),
    };
    gather::examine(
        checks(),
        RELATIONS,
        only,
        stop,
        |check| {
            let (seen, evidence) = run_check(check, setup);
            (worded(check, setup, seen), evidence)
        },
        each,
        (subject, setup.board.decimals),
    )
}

/// What the checks will take with a board outside: as they do with an emulated one, which they are run on.
/// A start from cold is shared ([`BoardOutside`]): of those that need one, the first asks for it.
#[must_use]
pub fn plan(setup: &BoardSetup, only: Option<&str>) -> Plan {
    let selection = Selection::of(only);
    let mut cold = false;
    let expected = |check: &'static BoardCheck| {
        let (_, evidence) = run_check(check, setup);
        let (questions, time) = evidence.map_or((0, Micros::ZERO), |e| (e.questions, e.now));
        let from_cold = check.arranged(setup).from_cold;
        let first = from_cold && !cold;
        cold |= from_cold;
        Expected {
            id: check.id,
            title: check.title,
            questions: questions + if first { 2 } else { 0 },
            time,
        }
    };
    Plan(
        checks()
            .filter(|c| selection.wants(c.id))
            .map(expected)
            .collect(),
    )
}

/// Examines a board at the other end of a port. One board serves all checks, in the port's time; it
/// meets new peripherals in each. When the link fails the checks that are left are skipped, and the
/// error says what happened.
#[must_use]
pub fn examine_outside(
    setup: &BoardSetup,
    outside: BoardOutside,
    only: Option<&str>,
    each: impl FnMut(&CheckResult, &[recording::Entry]),
) -> (Examination, Option<LinkError>) {
    examine_in_order(setup, outside, checks(), only, each)
}

/// As [`examine_outside`], with these checks in this order.
pub(super) fn examine_in_order(
    setup: &BoardSetup,
    mut outside: BoardOutside,
    order: impl Iterator<Item = &'static BoardCheck>,
    only: Option<&str>,
    each: impl FnMut(&CheckResult, &[recording::Entry]),
) -> (Examination, Option<LinkError>) {
    let question = Question::Do {
        text: preparation(setup, outside.has_lines()),
        what: ToDo::Prepare,
    };
    outside.know(setup);
    let stop = outside.linked().stop();
    let mut visit = Visit {
        setup,
        plan: outside.take_plan(),
        course: Course::default(),
        lent: None,
    };
    if outside.ask(&question) == Reply::Stop {
        visit.course.stop();
    }
    visit.lent = Some(outside);
    let subject = Subject {
        kind: "board".to_owned(),
        ..Subject::default()
    };
    let decimals = setup.board.decimals;
    let run = |check: &BoardCheck| {
        let (seen, evidence) = visit.check(check);
        (worded(check, setup, seen), evidence)
    };
    let mut examination = gather::examine(
        order,
        RELATIONS,
        only,
        &stop,
        run,
        each,
        (subject, decimals),
    );
    let mut failure = None;
    if let Some(mut outside) = visit.lent {
        outside.give_back();
        if let Some(id) = outside.identity() {
            let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim_end().to_owned();
            examination.subject.maker = text(&id.maker);
            examination.subject.serial = text(&id.serial);
            examination.subject.model = text(&id.model);
            examination.subject.name = text(&id.model);
        }
        failure = outside.linked().take_failure();
    }
    (examination, failure)
}

/// An examination of a board outside, under way.
struct Visit<'a> {
    /// The board as the person was asked to prepare it, and the ordinary peripherals.
    setup: &'a BoardSetup,
    plan: Plan,
    course: Course,
    /// The board, between one check and the next.
    lent: Option<BoardOutside>,
}

impl Visit<'_> {
    /// Runs one check.
    fn check(&mut self, check: &BoardCheck) -> (Seen, Option<Evidence>) {
        if let Some(end) = nobody_there(check, self.setup) {
            return (end, None);
        }
        let Some(mut outside) = self.lent.take() else {
            return (Seen::skipped(Skip::LinkGone), None);
        };
        if let Some(progress) = self.plan.at(check.id) {
            outside.begins(&progress);
        }
        let arranged = check.arranged(self.setup);
        if let Err(seen) = self.prepare(&mut outside, &arranged) {
            self.lent = Some(outside);
            return (seen, None);
        }
        let Some(outside) = outside.without_credit(self.setup) else {
            return (Seen::skipped(Skip::LinkGone), None);
        };
        let attempted = attempts(outside, BoardOutside::inform, |outside| {
            let kit = kit_of(self.setup, &arranged);
            let mut bench = BoardBench::outside(&arranged, kit, outside)?;
            if arranged.from_cold {
                bench.cold_start();
            }
            let seen = (check.run)(&mut bench).unwrap_or_else(|early| early);
            let (evidence, back) = bench.end();
            Some((seen, evidence, back))
        });
        let Some((seen, evidence, back)) = attempted else {
            return (Seen::cannot_tell(CONTRADICTION), None);
        };
        self.course.done(&evidence);
        self.lent = back;
        (seen, Some(evidence))
    }

    /// Gets the board ready for a check; otherwise how the check ends.
    fn prepare(&mut self, outside: &mut BoardOutside, arranged: &BoardSetup) -> Result<(), Seen> {
        if let Some(why) = self.course.blocked_by(outside.linked()) {
            return Err(Seen::skipped(why));
        }
        // Peripherals are as the check wants them; for the board a person is asked.
        let options = BoardOptions::between(self.setup, arranged).ok_or_else(|| {
            let text = "needs a board that is set up for it: done with the emulated board only";
            Seen::skipped(Skip::EmulatedOnly(text.into()))
        })?;
        let level = outside.habits().cashless_level;
        if let Some(level) = level.filter(|level| *level < Level::THREE)
            && options.is_of_level_3()
        {
            return Err(Seen::skipped(not_offered(level)));
        }
        let ground = outside.level_ground();
        if let Err(why) = ground.and_then(|()| outside.settle(options)) {
            if why == Skip::Stopped {
                self.course.stop();
            }
            return Err(Seen::skipped(why));
        }
        let heard = outside.linked().listen(Micros::secs(30));
        if outside.linked().is_stopped() {
            return Err(Seen::skipped(Skip::Stopped));
        }
        match heard || outside.linked().has_failed() {
            true => Ok(()),
            false => Err(Seen::never_answered()),
        }
    }
}
