//! Checks of an acceptor on a credit pulse line.

use super::bench::{Act, Bench};
use super::setup::Setup;
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_pulse::{CreditCounter, Profile, PulseRule, Train, Verdict, judge, nearest_profile};
use payrig_units::{Micros, Money, Place};

/// From the inlet to the last pulse of a bill of 1.00: common practice, no source.
const BILL_TIME: Micros = Micros::secs(6);

/// The checks.
pub(super) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "line-rests-right",
        title: "Rests at the right level",
        expected: "the credit line at rest at the level that is no pulse",
        section: COMMON_PRACTICE,
        advice: "Normally open and normally closed are mixed up: set the switch or the board.",
        weight: Weight::Rule,
        quirk: "reversed",
        arrange: None,
        run: rests,
    },
    Check {
        id: "line-moves",
        title: "Moves its credit line for a bill",
        expected: "pulses after a bill",
        section: COMMON_PRACTICE,
        advice: "Check the wire, the pull-up and the output; then replace the acceptor.",
        weight: Weight::Rule,
        quirk: "stuck-line",
        arrange: None,
        run: moves,
    },
    Check {
        id: "pulse-width",
        title: "Sends pulses of the right width",
        expected: "every width within the tolerance of its setting",
        section: COMMON_PRACTICE,
        advice: "Set the pulse speed to what the board expects; then replace the acceptor.",
        weight: Weight::Rule,
        quirk: "narrow-pulses",
        arrange: None,
        run: widths,
    },
    Check {
        id: "pulse-gap",
        title: "Pauses rightly between pulses",
        expected: "every pause within the tolerance of its setting",
        section: COMMON_PRACTICE,
        advice: "Set the pulse speed to what the board expects; then replace the acceptor.",
        weight: Weight::Rule,
        quirk: "long-gaps",
        arrange: None,
        run: gaps,
    },
    Check {
        id: "pulse-drift",
        title: "Keeps the width of its pulses",
        expected: "widths over forty pulses within a tenth of each other, no drift",
        section: COMMON_PRACTICE,
        advice: "Its clock or output wanders: it may fail when it is warm or cold.",
        weight: Weight::Advice,
        quirk: "jitter",
        arrange: None,
        run: drift,
    },
    Check {
        id: "pulse-setting",
        title: "Sends by the setting it is meant to have",
        expected: "the nearest ready-made setting is its own",
        section: COMMON_PRACTICE,
        advice: "Its switches are set to another speed: see what was seen.",
        weight: Weight::Rule,
        quirk: "wrong-setting",
        arrange: None,
        run: setting,
    },
    Check {
        id: "count-per-bill",
        title: "Sends the right number of pulses for each bill",
        expected: "every bill fed gives the credit it is worth",
        section: COMMON_PRACTICE,
        advice: "Set pulses per unit of money; then replace the acceptor.",
        weight: Weight::Rule,
        quirk: "missing-pulse",
        arrange: None,
        run: count_per_bill,
    },
    Check {
        id: "count-steady",
        title: "Sends the same number every time",
        expected: "twelve bills of one value, each the same pulses",
        section: COMMON_PRACTICE,
        advice: "It miscounts now and then. Do not install it.",
        weight: Weight::Rule,
        quirk: "extra-pulse-now-and-then",
        arrange: None,
        run: count_steady,
    },
    Check {
        id: "trains-apart",
        title: "Keeps bills apart",
        expected: "a train gap between the pulses of two bills in a row",
        section: COMMON_PRACTICE,
        advice: "Boards that count per train credit wrong amounts.",
        weight: Weight::Rule,
        quirk: "trains-together",
        arrange: Some(fast),
        run: trains_apart,
    },
    Check {
        id: "no-bounce",
        title: "Switches cleanly",
        expected: "edges settle within the bounce time of the setting",
        section: COMMON_PRACTICE,
        advice: "Its contact is worn. Replace the relay, or the acceptor.",
        weight: Weight::Rule,
        quirk: "bounce",
        arrange: None,
        run: bounce,
    },
    Check {
        id: "no-glitches",
        title: "Has no spikes on its line",
        expected: "no excursion too short for a pulse",
        section: COMMON_PRACTICE,
        advice: "Check shielding and ground; fast boards count spikes.",
        weight: Weight::Advice,
        quirk: "glitches",
        arrange: None,
        run: glitches,
    },
    Check {
        id: "inhibit-obeyed",
        title: "Takes no bill while it is inhibited",
        expected: "every bill refused, no pulse",
        section: COMMON_PRACTICE,
        advice: "It takes money the board will not credit. Check the inhibit wire.",
        weight: Weight::Rule,
        quirk: "ignores-inhibit",
        arrange: None,
        run: inhibit,
    },
    Check {
        id: "silent-while-inhibited",
        title: "Sends nothing once it is inhibited",
        expected: "no pulse within 10 s of the inhibit",
        section: COMMON_PRACTICE,
        advice: "Boards credit a pulse nobody paid for. Check ground; then replace it.",
        weight: Weight::Rule,
        quirk: "stray-pulse",
        arrange: None,
        run: silent_while_inhibited,
    },
    Check {
        id: "takes-again-after-inhibit",
        title: "Takes bills again once it may",
        expected: "pulses for a bill after the inhibit is lifted",
        section: COMMON_PRACTICE,
        advice: "It stays off after the first sale. Replace it.",
        weight: Weight::Rule,
        quirk: "stuck-line",
        arrange: None,
        run: takes_again,
    },
    Check {
        id: "power-cut-keeps-pulses",
        title: "Sends the rest of its pulses after a power cut",
        expected: "all pulses of a bill, with the power cut in the middle of them",
        section: COMMON_PRACTICE,
        advice: "A power cut at the wrong moment costs the customer money.",
        weight: Weight::Advice,
        quirk: "forgets-on-power-cut",
        arrange: None,
        run: power_cut,
    },
];

fn fast(setup: &mut Setup) {
    (setup.pulse.travel_ms, setup.pulse.stack_ms) = (500, 300);
}

fn largest(b: &Bench) -> Result<Money, Seen> {
    let most = b.bills().iter().copied().max();
    most.ok_or_else(|| Seen::cannot_tell("no bill is set"))
}

/// Feeds a bill and waits for its pulses.
fn feed(b: &mut Bench, bill: Money) -> Result<Vec<Train>, Seen> {
    b.take_trains();
    b.act(Act::PulseBill(bill.as_minor()))?;
    let per_pulse = b.profile().on + b.profile().off;
    let pulses = u64::try_from(bill.as_minor() / 50).unwrap_or(0);
    b.wait(BILL_TIME + per_pulse * pulses);
    Ok(b.take_trains())
}

fn whole_bill(b: &mut Bench) -> Result<Train, Seen> {
    let bill = largest(b)?;
    let trains = feed(b, bill)?;
    let longest = trains.into_iter().max_by_key(Train::count);
    longest.ok_or_else(|| Seen::cannot_tell("no pulses came"))
}

fn range(times: &[Micros]) -> String {
    match (times.iter().min(), times.iter().max()) {
        (Some(least), Some(most)) => format!("{least} to {most}"),
        _ => "none".to_owned(),
    }
}

fn rests(b: &mut Bench) -> Run {
    b.wait(Micros::secs(1));
    let high = b.resting_high();
    let good = high != b.profile().active.is_high();
    let text = format!("{} at rest", if high { "high" } else { "low" });
    Ok(Seen::judge(good, text))
}

fn moves(b: &mut Bench) -> Run {
    let bill = largest(b)?;
    let trains = feed(b, bill)?;
    let pulses: usize = trains.iter().map(Train::count).sum();
    Ok(Seen::judge(pulses > 0, format!("{pulses} pulses")))
}

fn widths(b: &mut Bench) -> Run {
    let train = whole_bill(b)?;
    let judged = judge(&train, b.profile());
    let wrong = judged
        .widths
        .iter()
        .filter(|v| **v == Verdict::Fail)
        .count();
    let text = format!(
        "{} pulses of {}, {wrong} out of tolerance of {}",
        train.count(),
        range(&train.widths()),
        b.profile().on
    );
    Ok(Seen::judge(wrong == 0, text))
}

fn gaps(b: &mut Bench) -> Run {
    let train = whole_bill(b)?;
    let judged = judge(&train, b.profile());
    let wrong = judged.gaps.iter().filter(|v| **v == Verdict::Fail).count();
    let text = format!(
        "pauses of {}, {wrong} out of tolerance of {}",
        range(&train.gaps()),
        b.profile().off
    );
    Ok(Seen::judge(wrong == 0, text))
}

fn mean(times: &[Micros]) -> Micros {
    let sum: u64 = times.iter().map(|t| t.as_us()).sum();
    Micros(sum / (times.len() as u64).max(1))
}

fn drift(b: &mut Bench) -> Run {
    let bill = largest(b)?;
    let mut widths = Vec::new();
    for _ in 0..2 {
        let trains = feed(b, bill)?;
        widths.extend(trains.iter().flat_map(Train::widths));
    }
    let (Some(least), Some(most)) = (widths.iter().min(), widths.iter().max()) else {
        return Ok(Seen::cannot_tell("no pulses came"));
    };
    let spread = most.since(*least);
    let tenth = Micros(b.profile().on.as_us() / 10);
    let first = mean(widths.get(..10).unwrap_or(&widths));
    let last = mean(
        widths
            .get(widths.len().saturating_sub(10)..)
            .unwrap_or(&widths),
    );
    let moved = first.since(last).max(last.since(first));
    let text = format!(
        "{} pulses of {least} to {most}; first ten {first}, last ten {last} on average",
        widths.len()
    );
    Ok(Seen::judge(spread <= tenth && moved <= tenth, text))
}

fn setting(b: &mut Bench) -> Run {
    let train = whole_bill(b)?;
    let mut profiles = Profile::all();
    let own = b.profile().clone();
    if !profiles.iter().any(|p| p.name == own.name) {
        profiles.push(own.clone());
    }
    let nearest = nearest_profile(&train, &profiles).map_or("none", |p| p.name.as_str());
    let text = format!("it is set to \"{nearest}\", meant is \"{}\"", own.name);
    Ok(Seen::judge(nearest == own.name, text))
}

/// What a board set to the profile credits for trains.
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

fn count_per_bill(b: &mut Bench) -> Run {
    let mut wrong = Vec::new();
    let bills = b.bills().to_vec();
    for bill in &bills {
        let trains = feed(b, *bill)?;
        let credited = credit(b.profile(), &trains);
        if credited != *bill {
            let pulses: usize = trains.iter().map(Train::count).sum();
            wrong.push(format!(
                "{} gives {pulses} pulses, a credit of {}",
                b.show(*bill),
                b.show(credited)
            ));
        }
    }
    let text = match wrong.is_empty() {
        true => format!("{} bills, each its worth", bills.len()),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn count_steady(b: &mut Bench) -> Run {
    let Some(bill) = b.bills().first().copied() else {
        return Ok(Seen::cannot_tell("no bill is set"));
    };
    let mut counts = Vec::new();
    for _ in 0..12 {
        let trains = feed(b, bill)?;
        counts.push(trains.iter().map(Train::count).sum::<usize>());
    }
    let same = counts.iter().all(|n| Some(n) == counts.first());
    let shown: Vec<String> = counts.iter().map(ToString::to_string).collect();
    Ok(Seen::judge(same, format!("pulses: {}", shown.join(" "))))
}

fn trains_apart(b: &mut Bench) -> Run {
    let bill = largest(b)?;
    let second = b.bills().first().copied().unwrap_or(bill);
    b.act(Act::PulseBill(bill.as_minor()))?;
    // The next bill as soon as the first is credited.
    let mut edges = Vec::new();
    for _ in 0..2_000 {
        b.wait(Micros::ms(5));
        edges = b.take_edges();
        if !edges.is_empty() {
            break;
        }
    }
    if edges.is_empty() {
        return Ok(Seen::cannot_tell("no pulses came"));
    }
    b.act(Act::PulseBill(second.as_minor()))?;
    b.wait(Micros::secs(12));
    // The first edge was taken already: the reader starts after the first pulse.
    let trains = b.take_trains();
    let counts: Vec<String> = trains.iter().map(|t| t.count().to_string()).collect();
    let text = format!("trains of {} pulses", counts.join(" and "));
    Ok(Seen::judge(trains.len() == 2, text))
}

fn found(b: &mut Bench, rule: PulseRule) -> Run {
    let train = whole_bill(b)?;
    let judged = judge(&train, b.profile());
    let found = judged.findings.iter().find(|f| f.rule == rule);
    Ok(match found {
        Some(finding) => Seen::fail(finding.text.clone()),
        None => Seen::pass(format!("none in {} pulses", train.count())),
    })
}

fn bounce(b: &mut Bench) -> Run {
    found(b, PulseRule::PulseBounce)
}

fn glitches(b: &mut Bench) -> Run {
    found(b, PulseRule::PulseGlitch)
}

fn kept(b: &Bench) -> Money {
    b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)))
}

fn inhibit(b: &mut Bench) -> Run {
    b.inhibit(true);
    let mut pulses = 0;
    for bill in b.bills().to_vec() {
        pulses += feed(b, bill)?.iter().map(Train::count).sum::<usize>();
    }
    let taken = kept(b);
    let text = format!("{} taken, {pulses} pulses", b.show(taken));
    Ok(Seen::judge(taken.is_zero() && pulses == 0, text))
}

fn silent_while_inhibited(b: &mut Bench) -> Run {
    b.wait(Micros::secs(1));
    b.inhibit(true);
    b.wait(Micros::secs(10));
    let pulses: usize = b.take_trains().iter().map(Train::count).sum();
    Ok(Seen::judge(pulses == 0, format!("{pulses} pulses")))
}

fn takes_again(b: &mut Bench) -> Run {
    b.inhibit(true);
    b.wait(Micros::secs(2));
    b.inhibit(false);
    b.wait(Micros::secs(1));
    moves(b)
}

fn power_cut(b: &mut Bench) -> Run {
    let bill = largest(b)?;
    b.act(Act::PulseBill(bill.as_minor()))?;
    let mut trains = Vec::new();
    for _ in 0..2_000 {
        b.wait(Micros::ms(5));
        trains = b.take_trains();
        if !trains.is_empty() {
            break;
        }
    }
    if trains.is_empty() {
        return Ok(Seen::cannot_tell("no pulses came"));
    }
    // In the pause after a pulse, so that none is cut short.
    b.wait(b.profile().on + b.profile().off * 3);
    b.act(Act::Power(false))?;
    b.wait(Micros::secs(2));
    b.act(Act::Power(true))?;
    b.wait(Micros::secs(15));
    trains.extend(b.take_trains());
    let pulses: usize = trains.iter().map(Train::count).sum();
    let wanted = b.profile().plan(bill);
    let wanted: u64 = wanted.pulses();
    let text = format!("{pulses} pulses of {wanted}");
    Ok(Seen::judge(pulses as u64 >= wanted, text))
}
