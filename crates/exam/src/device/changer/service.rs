//! Reports together and over resets, the lever, sensors, diagnostics, payouts by value.

use super::super::bench::{Act, Bench};
use super::super::common::{order, patient_order};
use super::super::setup::Setup as BenchSetup;
use super::{
    COIN_TIME, ask, coins, fullest, has, inside, payout_ends, poll, start, start_with, tubes, used,
    waiting_coin, watch,
};
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_mdb::changer::{CoinType, Command, DiagnosticCode, Features, Response, Status};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, BenchSetup>] = &[
    Check {
        id: "several-coins-at-once",
        title: "Reports waiting coins together",
        expected: "three coins fed while nobody polls are all in the next answer",
        section: "5.3, POLL, Appendix 3, section 4",
        advice: "It works, but credit lags behind when coins come quickly.",
        weight: Weight::Advice,
        quirk: "reports-one-coin-per-poll-only",
        arrange: None,
        run: several_coins,
    },
    Check {
        id: "coin-survives-reset",
        title: "Remembers a coin over a RESET",
        expected: "a coin not yet reported is reported after the reset",
        section: COMMON_PRACTICE,
        advice: "A reset at the wrong moment costs the customer a coin.",
        weight: Weight::Advice,
        quirk: "reset-loses-report",
        arrange: None,
        run: coin_survives_reset,
    },
    Check {
        id: "tube-status-after-reset",
        title: "Tells its tubes rightly soon after a reset",
        expected: "the right counts, or no answer, within 500 ms of a reset",
        section: "5.3, RESET, note 1",
        advice: "Boards that ask early show exact change. Use boards that wait 500 ms.",
        weight: Weight::Advice,
        quirk: "tube-status-too-early",
        arrange: None,
        run: early_tube_status,
    },
    Check {
        id: "escrow-request-once",
        title: "Says ESCROW REQUEST once per press of the lever",
        expected: "one report while the lever is held for 3 s",
        section: "Appendix 3, section 2",
        advice: "Some boards pay back again and again. Free the lever and its switch.",
        weight: Weight::Advice,
        quirk: "escrow-repeats-while-held",
        arrange: None,
        run: escrow_once,
    },
    Check {
        id: "escrow-request-said",
        title: "Reports the return lever",
        expected: "ESCROW REQUEST after a press",
        section: "5.3, POLL, 01H",
        advice: "Customers cannot get their money back. Check the lever's switch.",
        weight: Weight::Rule,
        quirk: "hides-lever",
        arrange: None,
        run: escrow_said,
    },
    Check {
        id: "tube-sensor-defect-told",
        title: "Tells of a defective tube sensor",
        expected: "DEFECTIVE TUBE SENSOR, and the tube told as full and empty at once",
        section: "5.3, POLL 04H, TUBE STATUS",
        advice: "The board goes on paying from a tube nobody counts. Replace the sensor.",
        weight: Weight::Rule,
        quirk: "hides-sensor-defect",
        arrange: None,
        run: sensor_defect,
    },
    Check {
        id: "diagnostics-clear",
        title: "Has nothing wrong by its own diagnostics",
        expected: "no error code of its diagnostic table",
        section: "5.3, 0FH 05H",
        advice: "See what it says, mend that and examine it again.",
        weight: Weight::Rule,
        quirk: "has-a-coin-jam",
        arrange: None,
        run: diagnostics,
    },
    Check {
        id: "payout-by-value",
        title: "Pays a value in coins of its own choice",
        expected: "PAYOUT 0.40 pays 0.40, and PAYOUT STATUS says the same",
        section: "5.3, 0FH 02H, 0FH 03H",
        advice: "Boards that use this feature book wrong amounts. Switch the feature off there.",
        weight: Weight::Rule,
        quirk: "payout-status-wrong",
        arrange: None,
        run: payout_by_value,
    },
];

fn several_coins(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let used = used(&setup);
    watch(b, Micros::ms(500));
    let fed: Vec<CoinType> = used.iter().map(|(t, _)| *t).cycle().take(3).collect();
    for coin_type in &fed {
        b.act_unasked(Act::Coin(coin_type.get()))?;
    }
    b.wait(Micros::secs(2));
    let first = coins(&poll(b)).len();
    let rest = coins(&watch(b, COIN_TIME)).len();
    let text = format!("{first} in the first answer, {rest} later");
    Ok(Seen::judge(first == fed.len(), text))
}

fn coin_survives_reset(b: &mut Bench) -> Run {
    let coin_type = waiting_coin(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    let seen = coins(&watch(b, COIN_TIME));
    let said = seen.iter().any(|(t, _)| *t == coin_type);
    let text = if said {
        "reported after the reset"
    } else {
        "never reported"
    };
    Ok(Seen::judge(said, text))
}

fn early_tube_status(b: &mut Bench) -> Run {
    start(b)?;
    let right = tubes(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    b.wait(Micros::ms(150));
    let answer = b.ask(Command::TubeStatus.emit().bytes());
    let Some(early) = answer.data() else {
        return Ok(Seen::pass("no answer that early"));
    };
    let parsed = Response::parse(&Command::TubeStatus, early);
    let same = parsed == Ok(Response::TubeStatus(right));
    let text = if same {
        "the right counts"
    } else {
        "other counts than before"
    };
    Ok(Seen::judge(same, text))
}

fn escrow_presses(b: &mut Bench) -> Result<usize, Seen> {
    start(b)?;
    watch(b, Micros::ms(500));
    b.act(Act::PressLever)?;
    let said = has(&watch(b, Micros::secs(3)), Status::EscrowRequest);
    b.act(Act::ReleaseLever)?;
    Ok(said)
}

fn escrow_once(b: &mut Bench) -> Run {
    let said = escrow_presses(b)?;
    if said == 0 {
        return Ok(Seen::cannot_tell("ESCROW REQUEST never came"));
    }
    Ok(Seen::judge(
        said == 1,
        format!("said {said}", said = words::times(said)),
    ))
}

fn escrow_said(b: &mut Bench) -> Run {
    let said = escrow_presses(b)?;
    Ok(Seen::judge(
        said > 0,
        format!("said {said}", said = words::times(said)),
    ))
}

fn sensor_defect(b: &mut Bench) -> Run {
    let (coin_type, _) = fullest(b)?;
    watch(b, Micros::ms(500));
    b.act(Act::BreakTubeSensor(coin_type.get()))?;
    let said = has(&watch(b, Micros::secs(2)), Status::DefectiveTubeSensor) > 0;
    let told = tubes(b)?.is_defective(coin_type);
    let text = format!(
        "DEFECTIVE TUBE SENSOR {}, TUBE STATUS {}",
        if said { "said" } else { "not said" },
        if told { "tells it" } else { "does not tell it" }
    );
    Ok(Seen::judge(said && told, text))
}

/// An optional feature is judged where the changer says it has it (section 5.3, 0FH 00H), only there.
fn offers(b: &mut Bench, feature: Features) -> Result<(), Seen> {
    let Response::Identification(id) = ask(b, &Command::Identification)? else {
        return Err(Seen::fail("no identification"));
    };
    match id.features.contains(feature) {
        true => Ok(()),
        false => Err(Seen::skipped("the feature is not offered")),
    }
}

fn diagnostics(b: &mut Bench) -> Run {
    let setup = start_with(b, Features::EXTENDED_DIAGNOSTIC)?;
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
}

fn payout_by_value(b: &mut Bench) -> Run {
    let setup = start_with(b, Features::ALTERNATIVE_PAYOUT)?;
    if setup.level < 3 {
        return Ok(Seen::skipped("a changer of level 2 pays no values"));
    }
    offers(b, Features::ALTERNATIVE_PAYOUT)?;
    let amount = Money(40);
    let counts = amount.as_minor() / b.scale();
    let value = u8::try_from(counts).unwrap_or(u8::MAX);
    let before = inside(b);
    let payout = Command::Payout { value };
    patient_order(b, payout.emit().bytes(), payout.name())?;
    if !payout_ends(b) {
        return Ok(Seen::fail("the payout does not end"));
    }
    let out = before.saturating_sub(inside(b));
    let Response::PayoutStatus(paid) = ask(b, &Command::PayoutStatus)? else {
        return Ok(Seen::fail("no payout status"));
    };
    let told: Money = used(&setup)
        .into_iter()
        .filter_map(|(t, value)| value.checked_mul(i64::from(paid.get(t))))
        .sum();
    let text = format!(
        "asked for {}, {} came out, PAYOUT STATUS says {}",
        b.show(amount),
        b.show(out),
        b.show(told)
    );
    Ok(Seen::judge(out == amount && told == out, text))
}
