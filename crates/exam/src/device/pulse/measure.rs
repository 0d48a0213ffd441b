//! What the lines do: levels, widths, pauses, drift, bounce.

use super::{afford, affordable, feed, largest, measured, whole_bill};
use crate::check::{Run, Seen};
use crate::device::bench::Bench;
use payrig_pulse::{Profile, PulseRule, Train, Verdict, judge, nearest_profile};
use payrig_units::{Micros, words};

/// From the shortest to the longest.
pub(in crate::device) fn range(times: &[Micros]) -> String {
    match (times.iter().min(), times.iter().max()) {
        (Some(least), Some(most)) if least == most => least.to_string(),
        (Some(least), Some(most)) => format!("{least} to {most}"),
        _ => "none".to_owned(),
    }
}

pub(super) fn rests(b: &mut Bench) -> Run {
    b.wait(Micros::secs(1));
    b.profile()?;
    let wrong = b.wrong_at_rest(false);
    let text = match wrong.is_empty() {
        true => "at rest as it should be".to_owned(),
        false => format!("{} at rest at the level of a pulse", wrong.join(", ")),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

pub(super) fn moves(b: &mut Bench) -> Run {
    let bill = largest(b)?;
    let trains = feed(b, bill)?;
    let pulses: usize = trains.iter().map(Train::count).sum();
    Ok(Seen::judge(pulses > 0, words::count(pulses, "pulse")))
}

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

pub(super) fn widths(b: &mut Bench) -> Run {
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
}

pub(super) fn gaps(b: &mut Bench) -> Run {
    let train = whole_bill(b)?;
    let judged = judge(&train, b.profile()?);
    let wrong = judged.gaps.iter().filter(|v| **v == Verdict::Fail).count();
    let text = format!(
        "pauses of {}, {wrong} out of tolerance of {}",
        range(&train.gaps()),
        b.profile()?.off
    );
    Ok(measured(b, within(&judged.gaps, train.uncertainty, text)))
}

fn mean(times: &[Micros]) -> Micros {
    let sum: u64 = times.iter().map(|t| t.as_us()).sum();
    Micros(sum / (times.len() as u64).max(1))
}

pub(super) fn drift(b: &mut Bench) -> Run {
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
}

pub(super) fn setting(b: &mut Bench) -> Run {
    let train = whole_bill(b)?;
    let mut profiles = Profile::all();
    let own = b.profile()?.clone();
    if !profiles.iter().any(|p| p.name == own.name) {
        profiles.push(own.clone());
    }
    let nearest = nearest_profile(&train, &profiles).map_or("none", |p| p.name.as_str());
    let text = format!("it is set to \"{nearest}\", meant is \"{}\"", own.name);
    Ok(measured(b, Seen::judge(nearest == own.name, text)))
}

fn found(b: &mut Bench, rule: PulseRule) -> Run {
    let train = whole_bill(b)?;
    let judged = judge(&train, b.profile()?);
    let found = judged.findings.iter().find(|f| f.rule == rule);
    Ok(match found {
        Some(finding) => Seen::fail(finding.text.clone()),
        None => Seen::pass(format!("none in {}", words::count(train.count(), "pulse"))),
    })
}

pub(super) fn bounce(b: &mut Bench) -> Run {
    found(b, PulseRule::PulseBounce)
}

pub(super) fn glitches(b: &mut Bench) -> Run {
    found(b, PulseRule::PulseGlitch)
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

pub(super) fn slow_drift(b: &mut Bench) -> Run {
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
}

#[cfg(test)]
mod tests {
    use super::*;

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
