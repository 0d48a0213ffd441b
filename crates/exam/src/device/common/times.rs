//! Times on the wire, over thousands of POLLs.

use super::super::bench::Bench;
use super::super::setup::Setup;
use super::{bytes, found, poll};
use crate::check::{Check, Run, Seen, Weight};
use payrig_units::Micros;

/// The latest answer (3.2).
const ANSWER_LIMIT: Micros = Micros::ms(5);

/// The longest pause inside an answer (3.2).
const GAP_LIMIT: Micros = Micros::ms(1);

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "answer-time",
        title: "Answers within 5 ms, over two thousand POLLs",
        expected: "no answer later than 5.0 ms",
        section: "3.2",
        advice: "Old boards give up after 5 ms and lose reports. Do not install it on those.",
        weight: Weight::Rule,
        quirk: "late-answers",
        arrange: None,
        run: answer_time,
    },
    Check {
        id: "answer-time-margin",
        title: "Answers within 4 ms",
        expected: "no answer later than 4.0 ms",
        section: "Appendix 3, section 2",
        advice: "It keeps the limit, without the margin that is recommended.",
        weight: Weight::Advice,
        quirk: "hardly-in-time",
        arrange: None,
        run: answer_time_margin,
    },
    Check {
        id: "inter-byte-time",
        title: "Pauses at most 1 ms between bytes",
        expected: "no pause inside an answer longer than 1.0 ms",
        section: "3.2",
        advice: "Boards take the answer for ended and lose it. Do not install it.",
        weight: Weight::Rule,
        quirk: "slow-bytes",
        arrange: None,
        run: inter_byte_time,
    },
    Check {
        id: "inter-byte-margin",
        title: "Pauses at most 0.8 ms between bytes",
        expected: "no pause inside an answer longer than 0.8 ms",
        section: "Appendix 3, section 2",
        advice: "It keeps the limit, without the margin that is recommended.",
        weight: Weight::Advice,
        quirk: "rather-slow-bytes",
        arrange: None,
        run: inter_byte_margin,
    },
];

fn many_polls(b: &mut Bench, count: u32) {
    found(b);
    for _ in 0..count {
        poll(b);
        b.wait(Micros::ms(20));
    }
}

fn spread(times: &[Micros]) -> Option<(Micros, Micros, usize)> {
    let least = times.iter().min()?;
    Some((*least, *times.iter().max()?, times.len()))
}

/// What is said of a margin that is missed by more than the limit itself.
const BEYOND_THE_LIMIT: &str =
    "It does not even keep the limit: what is advised for the check of the limit itself holds.";

/// A recommended margin below a limit.
fn margin(seen: Seen, times: &[Micros], limit: Micros, uncertainty: Micros) -> Seen {
    let beyond = times.iter().any(|t| t.since(uncertainty) > limit);
    seen.advising(beyond.then_some(BEYOND_THE_LIMIT))
}

fn times_within(times: &[Micros], limit: Micros, what: &str, uncertainty: Micros) -> Run {
    let Some((least, most, count)) = spread(times) else {
        return Ok(Seen::cannot_tell("it answered nothing that could be timed"));
    };
    let late = times.iter().filter(|t| **t > limit).count();
    let text = format!("{count} {what}: {least} to {most}, {late} over {limit}");
    Ok(Seen::at_most(times, limit, uncertainty, text))
}

fn answer_time(b: &mut Bench) -> Run {
    many_polls(b, 4_000);
    times_within(b.answer_times(), ANSWER_LIMIT, "answers", b.uncertainty())
}

fn answer_time_margin(b: &mut Bench) -> Run {
    many_polls(b, 200);
    let (times, off) = (b.answer_times(), b.uncertainty());
    let seen = times_within(times, Micros::ms(4), "answers", off)?;
    Ok(margin(seen, times, ANSWER_LIMIT, off))
}

fn long_answers(b: &mut Bench) {
    found(b);
    for _ in 0..50 {
        let setup = bytes(b).setup;
        b.ask(setup);
        b.wait(Micros::ms(20));
        poll(b);
    }
}

fn inter_byte_time(b: &mut Bench) -> Run {
    long_answers(b);
    times_within(b.gaps(), GAP_LIMIT, "pauses", b.uncertainty())
}

fn inter_byte_margin(b: &mut Bench) -> Run {
    long_answers(b);
    let (times, off) = (b.gaps(), b.uncertainty());
    let seen = times_within(times, Micros(800), "pauses", off)?;
    Ok(margin(seen, times, GAP_LIMIT, off))
}
