//! How many pulses: as many as the money is worth, every time, and apart.

use super::{afford, affordable, feed, lacking, largest, measured, refused_unseen};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::DeviceCheck;
use crate::device::presumptions::Leeway;
use payrig_pulse::{CreditCounter, Profile, Train};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "count-per-bill",
        title: "Sends the right number of pulses for each value",
        expected: "every bill, coin or amount gives the credit it is worth",
        section: COMMON_PRACTICE,
        advice: "Set pulses per unit of money. If that does not help, replace the acceptor.",
        weight: Weight::Money,
        quirk: Quirk::new("missing-pulse", "leaves out a pulse", |s| {
            s.pulse.faults(s.kind).missing_pulses = 1
        }),
        arrange: None,
        run: |b| {
            let (mut wrong, mut silent, mut miscounted) = (Vec::new(), 0, 0);
            let mut multiples = 0;
            let values = b.values();
            let paid = affordable(b, &values);
            for value in values.iter().take(paid) {
                let trains = feed(b, *value)?;
                let pulses: usize = trains.iter().map(Train::count).sum();
                // A fixed price is said by a fixed number of pulses, whatever they are worth.
                let good = match b.has_fixed_price() {
                    true => pulses as u64 == b.pulses_for(*value),
                    false => credit(b.profile()?, &trains) == *value,
                };
                if !good {
                    silent += usize::from(pulses == 0);
                    let meant = b.pulses_for(*value).max(1);
                    multiples += usize::from(pulses > 0 && (pulses as u64).is_multiple_of(meant));
                    miscounted += usize::from(pulses as u64 != b.pulses_for(*value));
                    let credited = credit(b.profile()?, &trains);
                    let (value, credited) = (b.show(*value), b.show(credited));
                    wrong.push(format!(
                        "{value} gives {pulses}, a credit of {credited}",
                        pulses = words::count(pulses, "pulse")
                    ));
                }
            }
            if wrong.is_empty() && paid < values.len() {
                return Ok(Seen::cannot_tell(lacking(paid, values.len())));
            }
            let text = match wrong.is_empty() {
                true => format!("{}, each its worth", words::count(values.len(), "value")),
                false => wrong.join("; "),
            };
            if refused_unseen(b) && silent > 0 && silent == wrong.len() {
                let text = format!("{text}: is so much on the card?");
                return Ok(Seen::cannot_tell(text));
            }
            let advice = match wrong.len() {
                0 => None,
                all if silent == all => Some(NOTHING_COMES),
                _ if miscounted == 0 => Some(RIGHT_NUMBER),
                _ => None,
            };
            // All by a whole factor: a card is charged by another unit than its pulses are.
            let unit = multiples == wrong.len() && miscounted == wrong.len();
            let seen = Seen::judge(wrong.is_empty(), text).advising(advice);
            Ok(measured(b, seen.matter_of("card-charged-as-sent", unit)))
        },
    },
    Check {
        id: "count-steady",
        title: "Sends the same number every time",
        expected: "one value twelve times, each time the same pulses",
        section: COMMON_PRACTICE,
        advice: "It miscounts now and then. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "extra-pulse-now-and-then",
            "one pulse too many in every third train",
            |s| {
                let faults = s.pulse.faults(s.kind);
                faults.extra_pulses = 1;
                faults.every = 3;
            },
        ),
        arrange: None,
        run: |b| {
            let Some(bill) = b.values().first().copied() else {
                return Ok(Seen::cannot_tell("no value is set"));
            };
            let mut counts = Vec::new();
            let paid = affordable(b, &[bill; REPETITIONS]);
            for _ in 0..paid {
                let trains = feed(b, bill)?;
                counts.push(trains.iter().map(Train::count).sum::<usize>());
            }
            let shown: Vec<String> = counts.iter().map(ToString::to_string).collect();
            let text = format!("pulses: {}", shown.join(" "));
            let same = |counts: &[usize]| counts.iter().all(|n| Some(n) == counts.first());
            if paid < REPETITIONS && same(&counts) {
                let lacking = lacking(paid, REPETITIONS);
                return Ok(Seen::cannot_tell(match paid {
                    0 => lacking,
                    _ => format!("{text}; {lacking}"),
                }));
            }
            // A real card that ran empty gives nothing from then on.
            let last = counts.iter().rposition(|n| *n > 0).map_or(0, |at| at + 1);
            let before = counts.get(..last).unwrap_or_default();
            if refused_unseen(b) && (1..counts.len()).contains(&last) && same(before) {
                let text = format!("{text}; is the card empty? {REPETITIONS} sales are needed");
                return Ok(Seen::cannot_tell(text));
            }
            Ok(Seen::judge(same(&counts), text))
        },
    },
    Check {
        id: "trains-apart",
        title: "Keeps what is put in apart",
        expected: "a train gap between the pulses of two values in a row",
        section: COMMON_PRACTICE,
        advice: "Boards that count per train credit wrong amounts.",
        weight: Weight::Money,
        quirk: Quirk::new("trains-together", "no train gap between bills", |s| {
            s.pulse.faults(s.kind).trains_together = true
        }),
        arrange: Some(|setup| {
            let pulse = &mut setup.pulse;
            (pulse.bill.travel_ms, pulse.bill.stack_ms) = (500, 300);
            pulse.card.authorise_ms = 500;
        }),
        run: |b| {
            b.works_from(Leeway::Way);
            let bill = largest(b)?;
            let second = b.values().first().copied().unwrap_or(bill);
            afford(b, &[bill, second])?;
            match b.is_outside() {
                true => b.act_in_a_row(b.money(bill), b.money(second))?,
                false => {
                    b.act(b.money(bill))?;
                    // The next as soon as the first pulse of this one has begun.
                    let by = b.now() + Micros::secs(10);
                    while !b.has_edges() && b.now() < by {
                        b.wait(Micros::ms(5));
                    }
                    if !b.has_edges() {
                        return Ok(Seen::cannot_tell("no pulses came"));
                    }
                    b.act(b.money(second))?;
                }
            }
            b.wait(Micros::secs(12));
            let trains = b.take_trains();
            let counts: Vec<String> = trains.iter().map(|t| t.count().to_string()).collect();
            let one_alone = |train: &Train| {
                let count = train.count() as u64;
                count == b.pulses_for(bill) || count == b.pulses_for(second)
            };
            match trains.as_slice() {
                [] if b.is_outside() => return Ok(Seen::cannot_tell("no pulses came")),
                [train] if b.is_outside() && one_alone(train) => {
                    let text = format!(
                        "{}: one of the two was not taken",
                        words::count(train.count(), "pulse")
                    );
                    return Ok(Seen::cannot_tell(text));
                }
                _ => {}
            }
            let text = format!("trains of {} pulses", counts.join(" and "));
            Ok(measured(b, Seen::judge(trains.len() == 2, text)))
        },
    },
];

fn credit(profile: &Profile, trains: &[Train]) -> Money {
    let mut counter = CreditCounter::new(profile.clone(), Micros::ZERO);
    let mut end = Micros::ZERO;
    for train in trains {
        for pulse in &train.pulses {
            let active = profile.active.is_high();
            counter.edge(&train.line, pulse.start, active);
            counter.edge(&train.line, pulse.end(), !active);
            end = pulse.end();
        }
    }
    counter.finish(end + profile.train_gap * 2);
    counter.take_credits().iter().map(|c| c.amount).sum()
}

/// The number is right, the credit is not: the pulses themselves are not counted.
const RIGHT_NUMBER: &str = "It sends the right number of pulses, but not as the board expects them, \
     so they are not counted. Set its pulse speed: see the checks of width and pause.";

/// No value gives any pulse.
const NOTHING_COMES: &str = "No pulse comes. Check the wire, the pull-up and the output. If that does not help, replace it.";

/// How often one value is put in.
const REPETITIONS: usize = 12;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
