//! The line itself: its level at rest, and that it moves.

use super::moves;
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::DeviceCheck;
use payrig_peripherals::pulse::Stuck;
use payrig_units::Micros;

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "line-rests-right",
        title: "Rests at the right level",
        expected: "the credit line at rest at the level that is no pulse",
        section: COMMON_PRACTICE,
        advice: "Normally open and normally closed are mixed up: set the switch or the board.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "reversed",
            "normally open and normally closed mixed up",
            |s| s.pulse.faults(s.kind).reversed = true,
        ),
        arrange: None,
        run: |b| {
            b.wait(Micros::secs(1));
            b.profile()?;
            let wrong = b.wrong_at_rest(false);
            let text = match wrong.is_empty() {
                true => "at rest as it should be".to_owned(),
                false => format!("{} at rest at the level of a pulse", wrong.join(", ")),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "line-moves",
        title: "Moves its credit line for money",
        expected: "pulses once money was put in",
        section: COMMON_PRACTICE,
        advice: "Check the wire, the pull-up and the output. If that does not help, replace the \
                 acceptor.",
        weight: Weight::Rule,
        quirk: Quirk::new("stuck-line", "the line never moves", |s| {
            s.pulse.faults(s.kind).stuck = Some(Stuck::Resting)
        }),
        arrange: None,
        run: moves,
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
