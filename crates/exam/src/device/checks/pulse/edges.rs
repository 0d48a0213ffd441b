//! Clean edges: no bounce, no spikes.

use super::whole_bill;
use crate::check::{COMMON_PRACTICE, Check, Quirk, Run, Seen, Weight};
use crate::device::{Bench, DeviceCheck};
use payrig_pulse::{PulseRule, judge};
use payrig_units::words;

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "no-bounce",
        title: "Switches cleanly",
        expected: "edges settle within the bounce time of the setting",
        section: COMMON_PRACTICE,
        advice: "Its contact is worn. Replace the relay, or the acceptor.",
        weight: Weight::Money,
        quirk: Quirk::new("bounce", "the contact bounces for 4 ms", |s| {
            s.pulse.faults(s.kind).bounce_us = 4_000
        }),
        arrange: None,
        run: |b| found(b, PulseRule::PulseBounce),
    },
    Check {
        id: "no-glitches",
        title: "Has no spikes on its line",
        expected: "no spike too short for a pulse",
        section: COMMON_PRACTICE,
        advice: "Check shielding and ground; fast boards count spikes.",
        weight: Weight::Advice,
        quirk: Quirk::new("glitches", "spikes of 50 us in the pauses", |s| {
            s.pulse.faults(s.kind).glitch_us = 50
        }),
        arrange: None,
        run: |b| found(b, PulseRule::PulseGlitch),
    },
];

fn found(b: &mut Bench, rule: PulseRule) -> Run {
    let train = whole_bill(b)?;
    let judged = judge(&train, b.profile()?);
    let found = judged.findings.iter().find(|f| f.rule == rule);
    Ok(match found {
        Some(finding) => Seen::fail(finding.text.clone()),
        None => Seen::pass(format!("none in {}", words::count(train.count(), "pulse"))),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
