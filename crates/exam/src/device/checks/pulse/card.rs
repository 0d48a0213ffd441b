//! What a card reader besides takes from cards.

use super::{afford, affordable, feed, lacking, largest, not_by_hand, refused_unseen};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::{Bench, DeviceCheck};
use payrig_pulse::Train;
use payrig_units::{Micros, Money, Place, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "card-charged-as-sent",
        title: "Takes from the card what its pulses say",
        expected: "for every amount the card pays as much as the pulses are worth",
        section: COMMON_PRACTICE,
        advice: "Customers pay another amount than the machine gets. Set pulses per unit of money.",
        weight: Weight::Money,
        quirk: Quirk {
            name: "pulses-worth-double",
            about: "two pulses where one is meant",
            caught_by: &["count-per-bill"],
            apply: |s| s.pulse.faults(s.kind).wrong_pulses = Some(2),
        },
        arrange: None,
        run: |b| {
            let (mut wrong, mut refused, mut mute) = (Vec::new(), 0, 0);
            let values = b.values();
            let payable = affordable(b, &values);
            for value in values.iter().take(payable) {
                let before = paid(b);
                let pulses: usize = feed(b, *value)?.iter().map(Train::count).sum();
                let charged = paid(b).saturating_sub(before);
                if charged != *value || pulses as u64 != b.pulses_for(*value) {
                    refused += usize::from(charged.is_zero() && pulses == 0);
                    mute += usize::from(pulses == 0);
                    let (chosen, charged) = (b.show(*value), b.show(charged));
                    wrong.push(format!(
                        "{chosen} chosen, {charged} paid, {pulses}",
                        pulses = words::count(pulses, "pulse")
                    ));
                }
            }
            if wrong.is_empty() && payable < values.len() {
                return Ok(Seen::cannot_tell(lacking(payable, values.len())));
            }
            let text = match wrong.is_empty() {
                true => format!(
                    "{}, each paid as it was sent",
                    words::count(values.len(), "amount")
                ),
                false => wrong.join("; "),
            };
            if refused_unseen(b) && refused > 0 && refused == wrong.len() {
                let text = format!("{text}: is so much on the card?");
                return Ok(Seen::cannot_tell(text));
            }
            let advice = (mute > 0 && mute == wrong.len()).then_some(PAID_UNSAID);
            Ok(Seen::judge(wrong.is_empty(), text).advising(advice))
        },
    },
    Check {
        id: "card-taken-away-not-charged",
        title: "Charges nothing for a card taken away before the answer",
        expected: "no pulse, and nothing paid from the card",
        section: COMMON_PRACTICE,
        advice: "Customers pay for what they gave up. Update its software or replace it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "charges-taken-cards",
            "charges a card that was taken away before the answer",
            |s| s.pulse.faults(s.kind).charges_taken_cards = true,
        ),
        arrange: None,
        run: |b| {
            not_by_hand(b)?;
            let value = largest(b)?;
            afford(b, &[value])?;
            b.take_trains();
            b.act(b.money(value))?;
            b.wait(Micros::ms(300));
            b.act(b.card_away())?;
            b.wait(Micros::secs(10));
            let pulses: usize = b.take_trains().iter().map(Train::count).sum();
            let sum = paid(b);
            let text = format!(
                "{} paid, {pulses}",
                b.show(sum),
                pulses = words::count(pulses, "pulse")
            );
            Ok(Seen::judge(paid(b).is_zero() && pulses == 0, text))
        },
    },
];

/// What cards have paid here.
fn paid(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::CardReceipts(_)))
}

/// Cards pay, and no pulse says so.
const PAID_UNSAID: &str = "Customers pay and the machine gets nothing: no pulse comes. Check the wire, \
     the pull-up and the output. If that does not help, replace it.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
