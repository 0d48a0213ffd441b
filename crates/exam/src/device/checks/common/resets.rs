//! Resets and JUST RESET.

use super::{
    answered, found, found_anew, no_just_reset, non_response, non_response_time, order, poll,
    polls_just_reset, until_just_reset,
};
use crate::check::{Check, Quirk, Run, Seen, Weight};
use crate::device::typed::{Common, Request, is_reset};
use crate::device::{Answer, Bench, Close, DeviceCheck, POLL_EVERY};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "answers-after-bus-reset",
        title: "Answers POLL after a bus reset",
        expected: "an answer within the non-response time",
        section: "2.2, 5.4, 6.4, 7.5",
        advice: "Check power, plug and address; a device that needs longer is missed by boards.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "slow-start",
            about: "silent for 8 s after a bus reset",
            caught_by: &["just-reset-said", "bus-reset-obeyed"],
            apply: |s| s.habits.slow_start = Some(Micros::secs(8)),
        },
        arrange: None,
        run: |b| {
            b.bus_reset();
            let from = b.now();
            let limit = non_response(b);
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
        },
    },
    Check {
        id: "just-reset-said",
        title: "Says JUST RESET after a bus reset",
        expected: "JUST RESET at one of the first POLLs",
        section: "2.2, 2.4.4",
        advice: "It does not answer after a bus reset. Check power, plug and address.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "no-just-reset",
            about: "never says JUST RESET",
            caught_by: &["reset-obeyed", "bus-reset-obeyed"],
            apply: |s| {
                s.changer_quirks.no_just_reset = true;
                s.bill_quirks.no_just_reset = true;
                s.cashless.quirks.no_just_reset = true;
            },
        },
        arrange: None,
        run: |b| {
            b.bus_reset();
            Ok(match until_just_reset(b) {
                Some(took) => Seen::pass(format!("JUST RESET after {took}")),
                None => no_just_reset(b, "no JUST RESET", NEVER_SET_UP),
            })
        },
    },
    Check {
        id: "just-reset-once",
        title: "Says JUST RESET once",
        expected: "no JUST RESET once it was acknowledged",
        section: "2.2",
        advice: "A board sets the device up again and again. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "reports-again",
            "says each report once more after its ACK",
            |s| s.habits.reports_again = true,
        ),
        arrange: None,
        run: |b| {
            found_anew(b)?;
            let mut again = 0;
            for _ in 0..40 {
                b.wait(POLL_EVERY);
                again += u32::from(polls_just_reset(b));
            }
            let text = format!(
                "{again} in 40 POLLs after its ACK",
                again = words::times(again)
            );
            Ok(Seen::judge(again == 0, text))
        },
    },
    Check {
        id: "just-reset-until-acknowledged",
        title: "Repeats JUST RESET until it is acknowledged",
        expected: "JUST RESET again after a lost ACK",
        section: "2.2",
        advice: "A board that missed it does not set the device up. Replace the device.",
        weight: Weight::Rule,
        quirk: Quirk::new("silence-is-ack", "takes silence for ACK", |s| {
            s.habits.silence_is_ack = true
        }),
        arrange: None,
        run: |b| {
            let first = first_report(b, Close::Silence)?;
            repeated(b, &first)
        },
    },
    Check {
        id: "repeats-until-acknowledged",
        title: "Repeats a report as often as its ACK is lost",
        expected: "JUST RESET at each of six POLLs that nobody acknowledges",
        section: "2.2, Appendix 3, section 3",
        advice: "What it reports is lost when the bus is noisy for longer. Do not install it.",
        weight: Weight::Rule,
        quirk: Quirk::new("repeats-once", "drops a report that it sent twice", |s| {
            s.habits.repeats_at_most = Some(2)
        }),
        arrange: None,
        run: |b| {
            b.bus_reset();
            let just_reset = |b: &mut Bench| {
                let poll = Common::Poll.at(b);
                answered(b, &poll, Close::Silence).is_ok_and(|said| said.says_just_reset())
            };
            let by = b.now() + non_response(b) + Micros::ms(500);
            while !just_reset(b) {
                if b.now() >= by {
                    return Ok(Seen::cannot_tell("JUST RESET never came"));
                }
                b.wait(POLL_EVERY);
            }
            let mut said = 1;
            while said < UNACKNOWLEDGED && just_reset(b) {
                said += 1;
            }
            // It is acknowledged after all.
            poll(b);
            let text = format!(
                "said {said} while no ACK came, {UNACKNOWLEDGED} POLLs",
                said = words::times(said)
            );
            Ok(Seen::judge(said == UNACKNOWLEDGED, text))
        },
    },
    Check {
        id: "nak-repeats",
        title: "Repeats a report that was answered with NAK",
        expected: "the same data at the next POLL",
        section: "2.2",
        advice: "Reports are lost on a noisy bus. Replace the device.",
        weight: Weight::Rule,
        quirk: Quirk::new("nak-is-ack", "takes NAK for ACK", |s| {
            s.habits.nak_is_ack = true
        }),
        arrange: None,
        run: |b| {
            let first = first_report(b, Close::Nak)?;
            repeated(b, &first)
        },
    },
    Check {
        id: "reset-obeyed",
        title: "Obeys RESET",
        expected: "ACK, and then JUST RESET",
        section: "5.3, 6.3, 7.4.1",
        advice: "RESET silences it: a board takes it for gone. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("shrugs-reset", "acknowledges RESET and does nothing", |s| {
            s.habits.acknowledges_only = Some(is_reset)
        }),
        arrange: None,
        run: |b| {
            found(b);
            let reset = Common::Reset.at(b);
            order(b, &reset).map_err(|seen| seen.advising(Some(NO_KNOWN_STATE)))?;
            Ok(match until_just_reset(b) {
                Some(took) => Seen::pass(format!("ACK, then JUST RESET after {took}")),
                None => no_just_reset(b, "ACK, then no JUST RESET", NO_KNOWN_STATE),
            })
        },
    },
    Check {
        id: "bus-reset-obeyed",
        title: "Obeys a bus reset of 110 ms",
        expected: "JUST RESET after it",
        section: "2.2, 3.2",
        advice: "A bus reset silences it. Check power and plug. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("ignores-bus-reset", "does not hear a bus reset", |s| {
            s.habits.ignores_bus_reset = true
        }),
        arrange: None,
        run: |b| {
            found(b);
            b.hold(Micros::ms(110));
            b.wait(Micros::ms(500));
            Ok(match until_just_reset(b) {
                Some(took) => Seen::pass(format!("JUST RESET after {took}")),
                None => no_just_reset(b, "no JUST RESET", BUS_RESET_UNNOTICED),
            })
        },
    },
];

/// POLLs whose answer nobody acknowledges.
const UNACKNOWLEDGED: u32 = 6;

/// It answers and never says JUST RESET.
const NEVER_SET_UP: &str =
    "A board may never set this device up. Update its software or replace it.";

/// It answers; RESET is not obeyed, or nobody can see that it is.
const NO_KNOWN_STATE: &str = "A board cannot bring this device into a known state, or cannot see that \
     it did. Update its software or replace it.";

/// It answers, so its receive line is good; it did not notice the bus reset, or did not say so.
const BUS_RESET_UNNOTICED: &str = "Its lines are good, for it answers: it takes no notice of a bus \
     reset, or does not say so, and boards rely on both. Update its software or replace it.";

fn first_report(b: &mut Bench, close: Close) -> Result<Answer, Seen> {
    b.bus_reset();
    let poll = Common::Poll.at(b).block();
    for _ in 0..60 {
        let answer = b.exchange(poll.bytes(), close);
        if answer.data().is_some() {
            return Ok(answer);
        }
        b.wait(POLL_EVERY);
    }
    Err(Seen::cannot_tell("it reported nothing to be repeated"))
}

fn repeated(b: &mut Bench, first: &Answer) -> Run {
    let mut again = poll(b);
    let by = b.now() + non_response_time(b);
    while again == Answer::Silence && b.now() < by {
        b.wait(POLL_EVERY);
        again = poll(b);
    }
    let same = again.data().is_some() && again.data() == first.data();
    let text = format!("first {}, then {}", first.text(), again.text());
    Ok(Seen::judge(same, text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
