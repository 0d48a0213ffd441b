//! Credit pulses, alone and beside the bus.

use super::common::{kept, refund, refunds};
use crate::board::bench::BoardBench;
use crate::board::heard::{CHANGER, What};
use crate::board::hearing::Mishears;
use crate::board::kit::{CoinFor, Pick, Sum};
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use payrig_units::{Micros, Money};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "pulse-credited",
        title: "Credits a pulse",
        expected: "{pulse} in pulses of {on}: {pulse} comes back",
        section: COMMON_PRACTICE,
        advice: "Money in the old acceptor is lost: see level and widths.",
        weight: Weight::Money,
        arrange: None,
        run: |b| bill(b, false),
        quirk: Quirk::new("deaf-to-pulses", "does not hear pulses", |s| {
            s.bad.mishears = Some(Mishears::All)
        }),
    },
    BoardCheck {
        id: "short-pulses-ignored",
        title: "Ignores pulses that are too short",
        expected: "five spikes of {short}, then a {money} of {pulse}: {pulse} comes back",
        section: COMMON_PRACTICE,
        advice: "Noise makes money: set the shortest width.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let width = b.kit().short_pulse();
            stray(b, 5, width)
        },
        quirk: Quirk::new("counts-short-pulses", "counts spikes as pulses", |s| {
            s.bad.mishears = Some(Mishears::Short)
        }),
    },
    BoardCheck {
        id: "long-pulses-ignored",
        title: "Ignores pulses that are too long",
        expected: "a line held for {long}, then a {money} of {pulse}: {pulse} comes back",
        section: COMMON_PRACTICE,
        advice: "A stuck line makes money: set the longest width.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let width = b.kit().long_pulse();
            stray(b, 1, width)
        },
        quirk: Quirk::new(
            "counts-long-pulses",
            "counts a line that was held as a pulse",
            |s| s.bad.mishears = Some(Mishears::Long),
        ),
    },
    BoardCheck {
        id: "several-dollars",
        title: "Credits all pulses of a {money}",
        expected: "a train of pulses for {train}: {train} comes back",
        section: COMMON_PRACTICE,
        advice: "Large bills are credited in part: see pulse gaps and train gap.",
        weight: Weight::Money,
        arrange: None,
        run: |b| bill(b, true),
        quirk: Quirk::new(
            "hears-first-pulse-only",
            "hears only the first pulse of a train",
            |s| s.bad.mishears = Some(Mishears::AllButFirst),
        ),
    },
    BoardCheck {
        id: "pulse-while-paying",
        title: "Credits a pulse while it pays change",
        expected: "{unit} more than the change comes back, with it or at the coin return",
        section: COMMON_PRACTICE,
        advice: "A bill put in during a payout is lost: count pulses at any time.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let from = b.ready();
            let (pulses, unit) = b.need(b.kit().unit())?;
            let over = b.put_in(Sum::Over);
            b.secs(2);
            b.select(Pick::Cheap);
            let pays = |b: &BoardBench| b.count(from, What::Dispense) > 0;
            let most = b.habits().delivery + Micros::ms(4_500);
            if !b.until_so(most, pays) {
                // Where credit is kept after a sale.
                b.press_return();
            }
            if !b.until_so(Micros::secs(6), pays) {
                return Ok(Seen::cannot_tell("no change was paid"));
            }
            let width = b.profile_on();
            b.stray_pulses(pulses, width);
            b.secs(8);
            // A board may pay it out with the change, or keep it as credit.
            refund(b);
            // Coins went in, an item fell, and pulses came from nobody.
            let got = b.customer().saturating_add(b.kit().price());
            let text = format!(
                "{} came back beyond the change of {}, it should be {}",
                b.show(got),
                b.show(over),
                b.show(unit)
            );
            Ok(Seen::judge(got == unit, text).beside(got, unit))
        },
        quirk: Quirk::new(
            "deaf-while-paying",
            "does not hear pulses for 3 s after DISPENSE",
            |s| s.bad.mishears = Some(Mishears::WhilePaying),
        ),
    },
    BoardCheck {
        id: "pulses-and-coins-add-up",
        title: "Adds pulses and coins",
        expected: "a {money} of {pulse} in pulses and a coin of {tube}: {pulse+tube} comes back",
        section: COMMON_PRACTICE,
        advice: "Old and new money do not add up: keep one credit.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let (_, tube) = b.need(b.kit().coin(CoinFor::Tube))?;
            let pulse = feed(b, false)?;
            b.coin(CoinFor::Tube);
            b.secs(3);
            refunds(b, pulse.saturating_add(tube))
        },
        quirk: Quirk::new(
            "coins-or-pulses",
            "hears no coins once there was a pulse",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if m.pulses > 0 && c == [0x0B] && matches!(d.as_slice(), [0x40..=0x5F, _]) {
                        d.clear();
                    }
                })
            },
        ),
    },
];

/// Puts a bill into the old acceptor, which has to take it.
fn feed(b: &mut BoardBench, train: bool) -> Result<Money, Seen> {
    b.fit(&[CHANGER])?;
    b.need(b.kit().pulse_bill(train))?;
    let before = kept(b);
    let value = b.pulse_bill(train);
    b.wait(b.pulses_take(value));
    match kept(b).saturating_sub(before) {
        Money::ZERO => Err(Seen::cannot_tell(
            "the board holds the acceptor off: see the checks of the inhibit line first",
        )),
        _ => Ok(value),
    }
}

fn bill(b: &mut BoardBench, train: bool) -> Run {
    b.ready();
    let value = feed(b, train)?;
    refunds(b, value)
}

fn stray(b: &mut BoardBench, count: u32, width: Micros) -> Run {
    b.ready();
    b.stray_pulses(count, width);
    // A board that hears no pulse at all shows nothing: a good one comes after them.
    let value = feed(b, false)?;
    let got = refund(b);
    let text = format!(
        "the coin return gives {}; a {} of {} was put in after them",
        b.show(got),
        b.kit().on_pulses(),
        b.show(value)
    );
    Ok(match got {
        Money::ZERO => Seen::cannot_tell(format!("{text}: no pulse is credited at all")),
        _ => Seen::judge(got == value, text).beside(got, value),
    })
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
