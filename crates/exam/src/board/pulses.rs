//! Checks of what a board does with credit pulses, alone and beside the bus.

use super::bench::{BoardBench, CHANGER};
use super::hearing::Mishears;
use super::{Entry, entry, refund, refunds};
use crate::check::{COMMON_PRACTICE, Run, Seen};
use payrig_units::{Micros, Money, Place};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "pulse-credited",
        "Credits a pulse",
        "one pulse of 50 ms: 1.00 comes back",
        COMMON_PRACTICE,
        "Bills in the old acceptor are lost: see level and widths.",
        Rule,
        |b| bills(b, &[100]),
        None,
        "deaf-to-pulses",
        "does not hear pulses",
        |s| s.habits.mishears = Some(Mishears::All)
    ),
    entry!(
        "short-pulses-ignored",
        "Ignores pulses that are too short",
        "five spikes of 5 ms, then a bill of 1.00: 1.00 comes back",
        COMMON_PRACTICE,
        "Noise makes money: set the shortest width.",
        Rule,
        |b| stray(b, 5, 5),
        None,
        "counts-short-pulses",
        "counts spikes as pulses",
        |s| s.habits.mishears = Some(Mishears::Short)
    ),
    entry!(
        "long-pulses-ignored",
        "Ignores pulses that are too long",
        "a line held for 400 ms, then a bill of 1.00: 1.00 comes back",
        COMMON_PRACTICE,
        "A stuck line makes money: set the longest width.",
        Rule,
        |b| stray(b, 1, 400),
        None,
        "counts-long-pulses",
        "counts a line that was held as a pulse",
        |s| s.habits.mishears = Some(Mishears::Long)
    ),
    entry!(
        "several-dollars",
        "Credits all pulses of a bill",
        "five pulses for 5.00: 5.00 comes back",
        COMMON_PRACTICE,
        "Large bills are credited in part: see pulse gaps and train gap.",
        Rule,
        |b| bills(b, &[500]),
        None,
        "hears-first-pulse-only",
        "hears only the first pulse of a train",
        |s| s.habits.mishears = Some(Mishears::AllButFirst)
    ),
    entry!(
        "pulse-while-paying",
        "Credits a pulse while it pays change",
        "1.00 more than the change comes back, with it or at the coin return",
        COMMON_PRACTICE,
        "A bill put in during a payout is lost: count pulses at any time.",
        Rule,
        while_paying,
        None,
        "deaf-while-paying",
        "does not hear pulses while it pays",
        |s| s.habits.mishears = Some(Mishears::WhilePaying)
    ),
    entry!(
        "pulses-and-coins-add-up",
        "Adds pulses and coins",
        "a pulse of 1.00 and a coin of 0.25: 1.25 comes back",
        COMMON_PRACTICE,
        "Old and new money do not add up: keep one credit.",
        Rule,
        both,
        None,
        "coins-or-pulses",
        "hears no coins beside a pulse acceptor",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && matches!(d.as_slice(), [0x40..=0x5F, _]) {
                d.clear();
            }
        })
    ),
];

/// Puts a bill into the old acceptor, which has to take it.
fn feed(b: &mut BoardBench, value: i64) -> Result<(), Seen> {
    let kept = |b: &BoardBench| b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)));
    let before = kept(b);
    b.pulse_bill(value);
    b.secs(8);
    match kept(b).saturating_sub(before) {
        Money::ZERO => Err(Seen::cannot_tell(
            "the board holds the acceptor off: see the checks of the inhibit line first",
        )),
        _ => Ok(()),
    }
}

fn bills(b: &mut BoardBench, values: &[i64]) -> Run {
    b.ready();
    for value in values {
        feed(b, *value)?;
    }
    refunds(b, values.iter().sum())
}

fn stray(b: &mut BoardBench, count: u32, ms: u64) -> Run {
    b.ready();
    b.stray_pulses(count, Micros::ms(ms));
    // A board that hears no pulse at all shows nothing: a good one comes after them.
    feed(b, 100)?;
    let got = refund(b);
    let text = format!(
        "the coin return gives {}; a bill of 1.00 was put in after them",
        b.show(got)
    );
    Ok(match got {
        Money::ZERO => Seen::cannot_tell(format!("{text}: no pulse is credited at all")),
        _ => Seen::judge(got == Money(100), text),
    })
}

fn while_paying(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.coin(3);
    b.secs(2);
    b.select(11);
    for _ in 0..300 {
        if b.count(from, CHANGER, "DISPENSE") > 0 {
            break;
        }
        b.wait(Micros::ms(20));
    }
    if b.count(from, CHANGER, "DISPENSE") == 0 {
        return Ok(Seen::cannot_tell("no change was paid"));
    }
    b.stray_pulses(1, Micros::ms(50));
    b.secs(8);
    // A board may pay it out with the change, or keep it as credit.
    refund(b);
    // 1.00 went in as a coin, an item of 0.65 fell, and a pulse of 1.00 came from nobody.
    let got = b.customer().saturating_add(Money(65));
    let text = format!(
        "{} came back beyond the change, it should be 1.00",
        b.show(got)
    );
    Ok(Seen::judge(got == Money(100), text))
}

fn both(b: &mut BoardBench) -> Run {
    b.ready();
    feed(b, 100)?;
    b.coin(2);
    b.secs(3);
    refunds(b, 125)
}
