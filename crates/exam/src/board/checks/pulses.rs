//! Credit pulses, alone and beside the bus.

use super::common::{refund, refunds};
use crate::board::bench::BoardBench;
use crate::board::heard::What;
use crate::board::hearing::Mishears;
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use payrig_units::{Micros, Money, Place};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "pulse-credited",
        title: "Credits a pulse",
        expected: "one pulse of 50 ms: 1.00 comes back",
        section: COMMON_PRACTICE,
        advice: "Bills in the old acceptor are lost: see level and widths.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| bills(b, &[100]),
        quirk: Quirk::new("deaf-to-pulses", "does not hear pulses", |s| {
            s.bad.mishears = Some(Mishears::All)
        }),
    },
    BoardCheck {
        id: "short-pulses-ignored",
        title: "Ignores pulses that are too short",
        expected: "five spikes of 5 ms, then a bill of 1.00: 1.00 comes back",
        section: COMMON_PRACTICE,
        advice: "Noise makes money: set the shortest width.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| stray(b, 5, 5),
        quirk: Quirk::new("counts-short-pulses", "counts spikes as pulses", |s| {
            s.bad.mishears = Some(Mishears::Short)
        }),
    },
    BoardCheck {
        id: "long-pulses-ignored",
        title: "Ignores pulses that are too long",
        expected: "a line held for 400 ms, then a bill of 1.00: 1.00 comes back",
        section: COMMON_PRACTICE,
        advice: "A stuck line makes money: set the longest width.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| stray(b, 1, 400),
        quirk: Quirk::new(
            "counts-long-pulses",
            "counts a line that was held as a pulse",
            |s| s.bad.mishears = Some(Mishears::Long),
        ),
    },
    BoardCheck {
        id: "several-dollars",
        title: "Credits all pulses of a bill",
        expected: "five pulses for 5.00: 5.00 comes back",
        section: COMMON_PRACTICE,
        advice: "Large bills are credited in part: see pulse gaps and train gap.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| bills(b, &[500]),
        quirk: Quirk::new(
            "hears-first-pulse-only",
            "hears only the first pulse of a train",
            |s| s.bad.mishears = Some(Mishears::AllButFirst),
        ),
    },
    BoardCheck {
        id: "pulse-while-paying",
        title: "Credits a pulse while it pays change",
        expected: "1.00 more than the change comes back, with it or at the coin return",
        section: COMMON_PRACTICE,
        advice: "A bill put in during a payout is lost: count pulses at any time.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready();
            b.coin(3);
            b.secs(2);
            b.select(11);
            let pays = |b: &BoardBench| b.count(from, What::Dispense) > 0;
            let most = b.habits().delivery + Micros::ms(4_500);
            if !b.until_so(most, pays) {
                // Where credit is kept after a sale.
                b.press_return();
            }
            if !b.until_so(Micros::secs(6), pays) {
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
        },
        quirk: Quirk::new(
            "deaf-while-paying",
            "does not hear pulses while it pays",
            |s| s.bad.mishears = Some(Mishears::WhilePaying),
        ),
    },
    BoardCheck {
        id: "pulses-and-coins-add-up",
        title: "Adds pulses and coins",
        expected: "a pulse of 1.00 and a coin of 0.25: 1.25 comes back",
        section: COMMON_PRACTICE,
        advice: "Old and new money do not add up: keep one credit.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            feed(b, 100)?;
            b.coin(2);
            b.secs(3);
            refunds(b, 125)
        },
        quirk: Quirk::new(
            "coins-or-pulses",
            "hears no coins beside a pulse acceptor",
            |s| {
                s.bad.hears = Some(|_, c, d| {
                    if c == [0x0B] && matches!(d.as_slice(), [0x40..=0x5F, _]) {
                        d.clear();
                    }
                })
            },
        ),
    },
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

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
