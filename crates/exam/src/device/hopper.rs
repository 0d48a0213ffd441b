//! Checks of a payout hopper: a motor line held on, a pulse of the exit sensor per coin.

use super::bench::{Act, Bench};
use super::pulse::range;
use super::setup::Setup;
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_units::{Micros, Money, Place, words};

/// The checks.
pub(super) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "exit-rests-right",
        title: "Rests with its exit sensor free",
        expected: "the exit line at the level that is no coin",
        section: COMMON_PRACTICE,
        advice: "The exit sensor is covered, dirty or wired the wrong way round.",
        weight: Weight::Rule,
        quirk: "exit-reversed",
        arrange: None,
        run: rests,
    },
    Check {
        id: "hopper-still-when-off",
        title: "Pays nothing while its motor is off",
        expected: "no coin in 30 s",
        section: COMMON_PRACTICE,
        advice: "The motor runs by itself: see the motor line's level and its driver.",
        weight: Weight::Rule,
        quirk: "motor-runs-by-itself",
        arrange: None,
        run: still,
    },
    Check {
        id: "hopper-pays",
        title: "Pays coins while its motor runs",
        expected: "a first coin within 3 s",
        section: COMMON_PRACTICE,
        advice: "Free the disc, check the motor, its wire and its supply.",
        weight: Weight::Rule,
        quirk: "hopper-jammed",
        arrange: None,
        run: pays,
    },
    Check {
        id: "hopper-counts-right",
        title: "Says one pulse for every coin",
        expected: "ten pulses of the exit sensor, and ten coins out",
        section: COMMON_PRACTICE,
        advice: "Customers get too much or too little. Clean or replace the exit sensor.",
        weight: Weight::Rule,
        quirk: "misses-every-fifth-coin",
        arrange: None,
        run: counts,
    },
    Check {
        id: "hopper-stops",
        title: "Stops when its motor is switched off",
        expected: "no coin more than 200 ms after the motor",
        section: COMMON_PRACTICE,
        advice: "One coin too many per payout: the brake is worn or missing.",
        weight: Weight::Rule,
        quirk: "coin-after-stop",
        arrange: None,
        run: stops,
    },
    Check {
        id: "hopper-keeps-paying",
        title: "Pays forty coins without a stop",
        expected: "forty coins, with never more than 3 s between two",
        section: COMMON_PRACTICE,
        advice: "It jams now and then: look for bent coins, clean the disc.",
        weight: Weight::Rule,
        quirk: "jams-after-twenty",
        arrange: None,
        run: keeps_paying,
    },
    Check {
        id: "exit-pulse-width",
        title: "Shows every coin long enough",
        expected: "pulses of 20 ms to 200 ms, each within a quarter of its setting",
        section: COMMON_PRACTICE,
        advice: "Boards miss short pulses and take long ones for a jam. Clean the exit sensor.",
        weight: Weight::Rule,
        quirk: "short-exit-pulses",
        arrange: None,
        run: exit_widths,
    },
    Check {
        id: "exit-no-bounce",
        title: "Shows every coin once",
        expected: "no pulse closer than a third of its pace to the one before",
        section: COMMON_PRACTICE,
        advice: "Boards count a coin several times. Clean the exit sensor, check its wire.",
        weight: Weight::Rule,
        quirk: "exit-bounces",
        arrange: None,
        run: exit_bounce,
    },
    Check {
        id: "hopper-power-cut-stops",
        title: "Stops when its power is cut",
        expected: "no coin while the power is off",
        section: COMMON_PRACTICE,
        advice: "Its motor has another supply than its board: see the wiring.",
        weight: Weight::Rule,
        quirk: "motor-on-another-supply",
        arrange: None,
        run: power_cut,
    },
];

/// Checks of a coin acceptor and the hopper below it.
pub(super) const FED: &[Check<Bench, Setup>] = &[Check {
    id: "hopper-is-fed",
    title: "Keeps the coins the hopper pays",
    expected: "a coin of the hopper's value falls into the hopper, others do not",
    section: COMMON_PRACTICE,
    advice: "The hopper runs empty though its coins come in: see the sorter, or empty the hopper.",
    weight: Weight::Advice,
    quirk: "sorts-to-cash-box",
    arrange: None,
    run: is_fed,
}];

/// What came out of the hopper until now.
fn inside(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::Hopper(_)))
}

fn coins(b: &Bench, amount: Money) -> Result<i64, Seen> {
    Ok(amount.as_minor() / b.hopper()?.coin.as_minor().max(1))
}

/// The end of a check when there are too few coins in it.
fn enough(b: &mut Bench, least: i64) -> Result<(), Seen> {
    let held = inside(b);
    match coins(b, held)? {
        held if held >= least => Ok(()),
        held => {
            let text = format!(
                "{held} in it, {least} are needed: fill it",
                held = words::count(held, "coin")
            );
            Err(Seen::cannot_tell(text))
        }
    }
}

/// Runs the motor until so many pulses came, or none came for 3 s. The motor stops at once, as a
/// board's does; the pulses are given.
fn pay(b: &mut Bench, wanted: usize) -> Result<Vec<(Micros, Micros)>, Seen> {
    b.hopper()?;
    b.take_exit();
    let mut pulses: Vec<(Micros, Micros)> = Vec::new();
    let mut last = b.now();
    b.motor(true);
    while pulses.len() < wanted && b.now() < last + Micros::secs(3) {
        b.wait(Micros::ms(5));
        let new = b.take_exit();
        if !new.is_empty() {
            last = b.now();
        }
        pulses.extend(new);
    }
    b.motor(false);
    Ok(pulses)
}

fn rests(b: &mut Bench) -> Run {
    b.hopper()?;
    b.wait(Micros::secs(1));
    let wrong = b.wrong_at_rest(true);
    let text = match wrong.is_empty() {
        true => "the exit line rests as it should".to_owned(),
        false => format!("{} rests as if a coin were there", wrong.join(", ")),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn still(b: &mut Bench) -> Run {
    let before = inside(b);
    b.hopper()?;
    b.wait(Micros::secs(30));
    let gone = before.saturating_sub(inside(b));
    let out = coins(b, gone)?;
    Ok(Seen::judge(
        out == 0,
        format!("{out} in 30 s", out = words::count(out, "coin")),
    ))
}

fn pays(b: &mut Bench) -> Run {
    enough(b, 1)?;
    let from = b.now();
    let pulses = pay(b, 1)?;
    Ok(match pulses.first() {
        Some((at, _)) => Seen::pass(format!("the first coin after {}", at.since(from))),
        None => Seen::fail("no coin in 3 s"),
    })
}

/// The sensor counts what comes out, which is not what was asked for.
const COUNTED_RIGHTLY: &str = "Its sensor counts rightly, but other than was asked for comes out: see \
     whether it pays and stops.";

fn counts(b: &mut Bench) -> Run {
    enough(b, 12)?;
    let before = inside(b);
    let pulses = pay(b, 10)?.len();
    b.wait(Micros::secs(2));
    let pulses = pulses + b.take_exit().len();
    let gone = before.saturating_sub(inside(b));
    let out = coins(b, gone)?;
    let text = format!(
        "{pulses}, {out}",
        pulses = words::count(pulses, "pulse"),
        out = words::count(out, "coin")
    );
    let good = pulses == 10 && out == 10;
    let words = format!("10 asked for, {text}");
    let advice = (i64::try_from(pulses) == Ok(out)).then_some(COUNTED_RIGHTLY);
    let text = if good { text } else { words };
    Ok(Seen::judge(good, text).advising(advice))
}

/// More than the one coin that a worn brake lets through.
const DOES_NOT_STOP: &str =
    "It goes on paying: see the motor line's level, its driver and the brake.";

fn stops(b: &mut Bench) -> Run {
    enough(b, 7)?;
    pay(b, 5)?;
    b.wait(Micros::ms(200));
    let before = inside(b);
    b.wait(Micros::secs(5));
    let gone = before.saturating_sub(inside(b));
    let late = coins(b, gone)?;
    let at_once = b.take_exit().len();
    let text = format!(
        "{at_once} after the motor stopped",
        at_once = words::count(at_once, "coin")
    );
    let advice = (late > 1 || at_once > 1).then_some(DOES_NOT_STOP);
    Ok(Seen::judge(late == 0 && at_once == 0, text).advising(advice))
}

fn keeps_paying(b: &mut Bench) -> Run {
    enough(b, 40)?;
    let paid = pay(b, 40)?.len();
    let advice =
        (paid == 0).then_some("It pays nothing: free the disc, check the motor and its supply.");
    Ok(Seen::judge(paid == 40, format!("{paid} of 40 coins paid")).advising(advice))
}

fn exit_widths(b: &mut Bench) -> Run {
    enough(b, 20)?;
    let set = b.hopper()?.pulse;
    let pulses = pay(b, 20)?;
    let widths: Vec<Micros> = pulses.into_iter().map(|(_, width)| width).collect();
    let (Some(least), Some(most)) = (widths.iter().min(), widths.iter().max()) else {
        return Ok(Seen::cannot_tell("no coin came"));
    };
    let quarter = Micros(set.as_us() / 4);
    let near = *least + quarter >= set && *most <= set + quarter;
    let good = near && *least >= Micros::ms(20) && *most <= Micros::ms(200);
    let text = format!(
        "{} of {}",
        words::count(widths.len(), "pulse"),
        range(&widths)
    );
    Ok(Seen::judge(good, text))
}

fn exit_bounce(b: &mut Bench) -> Run {
    enough(b, 20)?;
    let pace = b.hopper()?.interval;
    let pulses = pay(b, 20)?;
    if pulses.len() < 2 {
        return Ok(Seen::cannot_tell("too few coins came"));
    }
    let pairs = pulses.iter().zip(pulses.iter().skip(1));
    let apart = pairs.map(|((a, _), (b, _))| b.since(*a));
    let close = apart.filter(|t| t.as_us() * 3 < pace.as_us()).count();
    let text = format!(
        "{}, {close} too close to the one before",
        words::count(pulses.len(), "pulse")
    );
    Ok(Seen::judge(close == 0, text))
}

fn power_cut(b: &mut Bench) -> Run {
    enough(b, 20)?;
    b.hopper()?;
    b.motor(true);
    b.wait(Micros::secs(2));
    b.act(Act::Power(false))?;
    let before = inside(b);
    b.wait(Micros::secs(5));
    let gone = before.saturating_sub(inside(b));
    let out = coins(b, gone)?;
    let text = format!(
        "{out} while the power was off",
        out = words::count(out, "coin")
    );
    Ok(Seen::judge(out == 0, text))
}

fn is_fed(b: &mut Bench) -> Run {
    let coin = b.hopper()?.coin;
    let mut wrong = Vec::new();
    let values = b.values();
    if !values.contains(&coin) {
        return Ok(Seen::skipped(
            "the acceptor does not take the hopper's coin",
        ));
    }
    for value in values {
        let before = inside(b);
        b.act(Act::PulseMoney(value.as_minor()))?;
        b.wait(Micros::secs(5));
        let rose = inside(b) > before;
        if rose != (value == coin) {
            let where_to = if rose { "hopper" } else { "cash box" };
            wrong.push(format!("{} fell into the {where_to}", b.show(value)));
        }
    }
    let text = match wrong.is_empty() {
        true => "every coin went where it belongs".to_owned(),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}
