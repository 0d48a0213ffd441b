//! Resets and JUST RESET.

use super::super::bench::{Answer, Bench, Close, POLL_EVERY};
use super::super::setup::Setup;
use super::{
    bytes, found, found_anew, no_just_reset, order, poll, says_just_reset, until_just_reset,
};
use crate::check::{Check, Run, Seen, Weight};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "answers-after-bus-reset",
        title: "Answers POLL after a bus reset",
        expected: "an answer within the non-response time",
        section: "2.2, 5.4, 6.4, 7.5",
        advice: "Check power, plug and address; a device that needs longer is missed by boards.",
        weight: Weight::Rule,
        quirk: "slow-start",
        arrange: None,
        run: answers_after_bus_reset,
    },
    Check {
        id: "just-reset-said",
        title: "Says JUST RESET after a bus reset",
        expected: "JUST RESET at one of the first POLLs",
        section: "2.2, 2.4.4",
        advice: "It does not answer after a bus reset. Check power, plug and address.",
        weight: Weight::Rule,
        quirk: "no-just-reset",
        arrange: None,
        run: just_reset_said,
    },
    Check {
        id: "just-reset-once",
        title: "Says JUST RESET once",
        expected: "no JUST RESET once it was acknowledged",
        section: "2.2",
        advice: "A board sets the device up again and again. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: "reports-again",
        arrange: None,
        run: just_reset_once,
    },
    Check {
        id: "just-reset-until-acknowledged",
        title: "Repeats JUST RESET until it is acknowledged",
        expected: "JUST RESET again after a lost ACK",
        section: "2.2",
        advice: "A board that missed it does not set the device up. Replace the device.",
        weight: Weight::Rule,
        quirk: "silence-is-ack",
        arrange: None,
        run: just_reset_until_acknowledged,
    },
    Check {
        id: "nak-repeats",
        title: "Repeats a report that was answered with NAK",
        expected: "the same data at the next POLL",
        section: "2.2",
        advice: "Reports are lost on a noisy bus. Replace the device.",
        weight: Weight::Rule,
        quirk: "nak-is-ack",
        arrange: None,
        run: nak_repeats,
    },
    Check {
        id: "reset-obeyed",
        title: "Obeys RESET",
        expected: "ACK, and then JUST RESET",
        section: "5.3, 6.3, 7.4.1",
        advice: "RESET silences it: a board takes it for gone. Replace it.",
        weight: Weight::Rule,
        quirk: "shrugs-reset",
        arrange: None,
        run: reset_obeyed,
    },
    Check {
        id: "bus-reset-obeyed",
        title: "Obeys a bus reset of 110 ms",
        expected: "JUST RESET after it",
        section: "2.2, 3.2",
        advice: "A bus reset silences it. Check power and plug. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: "ignores-bus-reset",
        arrange: None,
        run: bus_reset_obeyed,
    },
];

/// It answers and never says JUST RESET.
const NEVER_SET_UP: &str =
    "A board may never set this device up. Update its software or replace it.";

/// It answers; RESET is not obeyed, or nobody can see that it is.
const NO_KNOWN_STATE: &str = "A board cannot bring this device into a known state, or cannot see that \
     it did. Update its software or replace it.";

/// It answers, so its receive line is good; it did not notice the bus reset, or did not say so.
const BUS_RESET_UNNOTICED: &str = "Its lines are good, for it answers: it takes no notice of a bus \
     reset, or does not say so, and boards rely on both. Update its software or replace it.";

fn answers_after_bus_reset(b: &mut Bench) -> Run {
    b.bus_reset();
    let from = b.now();
    let limit = bytes(b).non_response;
    while b.now() < from + limit + Micros::ms(500) {
        let answer = poll(b);
        if answer != Answer::Silence {
            let took = b.now().since(from);
            let text = format!("{} after {took}", answer.text());
            return Ok(Seen::pass(text));
        }
        b.wait(POLL_EVERY);
    }
    Ok(Seen::fail(format!("silence for {limit}")))
}

fn just_reset_said(b: &mut Bench) -> Run {
    b.bus_reset();
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("JUST RESET after {took}")),
        None => no_just_reset(b, "no JUST RESET", NEVER_SET_UP),
    })
}

fn just_reset_once(b: &mut Bench) -> Run {
    found_anew(b)?;
    let mut again = 0;
    for _ in 0..40 {
        b.wait(POLL_EVERY);
        let answer = poll(b);
        again += u32::from(says_just_reset(b, &answer));
    }
    let text = format!(
        "{again} in 40 POLLs after its ACK",
        again = words::times(again)
    );
    Ok(Seen::judge(again == 0, text))
}

fn first_report(b: &mut Bench, close: Close) -> Result<Answer, Seen> {
    b.bus_reset();
    let poll = bytes(b).poll;
    for _ in 0..60 {
        let answer = b.exchange(&[poll], close);
        if answer.data().is_some() {
            return Ok(answer);
        }
        b.wait(POLL_EVERY);
    }
    Err(Seen::cannot_tell("it reported nothing to be repeated"))
}

fn repeated(b: &mut Bench, first: &Answer) -> Run {
    let again = poll(b);
    let same = again.data().is_some() && again.data() == first.data();
    let text = format!("first {}, then {}", first.text(), again.text());
    Ok(Seen::judge(same, text))
}

fn just_reset_until_acknowledged(b: &mut Bench) -> Run {
    let first = first_report(b, Close::Silence)?;
    repeated(b, &first)
}

fn nak_repeats(b: &mut Bench) -> Run {
    let first = first_report(b, Close::Nak)?;
    repeated(b, &first)
}

fn reset_obeyed(b: &mut Bench) -> Run {
    found(b);
    let reset = bytes(b).reset;
    order(b, &[reset], "RESET").map_err(|seen| seen.advising(Some(NO_KNOWN_STATE)))?;
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("ACK, then JUST RESET after {took}")),
        None => no_just_reset(b, "ACK, then no JUST RESET", NO_KNOWN_STATE),
    })
}

fn bus_reset_obeyed(b: &mut Bench) -> Run {
    found(b);
    b.hold(Micros::ms(110));
    b.wait(Micros::ms(500));
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("JUST RESET after {took}")),
        None => no_just_reset(b, "no JUST RESET", BUS_RESET_UNNOTICED),
    })
}
