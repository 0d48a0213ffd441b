//! The mains of the machine, and what a board knows when they are back: pulse trains that were cut, a
//! credit line that is held, tubes that somebody emptied or filled meanwhile.

use super::common::{empty_tubes, kept, refund};
use crate::board::bad_habit::Memory;
use crate::board::bench::BoardBench;
use crate::board::heard::{CHANGER, HeardBlock};
use crate::board::hearing::{Ghosts, Mishears};
use crate::board::kit::BillFor;
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use crate::skip::Skip;
use payrig_mdb::bill;
use payrig_units::Money;

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "cut-before-pulses",
        title: "Makes no money of a cut before a train",
        expected: "the mains fail with {train} in the acceptor, before its first pulse: no more comes back, and the next {money} is credited",
        section: COMMON_PRACTICE,
        advice: "A power cut makes money, or pulses are lost after it: count what comes after the start, and nothing else.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| cut_train(b, Stage::Before),
        quirk: Quirk::new(
            "counts-pulses-at-power-up",
            "counts pulses that nobody sent when its power comes back",
            |s| s.bad.ghosts = Some(Ghosts::AfterCut),
        ),
    },
    BoardCheck {
        id: "cut-within-pulse",
        title: "Makes no money of a cut within a pulse",
        expected: "the mains fail while a pulse of a train for {train} lasts: no more than {train} comes back, and the next {money} is credited",
        section: COMMON_PRACTICE,
        advice: "A power cut makes money: a pulse that began before it is over, and not counted again.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| cut_train(b, Stage::Within),
        quirk: Quirk::new(
            "counts-cut-pulse-again",
            "counts a train again that was cut within a pulse",
            |s| s.bad.ghosts = Some(Ghosts::CutWithin),
        ),
    },
    BoardCheck {
        id: "cut-between-pulses",
        title: "Makes no money of a cut between pulses",
        expected: "the mains fail between two pulses of a train for {train}: no more than {train} comes back, and the next {money} is credited",
        section: COMMON_PRACTICE,
        advice: "A power cut makes money: what was counted before it is not counted again.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| cut_train(b, Stage::Between),
        quirk: Quirk::new(
            "counts-cut-train-again",
            "counts a train again that was cut between two pulses",
            |s| s.bad.ghosts = Some(Ghosts::CutBetween),
        ),
    },
    BoardCheck {
        id: "cut-before-train-end",
        title: "Counts pulses again after a cut train",
        expected: "the mains fail behind the last pulse of a train for {train}: no more than {train} comes back, and the next {money} is credited",
        section: COMMON_PRACTICE,
        advice: "Money in the old acceptor is lost after a power cut: begin counting anew at the start.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| cut_train(b, Stage::End),
        quirk: Quirk::new(
            "deaf-to-pulses-after-cut",
            "hears no pulses after a power cut",
            |s| s.bad.mishears = Some(Mishears::AfterCut),
        ),
    },
    BoardCheck {
        id: "stuck-line-at-power-up",
        title: "Credits no line held at power-up",
        expected: "the line held from before the start until 10 s after it: nothing comes back, and the next {money} is credited",
        section: COMMON_PRACTICE,
        advice: "A wire that touches another makes money at every start: a pulse has a beginning and an end.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.fit(&[CHANGER])?;
            b.need(b.kit().pulse_bill(false))?;
            b.ready();
            b.board_power(false);
            b.hold_credit_line(true);
            b.secs(2);
            b.board_power(true);
            b.secs(10);
            b.hold_credit_line(false);
            b.secs(5);
            let got = refund(b);
            let (next, right) = next_bill(b);
            let text = format!("{} for the held line; {next}", b.show(got));
            let more = !got.is_zero();
            Ok(Seen::judge(!more && right, text)
                .beside(got, Money::ZERO)
                .matter_of(CUT.makes, more)
                .or_matter_of(CUT.deaf, !right))
        },
        quirk: Quirk::new(
            "counts-held-line",
            "counts a line that is held at power-up",
            |s| s.bad.ghosts = Some(Ghosts::Held),
        ),
    },
    BoardCheck {
        id: "filled-tubes-noticed-after-cut",
        title: "Notices tubes filled in a power cut",
        expected: "tubes filled while the power was off: bills are taken once it is back",
        section: "5.3, TUBE STATUS",
        advice: "\"Exact change\" stays on after the machine was filled: ask for TUBE STATUS at every start.",
        weight: Weight::Rule,
        arrange: Some(empty_tubes),
        run: |b| {
            b.ready();
            let before = takes_bills(b)?;
            b.board_power(false);
            b.secs(2);
            b.fill_tubes();
            b.board_power(true);
            b.secs(20);
            let after = takes_bills(b)?;
            tubes(before, after, true)
        },
        quirk: Quirk::new(
            "remembers-empty-tubes",
            "remembers over a power cut that the tubes were empty",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x0A] {
                        remember_tubes(m, d, true);
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "emptied-tubes-noticed-after-cut",
        title: "Notices tubes emptied in a power cut",
        expected: "tubes emptied while the power was off: no bills are taken once it is back",
        section: "5.3, TUBE STATUS",
        advice: "Customers get no change after somebody took the coins: ask for TUBE STATUS at every start.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            let before = takes_bills(b)?;
            b.board_power(false);
            b.secs(2);
            b.empty_tubes();
            b.board_power(true);
            b.secs(20);
            let after = takes_bills(b)?;
            tubes(before, after, false)
        },
        quirk: Quirk::new(
            "remembers-full-tubes",
            "takes the tubes for as full as they were before a power cut",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x0A] {
                        remember_tubes(m, d, false);
                    }
                })
            },
        ),
    },
];

/// The checks that are about what others may meet on their way.
const CUT: Cut = Cut {
    makes: "cut-before-pulses",
    deaf: "cut-before-train-end",
};

/// What a power cut does to pulses.
struct Cut {
    /// It makes money.
    makes: &'static str,
    /// Pulses are lost after it.
    deaf: &'static str,
}

/// When the mains fail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// The bill is in, and no pulse has come.
    Before,
    /// The first pulse lasts.
    Within,
    /// It is over, and the second has not begun.
    Between,
    /// The last one is over, and perhaps the train is not.
    End,
}

fn cut_train(b: &mut BoardBench, stage: Stage) -> Run {
    // Before a train and behind it a switch can be thrown by hand: the acceptor is ours, and waits.
    if b.is_outside() && matches!(stage, Stage::Within | Stage::Between) {
        let text = "the mains fail within a train of pulses, and no hand at a switch is so quick: done with \
                    the emulated board only";
        return Err(Seen::skipped(Skip::EmulatedOnly(text.into())));
    }
    b.fit(&[CHANGER])?;
    b.need(b.kit().pulse_bill(true))?;
    b.need(b.kit().pulse_bill(false))?;
    b.ready();
    let value = b.pulse_bill(true);
    let takes = b.pulses_take(value);
    let all = b.pulses_of(value);
    let reached = match stage {
        Stage::Before => b.until_so(takes, |b| !kept(b).is_zero()),
        Stage::Within => b.until_so(takes, |b| b.pulses_begun() == 1),
        Stage::Between => b.until_so(takes, |b| b.pulses_over() == 1),
        Stage::End => b.until_so(takes, |b| b.pulses_over() == all),
    };
    if !reached {
        return Ok(Seen::cannot_tell(
            "the stage of the train was never reached",
        ));
    }
    b.mains(false);
    b.secs(2);
    b.mains(true);
    b.secs(15);
    b.wait(takes);
    b.press_return();
    b.secs(15);
    let gain = b.customer();
    let (next, right) = next_bill(b);
    let text = format!(
        "{} put in, {} came back; {next}",
        b.show(value),
        b.show(gain.saturating_add(value))
    );
    // A board may forget what it had counted, and an acceptor what it had not sent.
    let lost = gain < -value;
    let seen = Seen::judge(right && gain <= Money::ZERO && !lost, text);
    let seen = seen.beside(gain.max(Money::ZERO), Money::ZERO);
    Ok(match stage {
        Stage::Before => seen.matter_of(CUT.deaf, !right && gain <= Money::ZERO),
        Stage::Within | Stage::Between => seen
            .matter_of(CUT.makes, gain > Money::ZERO)
            .or_matter_of(CUT.deaf, !right),
        Stage::End => seen.matter_of(CUT.makes, gain > Money::ZERO),
    })
}

/// Whether the next bill comes back in full, and in words.
fn next_bill(b: &mut BoardBench) -> (String, bool) {
    let (had, before) = (kept(b), b.customer());
    let value = b.pulse_bill(false);
    let takes = b.pulses_take(value);
    b.wait(takes);
    let money = b.kit().on_pulses();
    if kept(b) == had {
        return (format!("the next {money} is not taken"), false);
    }
    refund(b);
    let back = b.customer().saturating_sub(before).saturating_add(value);
    let text = format!(
        "{} of the next {money} of {} came back",
        b.show(back),
        b.show(value)
    );
    (text, back == value)
}

/// Whether the board takes bills now, as far as the wires say.
fn takes_bills(b: &mut BoardBench) -> Result<bool, Seen> {
    b.fit(&[CHANGER])?;
    if b.fitted().bill {
        let (bill_type, _) = b.need(b.kit().bill(BillFor::Change))?;
        b.need(b.kit().bill_needs_change())?;
        let enables = |block: &HeardBlock| match block.to_bill() {
            Some(bill::Command::BillType { enable, .. }) => Some(enable.contains(bill_type)),
            _ => None,
        };
        let last = b.blocks().iter().filter_map(enables).next_back();
        return Ok(last.unwrap_or(false));
    }
    b.need(b.kit().pulse_bill(false))?;
    b.need(b.kit().pulse_needs_change())?;
    let now = b.now();
    Ok(b.was_held_off(now) == Some(false))
}

/// TUBE STATUS (section 5.3) after a power cut as before it, where the tubes were empty, or are now.
fn remember_tubes(m: &mut Memory, data: &mut Vec<u8>, were_empty: bool) {
    let empty = |data: &[u8]| data.iter().skip(2).all(|coins| *coins == 0);
    if m.cuts == 0 {
        m.kept.clone_from(data);
        return;
    }
    let (before, now) = (empty(&m.kept), empty(data));
    if !m.kept.is_empty() && before != now && before == were_empty {
        data.clone_from(&m.kept);
    }
}

fn tubes(before: bool, after: bool, wanted: bool) -> Run {
    let say = |takes: bool| {
        if takes {
            "bills are taken"
        } else {
            "no bills are taken"
        }
    };
    let text = format!("before the cut {}, after it {}", say(before), say(after));
    if before == wanted {
        return Ok(Seen::cannot_tell(format!(
            "{text}: the tubes made no difference before"
        )));
    }
    Ok(Seen::judge(after == wanted, text))
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
