//! The line by which a board holds a pulse acceptor off. Such an acceptor has no escrow: what it
//! takes is taken.

use super::common::{empty_tubes, kept};
use crate::board::bench::BoardBench;
use crate::board::heard::CHANGER;
use crate::board::hearing::LetsIn;
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "held-off-before-set-up",
        title: "Holds a pulse acceptor off until it is set up",
        expected: "a bill put in 300 ms after power-up comes back",
        section: COMMON_PRACTICE,
        advice: "Money is taken before the board can count it: hold the acceptor off from power-up.",
        weight: Weight::Money,
        arrange: Some(|s| s.from_cold = true),
        run: |b| {
            if b.is_outside() {
                return before_set_up_outside(b);
            }
            b.wait(Micros::ms(300));
            let line = line(b);
            let taken = taken(b);
            let text = format!("{line}; {} taken", b.show(taken));
            Ok(Seen::judge(taken.is_zero(), text))
        },
        quirk: Quirk::new(
            "lets-in-at-start",
            "lets the acceptor take money before it is set up",
            |s| s.bad.lets_in = Some(LetsIn::AtStart),
        ),
    },
    BoardCheck {
        id: "let-in-when-set-up",
        title: "Lets a pulse acceptor in once it is set up",
        expected: "a bill put in at rest is taken",
        section: COMMON_PRACTICE,
        advice: "The acceptor takes nothing: see the level of the inhibit line, and its wire.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            let line = line(b);
            let value = b.need(b.kit().pulse_bill(false))?;
            let taken = taken(b);
            let text = format!("{line}; {} of {} taken", b.show(taken), b.show(value));
            Ok(Seen::judge(taken == value, text))
        },
        quirk: Quirk::new("never-lets-in", "holds the acceptor off for ever", |s| {
            s.bad.lets_in = Some(LetsIn::Never)
        }),
    },
    BoardCheck {
        id: "held-off-without-change",
        title: "Holds a pulse acceptor off when it cannot give change",
        expected: "with empty tubes a bill put in comes back",
        section: COMMON_PRACTICE,
        advice: "Customers cannot get change: hold the acceptor off when tubes are empty.",
        weight: Weight::Rule,
        arrange: Some(empty_tubes),
        run: |b| {
            b.fit(&[CHANGER])?;
            b.need(b.kit().pulse_needs_change())?;
            b.ready();
            let line = line(b);
            let taken = taken(b);
            let text = format!("{line}; {} taken", b.show(taken));
            Ok(Seen::judge(taken.is_zero(), text))
        },
        quirk: Quirk::new(
            "lets-in-without-change",
            "lets the acceptor in whatever the tubes hold",
            |s| s.bad.lets_in = Some(LetsIn::WithoutChange),
        ),
    },
    BoardCheck {
        id: "held-off-out-of-order",
        title: "Holds a pulse acceptor off when its changer is lost",
        expected: "a bill put in after 15 s without the changer comes back",
        section: COMMON_PRACTICE,
        advice: "Money is taken by a machine that cannot pay: hold the acceptor off when out of order.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            b.power(CHANGER, false);
            b.secs(15);
            let line = line(b);
            let taken = taken(b);
            let text = format!("{line}; {} taken", b.show(taken));
            Ok(Seen::judge(taken.is_zero(), text))
        },
        quirk: Quirk::new(
            "never-holds-off-again",
            "does not hold the acceptor off once it was let in",
            |s| s.bad.lets_in = Some(LetsIn::OnceIn),
        ),
    },
    BoardCheck {
        id: "inhibit-line-steady",
        title: "Keeps the inhibit line steady at rest",
        expected: "no edge on it in 20 s",
        section: COMMON_PRACTICE,
        advice: "Some acceptors give a bill back, or hang, when the line moves: set it only for a reason.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            b.ready();
            b.secs(3);
            let from = b.now();
            b.secs(20);
            let edges = b.held_off().iter().filter(|(at, _)| *at > from).count();
            Ok(Seen::judge(
                edges == 0,
                format!("{} in 20 s", words::count(edges, "edge")),
            ))
        },
        quirk: Quirk::new(
            "chattering-inhibit",
            "moves the inhibit line every three seconds",
            |s| s.bad.lets_in = Some(LetsIn::Chatters),
        ),
    },
];

/// What the old acceptor has taken of a bill after a while.
fn taken(b: &mut BoardBench) -> Money {
    let value = b.pulse_bill(false);
    b.wait(b.pulses_take(value));
    kept(b)
}

fn line(b: &mut BoardBench) -> &'static str {
    match b.held_off().last() {
        None => "the inhibit line never moved",
        Some((_, true)) => "held off",
        Some((_, false)) => "let in",
    }
}

/// Whoever switches a machine on says so too late to put a bill in: the line itself is judged, from
/// the board's first sign of life until it sets anything up.
fn before_set_up_outside(b: &mut BoardBench) -> Run {
    let alive = b.until_so(Micros::secs(20), |b| {
        !b.breaks().is_empty() || !b.blocks().is_empty()
    });
    let first = b.breaks().first().map(|(start, _)| *start);
    let first = first
        .into_iter()
        .chain(b.blocks().first().map(|block| block.at));
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

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
