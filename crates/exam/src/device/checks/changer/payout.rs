//! Tubes and payouts, counts compared.

use super::{
    coins, dispense, fullest, hides, in_tube, paid_out, pay, payout_ends, start, tubes, used,
    watch, watch_coin,
};
use crate::check::{Check, Quirk, Seen, Weight};
use crate::device::habit::Context;
use crate::device::typed::{self, Request};
use crate::device::{Answer, DeviceCheck, altered};
use payrig_mdb::changer::{Command, Routing, Status};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "tube-status-follows",
        title: "Counts a coin that went into its tube",
        expected: "TUBE STATUS one higher, and the same as in the coin's report",
        section: "5.3, TUBE STATUS",
        advice: "The board cannot know what change it has. Check the tube sensors.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "tube-status-frozen",
            about: "TUBE STATUS never changes",
            caught_by: &["pays-from-each-tube"],
            apply: |s| s.habits.rewrite = Some(tube_status_frozen),
        },
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            let before = tubes(b)?;
            let mut wrong = Vec::new();
            let mut followed = 0;
            for (coin_type, value) in used(&setup) {
                b.act(b.coin(coin_type))?;
                let reports = watch_coin(b);
                let to_tube = coins(&reports).contains(&(coin_type, Routing::Tubes));
                let after = tubes(b)?;
                let rise = i32::from(after.counts.get(coin_type))
                    - i32::from(before.counts.get(coin_type));
                if to_tube && setup.routing.contains(coin_type) {
                    followed += 1;
                    if rise != 1 {
                        wrong.push(format!("{}: changed by {rise}", b.show(value)));
                    }
                }
            }
            if followed == 0 {
                return Ok(Seen::cannot_tell("no coin went to a tube"));
            }
            let text = match wrong.is_empty() {
                true => format!(
                    "{followed}, each counts one more",
                    followed = words::count(followed, "tube")
                ),
                false => wrong.join("; "),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "tube-counts-honest",
        title: "Has as many coins as it says",
        expected: "the smallest tube pays out as many coins as TUBE STATUS reports",
        section: "5.3, TUBE STATUS",
        advice: "Empty the tubes, count, fill again by the manual. If that does not help, \
                 replace the sensors.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "wrong-tube-count",
            "reports one coin more than there is",
            |s| s.changer_quirks.wrong_tube_count = true,
        ),
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            let status = tubes(b)?;
            let filled = used(&setup)
                .into_iter()
                .map(|(t, v)| (t, v, status.counts.get(t)));
            let Some((coin_type, value, reported)) =
                filled.filter(|(_, _, n)| *n > 0).min_by_key(|f| f.2)
            else {
                return Ok(Seen::cannot_tell("all tubes are empty"));
            };
            let mut out = Money::ZERO;
            for _ in 0..u32::from(reported).div_ceil(10) + 1 {
                out = out.saturating_add(pay(b, coin_type, 10)?.0);
            }
            let came = out.as_minor() / value.as_minor().max(1);
            let text = format!(
                "tube of {}: {reported} reported, {came} came out",
                b.show(value)
            );
            Ok(Seen::judge(came == i64::from(reported), text))
        },
    },
    Check {
        id: "pays-from-each-tube",
        title: "Pays the coins it is asked for, from each tube",
        expected: "two coins of each type come out, and TUBE STATUS is two lower",
        section: "5.3, DISPENSE",
        advice: "What comes out or what is counted is wrong. Check dispenser and sensor of that \
                 tube.",
        weight: Weight::Money,
        quirk: Quirk::new("dispenses-one-coin-less", "pays one coin less", |s| {
            s.changer_quirks.dispenses_one_coin_less = true
        }),
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            let status = tubes(b)?;
            let mut wrong = Vec::new();
            let mut tried = 0;
            for (coin_type, value) in used(&setup) {
                if status.counts.get(coin_type) < 2 {
                    continue;
                }
                tried += 1;
                let (out, _) = pay(b, coin_type, 2)?;
                let wanted = value.saturating_add(value);
                let after = tubes(b)?.counts.get(coin_type);
                let fewer = status.counts.get(coin_type).saturating_sub(after);
                if out != wanted || fewer != 2 {
                    wrong.push(format!(
                        "asked for {}, {} came out, TUBE STATUS {fewer} lower",
                        b.show(wanted),
                        b.show(out),
                        fewer = words::count(fewer, "coin")
                    ));
                }
            }
            if tried == 0 {
                return Ok(Seen::cannot_tell("all tubes are empty"));
            }
            let tubes = setup.routing.iter().count();
            let text = match wrong.is_empty() {
                true if tried < tubes => {
                    format!(
                        "{tried} of {tubes} paid two coins each, the others hold fewer",
                        tubes = words::count(tubes, "tube")
                    )
                }
                true => format!(
                    "{tried} paid two coins each",
                    tried = words::count(tried, "tube")
                ),
                false => wrong.join("; "),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "payout-ends",
        title: "Ends a payout",
        expected: "CHANGER PAYOUT BUSY is gone within 30 s of a payout of three coins",
        section: "5.3, POLL, Appendix 3, section 2",
        advice: "The machine is blocked after the first change. Check the payout sensors.",
        weight: Weight::Rule,
        quirk: Quirk::new("always-busy", "stays busy after a payout", |s| {
            s.changer_quirks.always_busy = true
        }),
        arrange: None,
        run: |b| {
            let (coin_type, _) = fullest(b)?;
            let from = b.now();
            let (_, ended) = pay(b, coin_type, 3)?;
            let took = b.now().since(from);
            let text = match ended {
                true => format!("three coins in {took}"),
                false => format!("still busy after {took}"),
            };
            Ok(Seen::judge(ended, text))
        },
    },
    Check {
        id: "busy-until-paid",
        title: "Is busy until a payout is over",
        expected: "TUBE STATUS falls no further once POLL is answered without CHANGER PAYOUT BUSY",
        section: "5.3, DISPENSE, note 2",
        advice: "Boards believe that the change is out while it is being paid, and count it wrongly. \
                 Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "hides-busy",
            "never says CHANGER PAYOUT BUSY, and answers POLL while it pays",
            |s| s.habits.rewrite = Some(hides_busy),
        ),
        arrange: None,
        run: |b| {
            let (coin_type, _) = fullest(b)?;
            if !paid_out(b, coin_type, 5)? {
                return Ok(Seen::cannot_tell("the payout does not end"));
            }
            let said = tubes(b)?.counts.get(coin_type);
            watch(b, Micros::secs(3));
            let later = tubes(b)?.counts.get(coin_type);
            let text = format!("{said} in the tube when it was no longer busy, then {later}");
            Ok(Seen::judge(later == said, text))
        },
    },
    Check {
        id: "dispense-acknowledged",
        title: "Acknowledges DISPENSE",
        expected: "ACK",
        section: "5.3, DISPENSE",
        advice: "Boards pay twice, or not at all. Do not install it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "dispense-without-ack",
            "does not acknowledge DISPENSE",
            |s| s.changer_quirks.dispense_without_ack = true,
        ),
        arrange: None,
        run: |b| {
            let (coin_type, _) = fullest(b)?;
            let before = tubes(b)?;
            let mut answer = b.ask(dispense(coin_type, 1).block().bytes());
            payout_ends(b);
            if answer == Answer::Silence && tubes(b)? == before {
                // It was busy and did not hear it: nothing came out.
                answer = b.ask(dispense(coin_type, 1).block().bytes());
                payout_ends(b);
            }
            Ok(Seen::judge(answer == Answer::Ack, answer.text()))
        },
    },
    Check {
        id: "dispense-not-doubled",
        title: "Does not pay twice when DISPENSE is repeated",
        expected: "a repetition during the payout pays nothing more",
        section: "Appendix 3, section 3, condition 1",
        advice: "A noisy bus makes it pay twice. Use it only with boards that never repeat.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "double-dispense-on-repeat",
            "pays a repeated DISPENSE too",
            |s| s.changer_quirks.double_dispense_on_repeat = true,
        ),
        arrange: None,
        run: |b| {
            let (coin_type, value) = fullest(b)?;
            let before = in_tube(b, coin_type);
            let command = dispense(coin_type, 2);
            b.ask(command.block().bytes());
            let second = b.ask(command.block().bytes());
            payout_ends(b);
            let out = before.saturating_sub(in_tube(b, coin_type));
            let wanted = value.saturating_add(value);
            let text = format!(
                "asked twice for {}, the second time {}: {} came out",
                b.show(wanted),
                second.text(),
                b.show(out)
            );
            Ok(Seen::judge(out <= wanted, text))
        },
    },
];

fn hides_busy(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, Status::ChangerPayoutBusy);
}

fn tube_status_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::frozen(
        context,
        bytes,
        &typed::Command::Changer(Command::TubeStatus),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
