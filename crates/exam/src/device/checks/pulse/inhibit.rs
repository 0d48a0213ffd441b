//! Held off by the inhibit line.

use super::{affordable, feed, lacking, moves};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::{Bench, DeviceCheck};
use payrig_pulse::Train;
use payrig_units::{Micros, Money, Place, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "inhibit-obeyed",
        title: "Takes nothing while it is inhibited",
        expected: "every bill, coin or card refused, no pulse",
        section: COMMON_PRACTICE,
        advice: "It takes money the board will not credit. Check the inhibit wire.",
        weight: Weight::Money,
        quirk: Quirk::new("ignores-inhibit", "takes bills while inhibited", |s| {
            s.pulse.faults(s.kind).ignores_inhibit = true
        }),
        arrange: None,
        run: |b| {
            b.inhibit(true)?;
            let before = kept(b);
            let mut pulses = 0;
            let values = b.values();
            let paid = affordable(b, &values);
            for bill in values.iter().take(paid).copied() {
                pulses += feed(b, bill)?.iter().map(Train::count).sum::<usize>();
            }
            let taken = kept(b).saturating_sub(before);
            let text = format!(
                "{} taken, {pulses}",
                b.show(taken),
                pulses = words::count(pulses, "pulse")
            );
            if taken < Money::ZERO && pulses == 0 {
                let text = "coins come out of its hopper meanwhile: what went in cannot be seen";
                return Ok(Seen::cannot_tell(text));
            }
            let good = taken.is_zero() && pulses == 0;
            if good && paid < values.len() {
                // A card that cannot pay is refused in any case.
                return Ok(Seen::cannot_tell(lacking(paid, values.len())));
            }
            let advice = taken.is_zero().then_some(PULSES_OF_ITS_OWN);
            Ok(Seen::judge(good, text).advising(advice))
        },
    },
    Check {
        id: "silent-while-inhibited",
        title: "Sends nothing of its own while it is inhibited",
        expected: "nothing put in, and no pulse within 10 s of the inhibit",
        section: COMMON_PRACTICE,
        advice: "Boards credit a pulse nobody paid for. Check ground. If that does not help, \
                 replace it.",
        weight: Weight::Money,
        quirk: Quirk::new("stray-pulse", "a pulse 0.9 s after the inhibit", |s| {
            s.pulse.faults(s.kind).stray_after_inhibit_ms = Some(900)
        }),
        arrange: None,
        run: |b| {
            b.wait(Micros::secs(1));
            b.inhibit(true)?;
            b.wait(Micros::secs(10));
            let pulses: usize = b.take_trains().iter().map(Train::count).sum();
            let text = format!(
                "nothing put in, {pulses} in 10 s",
                pulses = words::count(pulses, "pulse")
            );
            Ok(Seen::judge(pulses == 0, text))
        },
    },
    Check {
        id: "takes-again-after-inhibit",
        title: "Takes money again once it may",
        expected: "pulses for money put in after the inhibit is lifted",
        section: COMMON_PRACTICE,
        advice: "Nothing comes once it was held off. If nothing comes before either, mend that \
                 first. Else check the inhibit wire. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "stays-inhibited",
            "held off once, it takes nothing any more",
            |s| s.pulse.faults(s.kind).stays_inhibited = true,
        ),
        arrange: None,
        run: |b| {
            b.inhibit(true)?;
            b.wait(Micros::secs(2));
            b.inhibit(false)?;
            b.wait(Micros::secs(1));
            moves(b)
        },
    },
];

/// What is in it, or was paid by cards.
fn kept(b: &mut Bench) -> Money {
    b.sum(|p| {
        let is_inside = matches!(p, Place::Stacker(_) | Place::Escrow(_) | Place::CashBox(_));
        is_inside || matches!(p, Place::Hopper(_) | Place::CardReceipts(_))
    })
}

/// Nothing was taken, and pulses came.
const PULSES_OF_ITS_OWN: &str = "It takes nothing, but sends pulses: boards credit what nobody paid. \
     Check ground. If that does not help, replace it.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
