//! Reports together and over resets, the lever, sensors, diagnostics, payouts by value.

use super::{
    coin_time, coins, fullest, has, hides, inside, payout_ends, poll_answered, start, start_with,
    tubes, used, waiting_coin, watch, watch_coin,
};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Seen, Weight};
use crate::device::checks::common::{ask, order};
use crate::device::habit::Context;
use crate::device::presumptions::Leeway;
use crate::device::typed::ask_typed;
use crate::device::{Bench, DeviceCheck, altered};
use payrig_bench::action::ChangerAction;
use payrig_mdb::changer::{
    CoinType, CoinTypes, Command, DiagnosticCode, Features, PerType, Response, Status,
};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "several-coins-at-once",
        title: "Reports waiting coins together",
        expected: "three coins fed while nobody polls are all in the next answer",
        section: "5.3, POLL, Appendix 3, section 4",
        advice: "It works, but credit lags behind when coins come quickly.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "reports-one-coin-per-poll-only",
            "one report per answer",
            |s| s.changer_quirks.reports_one_coin_per_poll_only = true,
        ),
        arrange: None,
        run: |b| {
            let setup = start(b)?;
            let used = used(&setup);
            watch(b, Micros::ms(500));
            let fed: Vec<CoinType> = used.iter().map(|(t, _)| *t).cycle().take(3).collect();
            // One after another: a changer that is busy with a coin lets the next fall through.
            let time = coin_time(b);
            for coin_type in &fed {
                b.act_unasked(b.coin(*coin_type))?;
                b.wait(time);
            }
            let first = coins(&poll_answered(b)).len();
            let rest = coins(&watch_coin(b)).len();
            let text = format!("{first} in the first answer, {rest} later");
            Ok(Seen::judge(first == fed.len(), text))
        },
    },
    Check {
        id: "coin-survives-reset",
        title: "Remembers a coin over a RESET",
        expected: "a coin not yet reported is reported after the reset",
        section: COMMON_PRACTICE,
        advice: "A reset at the wrong moment costs the customer a coin.",
        weight: Weight::Advice,
        quirk: Quirk::new("reset-loses-report", "a reset forgets coins", |s| {
            s.changer_quirks.reset_loses_report = true
        }),
        arrange: None,
        run: |b| {
            let coin_type = waiting_coin(b)?;
            order(b, &Command::Reset)?;
            let seen = coins(&watch_coin(b));
            let said = seen.iter().any(|(t, _)| *t == coin_type);
            let text = if said {
                "reported after the reset"
            } else {
                "never reported"
            };
            Ok(Seen::judge(said, text))
        },
    },
    Check {
        id: "tube-status-after-reset",
        title: "Reports its tubes right soon after a reset",
        expected: "the right counts, or no answer, within 500 ms of a reset",
        section: "5.3, RESET, note 1",
        advice: "Boards that ask early show exact change. Use boards that wait 500 ms.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "tube-status-too-early",
            "empty tubes right after a reset",
            |s| s.changer_quirks.tube_status_too_early = true,
        ),
        arrange: None,
        run: |b| {
            start(b)?;
            let right = tubes(b)?;
            order(b, &Command::Reset)?;
            b.wait(Micros::ms(150));
            let same = match ask_typed(b, &Command::TubeStatus) {
                Ok(Response::TubeStatus(early)) => early == right,
                Err(answer) if answer.data().is_none() => {
                    return Ok(Seen::pass("no answer that early"));
                }
                _ => false,
            };
            let text = if same {
                "the right counts"
            } else {
                "other counts than before"
            };
            Ok(Seen::judge(same, text))
        },
    },
    Check {
        id: "escrow-request-once",
        title: "Says ESCROW REQUEST once per press of the lever",
        expected: "one report while the lever is held for 3 s",
        section: "Appendix 3, section 2",
        advice: "Some boards pay back again and again. Free the lever and its switch.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "escrow-repeats-while-held",
            "ESCROW REQUEST at every POLL",
            |s| s.changer_quirks.escrow_repeats_while_held = true,
        ),
        arrange: None,
        run: |b| {
            let said = escrow_presses(b)?;
            if said == 0 {
                return Ok(Seen::cannot_tell("ESCROW REQUEST never came"));
            }
            Ok(Seen::judge(
                said == 1,
                format!("said {said}", said = words::times(said)),
            ))
        },
    },
    Check {
        id: "escrow-request-said",
        title: "Reports the return lever",
        expected: "ESCROW REQUEST after a press",
        section: "5.3, POLL, 01H",
        advice: "Customers cannot get their money back. Check the lever's switch.",
        weight: Weight::Rule,
        quirk: Quirk::new("hides-lever", "does not report the lever", |s| {
            s.habits.rewrite = Some(hides_lever)
        }),
        arrange: None,
        run: |b| {
            let said = escrow_presses(b)?;
            Ok(Seen::judge(
                said > 0,
                format!("said {said}", said = words::times(said)),
            ))
        },
    },
    Check {
        id: "tube-sensor-defect-told",
        title: "Reports a defective tube sensor",
        expected: "DEFECTIVE TUBE SENSOR, and the tube reported as full and empty at once",
        section: "5.3, POLL 04H, TUBE STATUS",
        advice: "The board goes on paying from a tube nobody counts. Replace the sensor.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "hides-sensor-defect",
            "does not report a defective sensor",
            |s| s.habits.rewrite = Some(hides_sensor),
        ),
        arrange: None,
        run: |b| {
            let (coin_type, _) = fullest(b)?;
            watch(b, Micros::ms(500));
            b.act(b.at_changer(ChangerAction::BreakTubeSensor(coin_type.into(), true)))?;
            let said = has(&watch(b, Micros::secs(2)), Status::DefectiveTubeSensor) > 0;
            let shown = tubes(b)?.is_defective(coin_type);
            let text = format!(
                "DEFECTIVE TUBE SENSOR {}, TUBE STATUS {}",
                if said { "said" } else { "not said" },
                if shown {
                    "shows it"
                } else {
                    "does not show it"
                }
            );
            Ok(Seen::judge(said && shown, text))
        },
    },
    Check {
        id: "diagnostics-clear",
        title: "Has nothing wrong by its own diagnostics",
        expected: "no error code of its diagnostic table",
        section: "5.3, 0FH 05H",
        advice: "See what it says, mend that and examine it again.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "has-a-coin-jam",
            "a coin is jammed, by its own diagnostics",
            |s| s.changer_faults.push(DiagnosticCode::COIN_JAM),
        ),
        arrange: None,
        run: |b| {
            let setup = start_with(b, Features::EXTENDED_DIAGNOSTIC)?;
            b.works_from(Leeway::Level);
            if setup.level < 3 {
                return Ok(Seen::skipped("a changer of level 2 has no diagnostics"));
            }
            offers(b, Features::EXTENDED_DIAGNOSTIC)?;
            let Response::DiagnosticStatus(codes) = ask(b, &Command::SendDiagnosticStatus)? else {
                return Ok(Seen::fail("no diagnostic codes"));
            };
            let bad = codes.iter().any(|c: &DiagnosticCode| c.is_error());
            let words: Vec<String> = codes.iter().map(ToString::to_string).collect();
            Ok(Seen::judge(!bad, words.join("; ")))
        },
    },
    Check {
        id: "payout-by-value",
        title: "Pays a value in coins of its own choice",
        expected: "PAYOUT 0.40 pays 0.40, and PAYOUT STATUS says the same",
        section: "5.3, 0FH 02H, 0FH 03H",
        advice: "Boards that use this feature book wrong amounts. Switch the feature off there.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "payout-status-wrong",
            "PAYOUT STATUS says one coin too many",
            |s| s.habits.rewrite = Some(payout_status_wrong),
        ),
        arrange: None,
        run: |b| {
            let setup = start_with(b, Features::ALTERNATIVE_PAYOUT)?;
            b.works_from(Leeway::Level);
            if setup.level < 3 {
                return Ok(Seen::skipped("a changer of level 2 pays no values"));
            }
            offers(b, Features::ALTERNATIVE_PAYOUT)?;
            let amount = Money(40);
            let counts = amount.as_minor() / b.scale();
            let value = u8::try_from(counts).unwrap_or(u8::MAX);
            let before = inside(b);
            let payout = Command::Payout { value };
            order(b, &payout)?;
            if !payout_ends(b) {
                return Ok(Seen::fail("the payout does not end"));
            }
            let out = before.saturating_sub(inside(b));
            let Response::PayoutStatus(paid) = ask(b, &Command::PayoutStatus)? else {
                return Ok(Seen::fail("no payout status"));
            };
            let reported: Money = used(&setup)
                .into_iter()
                .filter_map(|(t, value)| value.checked_mul(i64::from(paid.get(t))))
                .sum();
            let text = format!(
                "asked for {}, {} came out, PAYOUT STATUS says {}",
                b.show(amount),
                b.show(out),
                b.show(reported)
            );
            Ok(Seen::judge(out == amount && reported == out, text))
        },
    },
];

fn escrow_presses(b: &mut Bench) -> Result<usize, Seen> {
    start(b)?;
    watch(b, Micros::ms(500));
    b.act(b.at_changer(ChangerAction::HoldLever(true)))?;
    let said = has(&watch(b, Micros::secs(3)), Status::EscrowRequest);
    b.act(b.at_changer(ChangerAction::HoldLever(false)))?;
    Ok(said)
}

/// An optional feature is judged where the changer says it has it (section 5.3, 0FH 00H), only there.
fn offers(b: &mut Bench, feature: Features) -> Result<(), Seen> {
    b.works_from(Leeway::Features);
    let Response::Identification(id) = ask(b, &Command::Identification)? else {
        return Err(Seen::fail("no identification"));
    };
    match id.features.contains(feature) {
        true => Ok(()),
        false => Err(Seen::skipped("the feature is not offered")),
    }
}

fn hides_lever(context: &Context<'_>, bytes: &mut Vec<u8>) {
    hides(context, bytes, Status::EscrowRequest);
}

fn hides_sensor(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::changer(context, bytes, |response| {
        if let Response::TubeStatus(status) = response {
            status.full = CoinTypes::NONE;
        }
    });
    hides(context, bytes, Status::DefectiveTubeSensor);
}

/// One coin of type 0 too many.
fn payout_status_wrong(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::changer(context, bytes, |response| {
        if let Response::PayoutStatus(paid) = response {
            let mut counts = paid.bytes().to_vec();
            if let Some(first) = counts.first_mut() {
                *first = first.saturating_add(1);
            }
            *paid = PerType::new(&counts);
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
