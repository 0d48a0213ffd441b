//! The examination of a board before it is installed: the tool plays all peripherals.

mod bench;
mod bills;
mod cards;
mod cash;
mod cuts;
pub mod habit;
mod hearing;
mod inhibit;
mod life;
mod lines;
mod options;
mod peers;
mod pulses;
mod readers;
mod repeat;
mod resets;
mod revalue;
mod setup;
mod start;
mod tolerance;

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod outside_tests;
#[cfg(test)]
mod tests;

pub use bench::{BoardBench, BoardOutside, Line};
pub use hearing::{LetsIn, Mishears};
pub use lines::{AcceptorLines, LineEvent};
pub use options::BoardOptions;
pub use setup::BoardSetup;

use crate::Remains;
use crate::Stop;
use crate::check::{Check, Quirk, Seen};
use crate::gather;
use crate::operator::{Deed, Question, Reply};
use crate::outside::{Course, attempts};
use crate::result::{CheckResult, Examination, Subject};
use crate::skip::Skip;
use payrig_link::LinkError;
use payrig_pulse::Coding;
use payrig_units::Micros;
use payrig_units::Money;
use payrig_wire::recording;

/// A check of a board.
pub type BoardCheck = Check<BoardBench, BoardSetup, &'static str>;

/// A check and the wrong behaviour it catches.
#[derive(Debug)]
pub(crate) struct Entry {
    check: BoardCheck,
    quirk: Quirk<BoardSetup>,
}

/// One entry of the table: the check, then its quirk.
macro_rules! entry {
    (
        $id:literal, $title:literal, $expected:literal, $section:expr, $advice:literal,
        $weight:ident, $run:expr, $arrange:expr,
        $quirk:literal, $about:literal, $apply:expr
    ) => {
        crate::board::Entry {
            check: crate::check::Check {
                id: $id,
                title: $title,
                expected: $expected,
                section: $section,
                advice: $advice,
                weight: crate::check::Weight::$weight,
                quirk: $quirk,
                arrange: $arrange,
                run: $run,
            },
            quirk: crate::check::Quirk {
                name: $quirk,
                about: $about,
                caught_by: &[$id],
                apply: $apply,
            },
        }
    };
}
pub(crate) use entry;

fn entries() -> impl Iterator<Item = &'static Entry> {
    let all: &[&'static [Entry]] = &[
        start::setup::ENTRIES,
        start::wire::ENTRIES,
        life::ENTRIES,
        repeat::ENTRIES,
        resets::ENTRIES,
        cash::coins::ENTRIES,
        cash::change::ENTRIES,
        bills::ENTRIES,
        cards::vends::ENTRIES,
        cards::sessions::ENTRIES,
        pulses::ENTRIES,
        inhibit::ENTRIES,
        tolerance::ENTRIES,
        peers::ENTRIES,
        readers::levels::ENTRIES,
        readers::refunds::ENTRIES,
        revalue::ENTRIES,
        cuts::ENTRIES,
    ];
    all.iter().copied().flatten()
}

/// The checks, in order.
pub fn checks() -> impl Iterator<Item = &'static BoardCheck> {
    entries().map(|e| &e.check)
}

/// The wrong behaviours.
pub fn quirks() -> impl Iterator<Item = &'static Quirk<BoardSetup>> {
    entries().map(|e| &e.quirk)
}

/// A quirk by its name.
#[must_use]
pub fn quirk(name: &str) -> Option<&'static Quirk<BoardSetup>> {
    quirks().find(|q| q.name == name)
}

/// Runs one check on a fresh bench.
#[must_use]
pub fn run_check(check: &BoardCheck, setup: &BoardSetup) -> (Seen, Option<Remains>) {
    let mut setup = setup.clone();
    if let Some(arrange) = check.arrange {
        arrange(&mut setup);
    }
    let Some(mut bench) = BoardBench::new(&setup) else {
        return (Seen::cannot_tell("a peripheral contradicts itself"), None);
    };
    let seen = (check.run)(&mut bench).unwrap_or_else(|early| early);
    let remains = bench.finish();
    // Whatever it says, where it could not be done.
    (remains.over.clone().unwrap_or(seen), Some(remains))
}

/// Examines a board; `only` picks one check by its name. `each` is told every result as it comes.
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
        only,
        stop,
        |check| run_check(check, setup),
        each,
        subject,
        setup.board.decimals,
    )
}

/// Checks that judge what a board does first: outside it has to be switched off and on for them.
const COLD: &[&str] = &[
    "bus-reset-length",
    "bus-reset-pause",
    "bus-reset-margin",
    "first-command",
    "held-off-before-set-up",
];

/// What the person is asked to prepare before a board outside is examined; `lines` says whether its
/// pulse lines are connected.
#[must_use]
pub fn preparation(setup: &BoardSetup, lines: bool) -> String {
    let items = setup.board.items.iter();
    let prices: Vec<String> = items
        .map(|i| {
            format!(
                "selection {} to {}",
                i.number,
                i.price.show(setup.board.decimals)
            )
        })
        .collect();
    let pulses = match lines {
        true => format!("; {}", pulse_preparation(setup)),
        false => String::new(),
    };
    format!(
        "set the board up for a changer, a bill validator and a card reader, with these prices: {}; \
         all coins and bills accepted, one vend per payment{pulses}",
        prices.join(", ")
    )
}

/// What the board has to know of the old acceptor.
fn pulse_preparation(setup: &BoardSetup) -> String {
    let profile = &setup.pulse.pulse;
    let level = |high: bool| if high { "high" } else { "low" };
    let show = |amount: Money| amount.show(setup.board.decimals);
    let worth = match &profile.coding {
        Coding::Count { pulses, unit } => format!("{pulses} for {}", show(*unit)),
        // The bench's own acceptor counts.
        _ => format!("as profile \"{}\" says", profile.name),
    };
    format!(
        "an old bill acceptor on a pulse line beside them: pulses of {}, {} while a pulse lasts, \
         {worth}; it is held off while the inhibit line is {}. Now connect these lines, the board's \
         power off",
        profile.on,
        level(profile.active.is_high()),
        level(profile.inhibit.inhibits.is_high()),
    )
}

/// Examines a board at the other end of a port. One board serves all checks, in the port's time; it
/// meets new peripherals in each. When the link fails the checks that are left are skipped, and the
/// error says what happened.
#[must_use]
pub fn examine_outside(
    setup: &BoardSetup,
    mut outside: BoardOutside,
    only: Option<&str>,
    each: impl FnMut(&CheckResult, &[recording::Entry]),
) -> (Examination, Option<LinkError>) {
    let question = Question::Do {
        text: preparation(setup, outside.has_lines()),
        deed: Deed::Prepare,
    };
    let stop = outside.linked().stop();
    let mut course = Course::default();
    if outside.ask(&question) == Reply::Stop {
        course.stop();
    }
    let mut lent = Some(outside);
    let run = |check: &BoardCheck| {
        let Some(mut outside) = lent.take() else {
            return (Seen::skipped(Skip::LinkGone), None);
        };
        if let Some(why) = course.blocked_by(outside.linked()) {
            lent = Some(outside);
            return (Seen::skipped(why), None);
        }
        let mut arranged = setup.clone();
        if let Some(arrange) = check.arrange {
            arrange(&mut arranged);
        }
        // Peripherals are as the check wants them; for the board a person is asked.
        let Some(options) = BoardOptions::between(setup, &arranged) else {
            lent = Some(outside);
            let text = "needs a board that is set up for it: done with the emulated board only";
            return (Seen::skipped(Skip::EmulatedOnly(text.into())), None);
        };
        if let Err(why) = outside.settle(options) {
            lent = Some(outside);
            if why == Skip::Stopped {
                course.stop();
            }
            return (Seen::skipped(why), None);
        }
        let heard = outside.linked().listen(Micros::secs(30));
        if outside.linked().is_stopped() {
            lent = Some(outside);
            return (Seen::skipped(Skip::Stopped), None);
        }
        if !heard && !outside.linked().has_failed() {
            lent = Some(outside);
            return (Seen::never_answered(), None);
        }
        let Some(outside) = outside.without_credit(setup) else {
            return (Seen::skipped(Skip::LinkGone), None);
        };
        let attempted = attempts(outside, BoardOutside::tell, |outside| {
            let mut bench = BoardBench::outside(&arranged, outside)?;
            if COLD.contains(&check.id) {
                bench.cold_start();
            }
            let seen = (check.run)(&mut bench).unwrap_or_else(|early| early);
            let (remains, back) = bench.end();
            Some((seen, remains, back))
        });
        let Some((seen, remains, back)) = attempted else {
            return (Seen::cannot_tell("a peripheral contradicts itself"), None);
        };
        course.done(&remains);
        lent = back;
        (seen, Some(remains))
    };
    let subject = Subject {
        kind: "board".to_owned(),
        ..Subject::default()
    };
    let decimals = setup.board.decimals;
    let mut examination = gather::examine(checks(), only, &stop, run, each, subject, decimals);
    let mut failure = None;
    if let Some(mut outside) = lent {
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

/// What the customer has beyond what is right, in words.
fn than_right(b: &BoardBench, gain: Money) -> String {
    match gain {
        Money::ZERO => "exactly what is right".to_owned(),
        more if more > Money::ZERO => format!("{} more than is right", b.show(more)),
        less => format!("{} less than is right", b.show(-less)),
    }
}

/// Presses the coin return and says what came out of it within 10 s.
fn refund(b: &mut BoardBench) -> Money {
    let before = b.customer();
    b.press_return();
    b.secs(10);
    b.customer().saturating_sub(before)
}

/// Pass when the coin return gives back exactly this.
fn refunds(b: &mut BoardBench, wanted: i64) -> crate::check::Run {
    let got = refund(b);
    let text = format!(
        "the coin return gives {}, credit should be {}",
        b.show(got),
        b.show(Money(wanted))
    );
    Ok(Seen::judge(got == Money(wanted), text))
}
