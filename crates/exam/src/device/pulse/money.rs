//! Money and pulses: counts, inhibit, power cuts.

use super::measure::moves;
use super::{afford, affordable, feed, lacking, largest, measured};
use crate::check::{Run, Seen};
use crate::device::bench::{Act, Bench};
use crate::device::setup::Kind;
use crate::skip::Skip;
use payrig_pulse::{CreditCounter, Profile, Train};
use payrig_units::{Micros, Money, Place, words};

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

pub(super) fn count_per_bill(b: &mut Bench) -> Run {
    let (mut wrong, mut silent, mut miscounted) = (Vec::new(), 0, 0);
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
    Ok(measured(
        b,
        Seen::judge(wrong.is_empty(), text).advising(advice),
    ))
}

/// The number is right, the credit is not: the pulses themselves are not counted.
const RIGHT_NUMBER: &str = "It sends the right number of pulses, but not as the board expects them, \
     so they are not counted. Set its pulse speed: see the checks of width and pause.";

/// No value gives any pulse.
const NOTHING_COMES: &str = "No pulse comes. Check the wire, the pull-up and the output. If that does not help, replace it.";

/// True where no pulse may mean that a real card has not enough on it, which nobody sees here.
fn refused_unseen(b: &Bench) -> bool {
    b.is_outside() && b.kind() == Kind::PulseCard
}

/// How often one value is put in.
const REPETITIONS: usize = 12;

pub(super) fn count_steady(b: &mut Bench) -> Run {
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
}

pub(super) fn trains_apart(b: &mut Bench) -> Run {
    let bill = largest(b)?;
    let second = b.values().first().copied().unwrap_or(bill);
    afford(b, &[bill, second])?;
    b.act(Act::PulseMoney(bill.as_minor()))?;
    // The next as soon as the first pulse of this one has begun.
    let by = b.now() + Micros::secs(10);
    while !b.has_edges() && b.now() < by {
        b.wait(Micros::ms(5));
    }
    if !b.has_edges() {
        return Ok(Seen::cannot_tell("no pulses came"));
    }
    b.act(Act::PulseMoney(second.as_minor()))?;
    b.wait(Micros::secs(12));
    let trains = b.take_trains();
    let counts: Vec<String> = trains.iter().map(|t| t.count().to_string()).collect();
    let text = format!("trains of {} pulses", counts.join(" and "));
    Ok(measured(b, Seen::judge(trains.len() == 2, text)))
}

/// What is in it, or was paid by cards.
fn kept(b: &mut Bench) -> Money {
    b.sum(|p| {
        let is_inside = matches!(p, Place::Stacker(_) | Place::Escrow(_) | Place::CashBox(_));
        is_inside || matches!(p, Place::Hopper(_) | Place::CardReceipts(_))
    })
}

pub(super) fn inhibit(b: &mut Bench) -> Run {
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
        let text = "coins come out of its hopper meanwhile: what went in cannot be told";
        return Ok(Seen::cannot_tell(text));
    }
    let good = taken.is_zero() && pulses == 0;
    if good && paid < values.len() {
        // A card that cannot pay is refused anyhow.
        return Ok(Seen::cannot_tell(lacking(paid, values.len())));
    }
    let advice = taken.is_zero().then_some(PULSES_OF_ITS_OWN);
    Ok(Seen::judge(good, text).advising(advice))
}

/// Nothing was taken, and pulses came.
const PULSES_OF_ITS_OWN: &str = "It takes nothing, but sends pulses: boards credit what nobody paid. \
     Check ground. If that does not help, replace it.";

pub(super) fn silent_while_inhibited(b: &mut Bench) -> Run {
    b.wait(Micros::secs(1));
    b.inhibit(true)?;
    b.wait(Micros::secs(10));
    let pulses: usize = b.take_trains().iter().map(Train::count).sum();
    let text = format!(
        "nothing put in, {pulses} in 10 s",
        pulses = words::count(pulses, "pulse")
    );
    Ok(Seen::judge(pulses == 0, text))
}

pub(super) fn takes_again(b: &mut Bench) -> Run {
    b.inhibit(true)?;
    b.wait(Micros::secs(2));
    b.inhibit(false)?;
    b.wait(Micros::secs(1));
    moves(b)
}

/// The end of a check that is about a moment between two pulses, where a person would have to hit it.
fn not_by_hand(b: &Bench) -> Result<(), Seen> {
    match b.is_outside() {
        true => Err(Seen::skipped(Skip::EmulatedOnly(
            "too quick for a person: done with emulated devices only".into(),
        ))),
        false => Ok(()),
    }
}

pub(super) fn power_cut(b: &mut Bench) -> Run {
    not_by_hand(b)?;
    let bill = largest(b)?;
    afford(b, &[bill])?;
    b.act(Act::PulseMoney(bill.as_minor()))?;
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
    b.act(Act::Power(false))?;
    b.wait(Micros::secs(2));
    b.act(Act::Power(true))?;
    b.wait(Micros::secs(15));
    let pulses: usize = b.take_trains().iter().map(Train::count).sum();
    let wanted = b.pulses_for(bill);
    let text = format!(
        "{pulses} of {wanted}",
        pulses = words::count(pulses, "pulse")
    );
    Ok(Seen::judge(pulses as u64 >= wanted, text))
}

/// What cards have paid here.
fn paid(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::CardReceipts(_)))
}

pub(super) fn charged_as_sent(b: &mut Bench) -> Run {
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
}

/// Cards pay, and no pulse says so.
const PAID_UNSAID: &str = "Customers pay and the machine gets nothing: no pulse comes. Check the wire, \
     the pull-up and the output. If that does not help, replace it.";

pub(super) fn taken_away(b: &mut Bench) -> Run {
    not_by_hand(b)?;
    let value = largest(b)?;
    afford(b, &[value])?;
    b.take_trains();
    b.act(Act::PulseMoney(value.as_minor()))?;
    b.wait(Micros::ms(300));
    b.act(Act::TakeCard)?;
    b.wait(Micros::secs(10));
    let pulses: usize = b.take_trains().iter().map(Train::count).sum();
    let sum = paid(b);
    let text = format!(
        "{} paid, {pulses}",
        b.show(sum),
        pulses = words::count(pulses, "pulse")
    );
    Ok(Seen::judge(paid(b).is_zero() && pulses == 0, text))
}
