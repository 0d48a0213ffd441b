//! A train against a profile.

use crate::finding::{PulseFinding, PulseRule, Severity};
use crate::{Profile, Train, Verdict, Window};
use payrig_units::{Micros, words};
use serde::{Deserialize, Serialize};

/// What a profile says about a train.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Judgement {
    /// Name of the profile.
    pub profile: String,
    /// A verdict per pulse, on its width.
    pub widths: Vec<Verdict>,
    /// A verdict per pause.
    pub gaps: Vec<Verdict>,
    /// What is wrong, at most one finding per rule and severity.
    pub findings: Vec<PulseFinding>,
}

impl Judgement {
    /// Whether the train is of this profile: [`Verdict::Fail`] when anything fails, else
    /// [`Verdict::CannotTell`] when anything is too close to tell.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let all = || self.widths.iter().chain(&self.gaps);
        if all().any(|v| *v == Verdict::Fail) {
            Verdict::Fail
        } else if all().any(|v| *v == Verdict::CannotTell) {
            Verdict::CannotTell
        } else {
            Verdict::Pass
        }
    }
}

/// The window a time comes nearest to, and by how much it misses it.
fn nearest(windows: &[Window], time: Micros) -> Option<(Window, Micros)> {
    let miss = |w: &Window| (w.min - time).max(time - w.max);
    windows
        .iter()
        .map(|w| (*w, miss(w)))
        .min_by_key(|(_, miss)| *miss)
}

/// One finding for the times with a verdict, about the one furthest out.
fn finding(
    train: &Train,
    rule: PulseRule,
    verdict: Verdict,
    rows: &[(Micros, Verdict, Window)],
    profile: &Profile,
) -> Option<PulseFinding> {
    let bad = || {
        rows.iter()
            .enumerate()
            .filter(|(_, (_, v, _))| *v == verdict)
    };
    let miss = |time: Micros, w: Window| (w.min - time).max(time - w.max);
    let (index, (time, _, window)) = bad().max_by_key(|(i, (time, _, window))| {
        // The first of equals, so that the report is stable.
        (miss(*time, *window), std::cmp::Reverse(*i))
    })?;
    let what = if rule == PulseRule::PulseWidth {
        "pulse"
    } else {
        "pause"
    };
    let short = *time < window.min;
    let (severity, how) = match verdict {
        Verdict::Fail if short => (Severity::Limit, "too short".to_owned()),
        Verdict::Fail => (Severity::Limit, "too long".to_owned()),
        Verdict::Pass | Verdict::CannotTell => (
            Severity::Advice,
            format!(
                "too near the limit to tell (edges known to {} either way)",
                train.uncertainty
            ),
        ),
    };
    let text = format!(
        "{} of {} {how} for profile {} ({}): number {} is {time}, allowed {window}",
        bad().count(),
        words::count(rows.len(), what),
        profile.name,
        profile.times(),
        index + 1,
    );
    Some(PulseFinding {
        number: Some(index + 1),
        measured: Some(*time),
        allowed: Some(*window),
        ..PulseFinding::new(severity, rule, &train.line, train.start(), text)
    })
}

/// Judges a train against a profile, with the uncertainty the train was measured with: a width or
/// a pause has two edges, so it may be off by twice that.
///
/// A pulse of which the record shows only a part fails where it is already too long; otherwise nothing
/// can be said of it.
#[must_use]
pub fn judge(train: &Train, profile: &Profile) -> Judgement {
    let error = train.uncertainty * 2;
    let windows = profile.width_windows();
    let mut widths = Vec::new();
    for pulse in &train.pulses {
        let Some((window, _)) = nearest(&windows, pulse.width) else {
            continue;
        };
        let mut verdict = window.judge(pulse.width, error);
        let longest = windows.iter().map(|w| w.max).max().unwrap_or_default();
        if pulse.cut && pulse.width - error <= longest {
            verdict = Verdict::CannotTell;
        }
        widths.push((pulse.width, verdict, window));
    }
    let gap = profile.gap_window();
    let gaps: Vec<_> = train
        .gaps()
        .into_iter()
        .map(|time| (time, gap.judge(time, error), gap))
        .collect();
    let mut findings = Vec::new();
    for verdict in [Verdict::Fail, Verdict::CannotTell] {
        let whole: Vec<_> = widths
            .iter()
            .zip(&train.pulses)
            .map(|((time, v, window), pulse)| {
                // Cut pulses get a finding of their own.
                let v = if pulse.cut && *v == Verdict::CannotTell {
                    Verdict::Pass
                } else {
                    *v
                };
                (*time, v, *window)
            })
            .collect();
        findings.extend(finding(
            train,
            PulseRule::PulseWidth,
            verdict,
            &whole,
            profile,
        ));
        findings.extend(finding(train, PulseRule::PulseGap, verdict, &gaps, profile));
    }
    if let Some(index) = train.pulses.iter().position(|p| p.cut) {
        findings.push(PulseFinding {
            number: Some(index + 1),
            ..PulseFinding::new(
                Severity::Advice,
                PulseRule::PulseCut,
                &train.line,
                train.start(),
                format!(
                    "the record shows only a part of pulse {}: its width is not known; record \
                     longer, and begin while the line is at rest",
                    index + 1
                ),
            )
        });
    }
    let slowest = train
        .pulses
        .iter()
        .enumerate()
        .max_by_key(|(_, p)| p.settling);
    if let Some((index, pulse)) = slowest.filter(|(_, p)| p.settling > profile.bounce) {
        findings.push(PulseFinding {
            number: Some(index + 1),
            measured: Some(pulse.settling),
            allowed: Some(Window {
                min: Micros::ZERO,
                max: profile.bounce,
            }),
            ..PulseFinding::new(
                Severity::Advice,
                PulseRule::PulseBounce,
                &train.line,
                train.start(),
                format!(
                    "the contact takes {} to settle at pulse {}, longer than the bounce time {}: \
                     look at the contact and at cables beside it",
                    pulse.settling,
                    index + 1,
                    profile.bounce
                ),
            )
        });
    }
    if train.glitches > 0 {
        findings.push(PulseFinding::new(
            Severity::Advice,
            PulseRule::PulseGlitch,
            &train.line,
            train.start(),
            format!(
                "{} shorter than the bounce time {} ignored: noise on the line",
                words::count(train.glitches, "spike"),
                profile.bounce
            ),
        ));
    }
    Judgement {
        profile: profile.name.clone(),
        widths: widths.into_iter().map(|(_, v, _)| v).collect(),
        gaps: gaps.into_iter().map(|(_, v, _)| v).collect(),
        findings,
    }
}

/// How far a train is from a profile: the mean deviation of its widths and that of its pauses from
/// their nominal times, added up, in thousandths. For ranking only.
#[must_use]
pub fn distance(train: &Train, profile: &Profile) -> u64 {
    let permille = |time: Micros, nominal: Micros| -> u64 {
        let off = u128::from(time.abs_diff(nominal).0) * 1_000;
        let share = off.checked_div(u128::from(nominal.0)).unwrap_or(u128::MAX);
        u64::try_from(share).unwrap_or(u64::MAX)
    };
    let mean = |values: Vec<u64>| {
        let n = u64::try_from(values.len()).unwrap_or(u64::MAX);
        let sum = values.iter().fold(0_u64, |s, v| s.saturating_add(*v));
        sum.checked_div(n).unwrap_or(0)
    };
    let nominals: Vec<Micros> = match &profile.coding {
        crate::Coding::Widths(widths) => widths.iter().map(|w| w.on).collect(),
        _ => vec![profile.on],
    };
    let widths = train
        .widths()
        .into_iter()
        .filter_map(|w| nominals.iter().map(|n| permille(w, *n)).min());
    let gaps = train.gaps().into_iter().map(|g| permille(g, profile.off));
    mean(widths.collect()).saturating_add(mean(gaps.collect()))
}

/// The profile nearest to a train; of equals, the first.
#[must_use]
pub fn nearest_profile<'a>(train: &Train, profiles: &'a [Profile]) -> Option<&'a Profile> {
    profiles.iter().min_by_key(|p| distance(train, p))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::train::Pulse;

    /// A train from times in microseconds: width, gap, width, ...
    fn train(times: &[u64], uncertainty: u64) -> Train {
        let mut at = Micros::ms(10);
        let mut pulses = Vec::new();
        for (i, time) in times.iter().enumerate() {
            if i % 2 == 0 {
                pulses.push(Pulse {
                    start: at,
                    width: Micros(*time),
                    settling: Micros::ZERO,
                    cut: false,
                });
            }
            at += Micros(*time);
        }
        Train {
            line: "credit".into(),
            pulses,
            glitches: 0,
            uncertainty: Micros(uncertainty),
        }
    }

    #[test]
    fn a_verdict_per_pulse_and_one_finding_per_rule() {
        let judged = judge(
            &train(&[38_000, 22_000, 50_000, 50_000, 35_000], 0),
            &Profile::short(),
        );
        assert_eq!(judged.widths, [Verdict::Fail, Verdict::Pass, Verdict::Fail]);
        assert_eq!(judged.gaps, [Verdict::Fail, Verdict::Pass]);
        let [width, gap] = judged.findings.as_slice() else {
            panic!("{judged:?}")
        };
        assert_eq!((width.rule, width.number), (PulseRule::PulseWidth, Some(3)));
        assert_eq!(
            (gap.rule, gap.measured),
            (PulseRule::PulseGap, Some(Micros::ms(22)))
        );
        assert!(
            width
                .text
                .starts_with("2 of 3 pulses too short for profile short (50/50 ms)")
        );
        assert_eq!(judged.verdict(), Verdict::Fail);
    }

    #[test]
    fn a_poor_link_cannot_tell() {
        let judged = judge(&train(&[41_000, 50_000, 50_000], 2_000), &Profile::short());
        assert_eq!(judged.widths, [Verdict::CannotTell, Verdict::Pass]);
        let [finding] = judged.findings.as_slice() else {
            panic!("{judged:?}")
        };
        assert_eq!(finding.severity, Severity::Advice);
        assert_eq!(judged.verdict(), Verdict::CannotTell);
    }

    #[test]
    fn a_cut_pulse_is_too_close_to_tell_unless_it_is_too_long_already() {
        let mut cut = train(&[30_000], 0);
        cut.pulses[0].cut = true;
        let judged = judge(&cut, &Profile::short());
        assert_eq!(judged.widths, [Verdict::CannotTell]);
        assert_eq!(judged.findings[0].rule, PulseRule::PulseCut);
        cut.pulses[0].width = Micros::ms(61);
        assert_eq!(judge(&cut, &Profile::short()).widths, [Verdict::Fail]);
    }

    #[test]
    fn the_nearest_profile_looks_at_pauses_too() {
        let all = Profile::all();
        let near = |times: &[u64]| {
            nearest_profile(&train(times, 0), &all)
                .unwrap()
                .name
                .clone()
        };
        assert_eq!(near(&[38_000, 50_000, 38_000]), "short");
        assert_eq!(near(&[50_000, 22_000, 50_000]), "short");
        assert_eq!(near(&[140_000]), "long");
        assert_eq!(near(&[85_000, 95_000, 85_000]), "medium");
    }
}
