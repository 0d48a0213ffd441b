//! A power cut in the middle of a train.

use super::{afford, largest, not_by_hand};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::DeviceCheck;
use payrig_pulse::Train;
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[Check {
    id: "power-cut-keeps-pulses",
    title: "Sends the rest of its pulses after a power cut",
    expected: "all pulses of a value, with the power cut in the middle of them",
    section: COMMON_PRACTICE,
    advice: "A power cut at the wrong moment costs the customer money.",
    weight: Weight::Advice,
    quirk: Quirk::new("forgets-on-power-cut", "a power cut loses pulses", |s| {
        s.pulse.faults(s.kind).forgets_on_power_cut = true
    }),
    arrange: None,
    run: |b| {
        not_by_hand(b)?;
        let bill = largest(b)?;
        afford(b, &[bill])?;
        b.act(b.money(bill))?;
        for _ in 0..2_000 {
            if b.has_edges() {
                break;
            }
            b.wait(Micros::ms(5));
        }
        if !b.has_edges() {
            return Ok(Seen::cannot_tell("no pulses came"));
        }
        // Into the middle of the third pause, so that no pulse is cut short.
        let (on, off) = (b.profile()?.on, b.profile()?.off);
        b.wait((on + off) * 2 + on + Micros(off.as_us() / 2));
        b.act(b.device_power(false))?;
        b.wait(Micros::secs(2));
        b.act(b.device_power(true))?;
        b.wait(Micros::secs(15));
        let pulses: usize = b.take_trains().iter().map(Train::count).sum();
        let wanted = b.pulses_for(bill);
        let text = format!(
            "{pulses} of {wanted}",
            pulses = words::count(pulses, "pulse")
        );
        Ok(Seen::judge(pulses as u64 >= wanted, text))
    },
}];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
