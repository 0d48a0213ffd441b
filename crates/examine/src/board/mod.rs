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
mod tests;

pub use bench::{BoardBench, Line};
pub use hearing::{LetsIn, Mishears};
pub use setup::BoardSetup;

use crate::Remains;
use crate::check::{Check, Quirk, Seen};
use crate::gather;
use crate::result::{CheckResult, Examination, Subject};
use payrig_units::Money;
use payrig_wire::recording;

/// A check of a board.
pub type BoardCheck = Check<BoardBench, BoardSetup>;

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
    (seen, Some(bench.finish()))
}

/// Examines a board; `only` picks one check by its name. `each` is told every result as it comes.
#[must_use]
pub fn examine(
    setup: &BoardSetup,
    only: Option<&str>,
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
        |check| run_check(check, setup),
        each,
        subject,
        setup.board.decimals,
    )
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
