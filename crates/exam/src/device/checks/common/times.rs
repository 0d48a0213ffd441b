//! Times on the wire, over thousands of POLLs.

use super::{found, poll};
use crate::check::{Check, Quirk, Run, Seen, Timed, Weight};
use crate::device::typed::{Common, Request};
use crate::device::{Bench, DeviceCheck};
use payrig_units::Micros;

/// The latest answer (3.2).
const ANSWER_LIMIT: Micros = Micros::ms(5);

/// The longest pause inside an answer (3.2).
const GAP_LIMIT: Micros = Micros::ms(1);

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "answer-time",
        title: "Answers within 5 ms, over two thousand POLLs",
        expected: "no answer later than 5.0 ms",
        section: "3.2",
        advice: "Old boards give up after 5 ms and lose reports. Do not install it on those.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "late-answers",
            about: "every fiftieth answer comes after 6.5 ms",
            caught_by: &["answer-time-margin"],
            apply: |s| s.habits.late = Some((50, Micros(5_500))),
        },
        arrange: None,
        run: |b| {
            many_polls(b, 4_000);
            times_within(b.answer_times(), ANSWER_LIMIT, "answers")
        },
    },
    Check {
        id: "answer-time-margin",
        title: "Answers within 4 ms",
        expected: "no answer later than 4.0 ms",
        section: "Appendix 3, section 2",
        advice: "It keeps the limit, without the margin that is recommended.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "hardly-in-time",
            "every tenth answer comes after 4.4 ms",
            |s| s.habits.late = Some((10, Micros(3_400))),
        ),
        arrange: None,
        run: |b| {
            many_polls(b, 200);
            let times = b.answer_times();
            let seen = times_within(times, Micros::ms(4), "answers")?;
            Ok(margin(seen, times, ANSWER_LIMIT))
        },
    },
    Check {
        id: "inter-byte-time",
        title: "Pauses at most 1 ms between bytes",
        expected: "no pause inside an answer longer than 1.0 ms",
        section: "3.2",
        advice: "Boards take the answer for ended and lose it. Do not install it.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "slow-bytes",
            about: "pauses 1.5 ms between bytes",
            caught_by: &["inter-byte-margin"],
            apply: |s| s.timing.gap = Micros(1_500),
        },
        arrange: None,
        run: |b| {
            long_answers(b);
            times_within(b.gaps(), GAP_LIMIT, "pauses")
        },
    },
    Check {
        id: "inter-byte-margin",
        title: "Pauses at most 0.8 ms between bytes",
        expected: "no pause inside an answer longer than 0.8 ms",
        section: "Appendix 3, section 2",
        advice: "It keeps the limit, without the margin that is recommended.",
        weight: Weight::Advice,
        quirk: Quirk::new("rather-slow-bytes", "pauses 0.9 ms between bytes", |s| {
            s.timing.gap = Micros(900)
        }),
        arrange: None,
        run: |b| {
            long_answers(b);
            let times = b.gaps();
            let seen = times_within(times, Micros(800), "pauses")?;
            Ok(margin(seen, times, GAP_LIMIT))
        },
    },
];

fn many_polls(b: &mut Bench, count: u32) {
    found(b);
    for _ in 0..count {
        poll(b);
        b.wait(Micros::ms(20));
    }
}

fn spread(times: &[Timed]) -> Option<(Micros, Micros, usize)> {
    let (least, most) = (times.iter().min()?, times.iter().max()?);
    Some((least.time, most.time, times.len()))
}

/// What is said of a margin that is missed by more than the limit itself.
const BEYOND_THE_LIMIT: &str =
    "It does not even keep the limit: what is advised for the check of the limit itself holds.";

/// A recommended margin below a limit.
fn margin(seen: Seen, times: &[Timed], limit: Micros) -> Seen {
    let beyond = times.iter().any(|t| t.time.since(t.off) > limit);
    seen.advising(beyond.then_some(BEYOND_THE_LIMIT))
}

fn times_within(times: &[Timed], limit: Micros, what: &str) -> Run {
    let Some((least, most, count)) = spread(times) else {
        return Ok(Seen::cannot_tell("it answered nothing that could be timed"));
    };
    let late = times.iter().filter(|t| t.time > limit).count();
    let text = format!("{count} {what}: {least} to {most}, {late} over {limit}");
    Ok(Seen::at_most(times, limit, text))
}

fn long_answers(b: &mut Bench) {
    found(b);
    for _ in 0..50 {
        let setup = Common::Setup.at(b);
        b.ask(setup.block().bytes());
        b.wait(Micros::ms(20));
        poll(b);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
