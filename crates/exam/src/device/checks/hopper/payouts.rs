//! Coins paid: as many as pulses, and none when it is off.

use super::{coins, enough, inside, pay};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::DeviceCheck;
use crate::device::checks::pulse::range;
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "exit-rests-right",
        title: "Rests with its exit sensor free",
        expected: "the exit line at the level that is no coin",
        section: COMMON_PRACTICE,
        advice: "The exit sensor is covered, dirty or wired the wrong way round.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "exit-reversed",
            "the exit sensor is wired the wrong way round",
            |s| s.pulse.at_hopper(s.kind, |c| c.faults.reversed = true),
        ),
        arrange: None,
        run: |b| {
            b.hopper()?;
            b.wait(Micros::secs(1));
            let wrong = b.wrong_at_rest(true);
            let text = match wrong.is_empty() {
                true => "the exit line rests as it should".to_owned(),
                false => format!("{} rests as if a coin were there", wrong.join(", ")),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "hopper-still-when-off",
        title: "Pays nothing while its motor is off",
        expected: "no coin in 30 s",
        section: COMMON_PRACTICE,
        advice: "The motor runs by itself: see the motor line's level and its driver.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "motor-runs-by-itself",
            "the motor line's level is mixed up",
            |s| s.pulse.at_hopper(s.kind, |c| c.runs_by_itself = true),
        ),
        arrange: None,
        run: |b| {
            let before = inside(b);
            b.hopper()?;
            b.wait(Micros::secs(30));
            let gone = before.saturating_sub(inside(b));
            let out = coins(b, gone)?;
            Ok(Seen::judge(
                out == 0,
                format!("{out} in 30 s", out = words::count(out, "coin")),
            ))
        },
    },
    Check {
        id: "hopper-pays",
        title: "Pays coins while its motor runs",
        expected: "a first coin within 3 s",
        section: COMMON_PRACTICE,
        advice: "Free the disc, check the motor, its wire and its supply.",
        weight: Weight::Rule,
        quirk: Quirk::new("hopper-jammed", "a coin is jammed in the disc", |s| {
            s.pulse.at_hopper(s.kind, |c| c.jam_after = Some(0))
        }),
        arrange: None,
        run: |b| {
            enough(b, 1)?;
            let from = b.now();
            let pulses = pay(b, 1)?;
            Ok(match pulses.first() {
                Some((at, _)) => Seen::pass(format!("the first coin after {}", at.since(from))),
                None => Seen::fail("no coin in 3 s"),
            })
        },
    },
    Check {
        id: "hopper-counts-right",
        title: "Says one pulse for every coin",
        expected: "ten pulses of the exit sensor, and ten coins out",
        section: COMMON_PRACTICE,
        advice: "Customers get too much or too little. Clean or replace the exit sensor.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "misses-every-fifth-coin",
            "the exit sensor misses every fifth coin",
            |s| {
                s.pulse.at_hopper(s.kind, |c| {
                    (c.faults.missing_pulses, c.faults.every) = (1, 5)
                })
            },
        ),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "hopper-stops",
        title: "Stops when its motor is switched off",
        expected: "no coin more than 200 ms after the motor",
        section: COMMON_PRACTICE,
        advice: "One coin too many per payout: the brake is worn or missing.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "coin-after-stop",
            "one coin more falls when the motor stops",
            |s| s.pulse.at_hopper(s.kind, |c| c.coins_after_stop = 1),
        ),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "hopper-keeps-paying",
        title: "Pays forty coins without a stop",
        expected: "forty coins, with never more than 3 s between two",
        section: COMMON_PRACTICE,
        advice: "It jams now and then: look for bent coins, clean the disc.",
        weight: Weight::Rule,
        quirk: Quirk::new("jams-after-twenty", "jams after twenty coins", |s| {
            s.pulse.at_hopper(s.kind, |c| c.jam_after = Some(20))
        }),
        arrange: None,
        run: |b| {
            enough(b, 40)?;
            let paid = pay(b, 40)?.len();
            let advice = (paid == 0)
                .then_some("It pays nothing: free the disc, check the motor and its supply.");
            Ok(Seen::judge(paid == 40, format!("{paid} of 40 coins paid")).advising(advice))
        },
    },
    Check {
        id: "exit-pulse-width",
        title: "Shows every coin long enough",
        expected: "pulses of 20 ms to 200 ms, each within a quarter of its setting",
        section: COMMON_PRACTICE,
        advice: "Boards miss short pulses and take long ones for a jam. Clean the exit sensor.",
        weight: Weight::Rule,
        quirk: Quirk::new("short-exit-pulses", "shows coins for half as long", |s| {
            s.pulse.at_hopper(s.kind, |c| c.faults.width_percent = -50)
        }),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "exit-no-bounce",
        title: "Shows every coin once",
        expected: "no pulse closer than a third of its pace to the one before",
        section: COMMON_PRACTICE,
        advice: "Boards count a coin several times. Clean the exit sensor, check its wire.",
        weight: Weight::Rule,
        quirk: Quirk::new("exit-bounces", "the exit sensor bounces", |s| {
            s.pulse.at_hopper(s.kind, |c| c.faults.bounce_us = 6_000)
        }),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "hopper-power-cut-stops",
        title: "Stops when its power is cut",
        expected: "no coin while the power is off",
        section: COMMON_PRACTICE,
        advice: "Its motor has another supply than its board: see the wiring.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "motor-on-another-supply",
            "the motor goes on without the hopper's power",
            |s| s.pulse.at_hopper(s.kind, |c| c.runs_without_power = true),
        ),
        arrange: None,
        run: |b| {
            enough(b, 20)?;
            b.hopper()?;
            b.motor(true);
            b.wait(Micros::secs(2));
            b.act(b.device_power(false))?;
            let before = inside(b);
            b.wait(Micros::secs(5));
            let gone = before.saturating_sub(inside(b));
            let out = coins(b, gone)?;
            let text = format!(
                "{out} while the power was off",
                out = words::count(out, "coin")
            );
            Ok(Seen::judge(out == 0, text))
        },
    },
];

/// The sensor counts what comes out, which is not what was asked for.
const COUNTED_RIGHTLY: &str = "Its sensor counts rightly, but other than was asked for comes out: see \
     whether it pays and stops.";

/// More than the one coin that a worn brake lets through.
const DOES_NOT_STOP: &str =
    "It goes on paying: see the motor line's level, its driver and the brake.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
