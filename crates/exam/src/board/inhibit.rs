//! Checks of the line by which a board holds a pulse acceptor off. Such an acceptor has no escrow:
//! what it takes is taken.

use super::bench::{BoardBench, CHANGER};
use super::hearing::LetsIn;
use super::{Entry, entry};
use crate::check::{COMMON_PRACTICE, Run, Seen};
use payrig_units::{Micros, Money, Place, words};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "held-off-before-set-up",
        "Holds a pulse acceptor off until it is set up",
        "a bill put in 300 ms after power-up comes back",
        COMMON_PRACTICE,
        "Money is taken before the board can count it: hold the acceptor off from power-up.",
        Rule,
        before_set_up,
        None,
        "lets-in-at-start",
        "lets the acceptor take money before it is set up",
        |s| s.habits.lets_in = Some(LetsIn::AtStart)
    ),
    entry!(
        "let-in-when-set-up",
        "Lets a pulse acceptor in once it is set up",
        "a bill put in at rest is taken",
        COMMON_PRACTICE,
        "The acceptor takes nothing: see the level of the inhibit line, and its wire.",
        Rule,
        let_in,
        None,
        "never-lets-in",
        "holds the acceptor off for ever",
        |s| s.habits.lets_in = Some(LetsIn::Never)
    ),
    entry!(
        "held-off-without-change",
        "Holds a pulse acceptor off when it cannot give change",
        "with empty tubes a bill put in comes back",
        COMMON_PRACTICE,
        "Customers cannot get change: hold the acceptor off when tubes are empty.",
        Rule,
        refused,
        Some(super::cash::empty),
        "lets-in-without-change",
        "lets the acceptor in whatever the tubes hold",
        |s| s.habits.lets_in = Some(LetsIn::WithoutChange)
    ),
    entry!(
        "held-off-out-of-order",
        "Holds a pulse acceptor off when its changer is lost",
        "a bill put in after 15 s without the changer comes back",
        COMMON_PRACTICE,
        "Money is taken by a machine that cannot pay: hold the acceptor off when out of order.",
        Rule,
        out_of_order,
        None,
        "never-holds-off-again",
        "does not hold the acceptor off once it was let in",
        |s| s.habits.lets_in = Some(LetsIn::OnceIn)
    ),
    entry!(
        "inhibit-line-steady",
        "Keeps the inhibit line steady at rest",
        "no edge on it in 20 s",
        COMMON_PRACTICE,
        "Some acceptors give a bill back, or hang, when the line moves: set it only for a reason.",
        Advice,
        steady,
        None,
        "chattering-inhibit",
        "moves the inhibit line every three seconds",
        |s| s.habits.lets_in = Some(LetsIn::Chatters)
    ),
];

/// What the old acceptor has taken of a bill of 1.00 after a while.
fn taken(b: &mut BoardBench) -> Money {
    b.pulse_bill(100);
    b.secs(8);
    b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)))
}

fn line(b: &mut BoardBench) -> &'static str {
    match b.held_off().last() {
        None => "the inhibit line never moved",
        Some((_, true)) => "held off",
        Some((_, false)) => "let in",
    }
}

fn before_set_up(b: &mut BoardBench) -> Run {
    if b.is_outside() {
        return before_set_up_outside(b);
    }
    b.wait(Micros::ms(300));
    let line = line(b);
    let taken = taken(b);
    let text = format!("{line}; {} taken", b.show(taken));
    Ok(Seen::judge(taken.is_zero(), text))
}

/// Whoever switches a machine on says so too late to put a bill in: the line itself is judged, from
/// the board's first sign of life until it sets anything up.
fn before_set_up_outside(b: &mut BoardBench) -> Run {
    let alive = b.until_so(Micros::secs(20), |b| {
        !b.breaks().is_empty() || !b.lines().is_empty()
    });
    let first = b.breaks().first().map(|(start, _)| *start);
    let first = first.into_iter().chain(b.lines().first().map(|l| l.at));
    let (true, Some(first)) = (alive, first.min()) else {
        return Ok(Seen::cannot_tell("the board was not heard after power-up"));
    };
    let at = first + Micros::ms(300);
    b.until(b.now().max(at));
    let (held, line) = match b.was_held_off(at) {
        Some(true) => (true, "held off"),
        Some(false) => (false, "let in"),
        None => (false, "the inhibit line never moved"),
    };
    let text = format!("{line} 300 ms after its first sign of life");
    Ok(Seen::judge(held, text))
}

fn let_in(b: &mut BoardBench) -> Run {
    b.ready();
    let line = line(b);
    let taken = taken(b);
    let text = format!("{line}; {} of 1.00 taken", b.show(taken));
    Ok(Seen::judge(taken == Money(100), text))
}

fn refused(b: &mut BoardBench) -> Run {
    b.ready();
    let line = line(b);
    let taken = taken(b);
    let text = format!("{line}; {} taken", b.show(taken));
    Ok(Seen::judge(taken.is_zero(), text))
}

fn out_of_order(b: &mut BoardBench) -> Run {
    b.ready();
    b.power(CHANGER, false);
    b.secs(15);
    let line = line(b);
    let taken = taken(b);
    let text = format!("{line}; {} taken", b.show(taken));
    Ok(Seen::judge(taken.is_zero(), text))
}

fn steady(b: &mut BoardBench) -> Run {
    b.ready();
    b.secs(3);
    let from = b.now();
    b.secs(20);
    let edges = b.held_off().iter().filter(|(at, _)| *at > from).count();
    Ok(Seen::judge(
        edges == 0,
        format!("{} in 20 s", words::count(edges, "edge")),
    ))
}
