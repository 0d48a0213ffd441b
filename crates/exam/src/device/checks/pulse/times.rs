//! Widths and pauses: within their tolerance, steady, of the right setting.

use super::{afford, affordable, feed, largest, measured, range, whole_bill};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::DeviceCheck;
use payrig_pulse::{Profile, Train, Verdict, judge, nearest_profile};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "pulse-width",
        title: "Sends pulses of the right width",
        expected: "every width within the tolerance of its setting",
        section: COMMON_PRACTICE,
        advice: "Set the pulse speed to what the board expects. If that does not help, replace \
                 the acceptor.",
        weight: Weight::Rule,
        quirk: Quirk::new("narrow-pulses", "pulses shorter by 40 %", |s| {
            s.pulse.faults(s.kind).width_percent = -40
        }),
        arrange: None,
        run: |b| {
            let train = whole_bill(b)?;
            let judged = judge(&train, b.profile()?);
            let wrong = judged
                .widths
                .iter()
                .filter(|v| **v == Verdict::Fail)
                .count();
            let text = format!(
                "{} of {}, {wrong} out of tolerance of {}",
                words::count(train.count(), "pulse"),
                range(&train.widths()),
                b.profile()?.on
            );
            Ok(measured(b, within(&judged.widths, train.uncertainty, text)))
        },
    },
    Check {
        id: "pulse-gap",
        title: "Pauses rightly between pulses",
        expected: "every pause within the tolerance of its setting",
        section: COMMON_PRACTICE,
        advice: "Set the pulse speed to what the board expects. If that does not help, replace \
                 the acceptor.",
        weight: Weight::Rule,
        quirk: Quirk::new("long-gaps", "pauses longer by 60 %", |s| {
            s.pulse.faults(s.kind).gap_percent = 60
        }),
        arrange: None,
        run: |b| {
            let train = whole_bill(b)?;
            let judged = judge(&train, b.profile()?);
            let wrong = judged.gaps.iter().filter(|v| **v == Verdict::Fail).count();
            let text = format!(
                "pauses of {}, {wrong} out of tolerance of {}",
                range(&train.gaps()),
                b.profile()?.off
            );
            Ok(measured(b, within(&judged.gaps, train.uncertainty, text)))
        },
    },
    Check {
        id: "pulse-drift",
        title: "Keeps the width of its pulses",
        expected: "widths over forty pulses within a tenth of each other, no drift",
        section: COMMON_PRACTICE,
        advice: "Its clock or output wanders: it may fail when it is warm or cold.",
        weight: Weight::Advice,
        quirk: Quirk::new("jitter", "times off by up to 8 ms", |s| {
            s.pulse.faults(s.kind).jitter_us = 8_000
        }),
        arrange: None,
        run: |b| {
            let bill = largest(b)?;
            afford(b, &[bill; 2])?;
            let mut widths = Vec::new();
            for _ in 0..2 {
                let trains = feed(b, bill)?;
                widths.extend(trains.iter().flat_map(Train::widths));
            }
            let (Some(least), Some(most)) = (widths.iter().min(), widths.iter().max()) else {
                return Ok(Seen::cannot_tell("no pulses came"));
            };
            let spread = most.since(*least);
            let tenth = Micros(b.profile()?.on.as_us() / 10);
            let first = mean(widths.get(..10).unwrap_or(&widths));
            let last = mean(
                widths
                    .get(widths.len().saturating_sub(10)..)
                    .unwrap_or(&widths),
            );
            let moved = first.since(last).max(last.since(first));
            let text = format!(
                "{} of {}; first ten {first}, last ten {last} on average",
                words::count(widths.len(), "pulse"),
                range(&widths)
            );
            let steady = spread <= tenth && moved <= tenth;
            Ok(measured(b, Seen::judge(steady, text)))
        },
    },
    Check {
        id: "pulse-drift-slow",
        title: "Keeps the width of its pulses over hundreds of them",
        expected: "over 400 pulses a drift of less than 0.5 % per 100 pulses",
        section: COMMON_PRACTICE,
        advice: "Its times creep as it works: it will be out of tolerance on a busy day. Watch it.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "slow-drift",
            "pulses grow by 1 % with every 100 of them",
            |s| s.pulse.faults(s.kind).drift_percent = 1,
        ),
        arrange: None,
        run: |b| {
            let value = largest(b)?;
            let mut widths = Vec::new();
            for _ in 0..400 {
                if affordable(b, &[value]) == 0 {
                    break;
                }
                let trains = feed(b, value)?;
                let before = widths.len();
                widths.extend(trains.iter().flat_map(Train::widths));
                if widths.len() >= 400 || widths.len() == before {
                    break;
                }
            }
            let count = widths.len();
            let Some(drift) = drift_per_mille(&widths) else {
                return Ok(Seen::cannot_tell(format!(
                    "only {count} came",
                    count = words::count(count, "pulse")
                )));
            };
            let sign = if drift < 0 { "-" } else { "" };
            let (whole, tenth) = (drift.abs() / 10, drift.abs() % 10);
            let text = format!(
                "{count}, drift {sign}{whole}.{tenth} % per 100 pulses",
                count = words::count(count, "pulse")
            );
            Ok(measured(b, Seen::judge(drift.abs() < 5, text)))
        },
    },
    Check {
        id: "pulse-setting",
        title: "Sends by the setting it is meant to have",
        expected: "the nearest ready-made setting is its own",
        section: COMMON_PRACTICE,
        advice: "Set its pulse speed to what is meant. If that does not help, see width and \
                 pauses.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "wrong-setting",
            about: "set to long pulses",
            caught_by: &["pulse-width"],
            apply: |s| s.pulse.faults(s.kind).wrong_profile = Some("long".to_owned()),
        },
        arrange: None,
        run: |b| {
            let train = whole_bill(b)?;
            let mut profiles = Profile::all();
            let own = b.profile()?.clone();
            if !profiles.iter().any(|p| p.name == own.name) {
                profiles.push(own.clone());
            }
            let nearest = nearest_profile(&train, &profiles).map_or("none", |p| p.name.as_str());
            let text = format!("it is set to \"{nearest}\", meant is \"{}\"", own.name);
            Ok(measured(b, Seen::judge(nearest == own.name, text)))
        },
    },
];

/// One that fails is beyond doubt; what is as close to the edge as the link is uncertain cannot be
/// told.
fn within(verdicts: &[Verdict], uncertainty: Micros, text: String) -> Seen {
    if verdicts.contains(&Verdict::Fail) {
        Seen::fail(text)
    } else if verdicts.contains(&Verdict::CannotTell) {
        Seen::cannot_tell(format!("{text}; each may be off by {uncertainty}"))
    } else {
        Seen::pass(text)
    }
}

fn mean(times: &[Micros]) -> Micros {
    let sum: u64 = times.iter().map(|t| t.as_us()).sum();
    Micros(sum / (times.len() as u64).max(1))
}

/// Slope of a straight line through the widths (least squares), in thousandths of the first
/// pulses' width per 100 pulses: a drift shows through any jitter.
fn drift_per_mille(widths: &[Micros]) -> Option<i128> {
    let n = i128::try_from(widths.len()).ok().filter(|n| *n >= 100)?;
    let (mut sum_x, mut sum_y, mut sum_xy, mut sum_xx) = (0, 0, 0, 0);
    for (x, width) in (0i128..).zip(widths) {
        let y = i128::from(width.as_us());
        sum_x += x;
        sum_y += y;
        sum_xy += x * y;
        sum_xx += x * x;
    }
    let below = n * sum_xx - sum_x * sum_x;
    // Per 100 pulses, in thousandths of the mean width.
    let above = (n * sum_xy - sum_x * sum_y) * 100 * 1_000 * n;
    (below > 0 && sum_y > 0).then(|| above / below / sum_y)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }

    /// 50 ms growing by 1 % of it with every 100 pulses, with jitter of 200 us on top.
    #[test]
    fn a_drift_shows_through_jitter() {
        let width = |i: u64, drift: u64| Micros(50_000 + i * drift * 5 + (i * 7_919) % 200);
        let drifting: Vec<Micros> = (0..400).map(|i| width(i, 1)).collect();
        let steady: Vec<Micros> = (0..400).map(|i| width(i, 0)).collect();
        let found = drift_per_mille(&drifting).unwrap();
        assert!((9..=11).contains(&found), "{found}");
        assert_eq!(drift_per_mille(&steady), Some(0));
        assert_eq!(drift_per_mille(&steady[..99]), None);
    }
}
