//! Vends: decided, failed, repeated, cancelled; how a session ends.

use super::super::bench::Bench;
use super::super::common::unreached;
use super::super::common::until_just_reset;
use super::super::setup::Setup;
use super::{BALANCE, PRICE, Talk, is_decision, never, none_began, sessions_in, texts, twice};
use crate::check::{Check, Run, Seen, Weight};
use payrig_mdb::cashless::{Kind, Level, Report, State, VendFailure, VendSuccess};
use payrig_units::{Micros, Money};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "approves-what-was-asked",
        title: "Takes no more than was asked",
        expected: "VEND APPROVED for the price or less, and as much deducted",
        section: "7.4.5",
        advice: "Customers are overcharged. Do not install it.",
        weight: Weight::Rule,
        quirk: "approves-more-than-asked",
        arrange: None,
        run: approves_what_was_asked,
    },
    Check {
        id: "vend-decided-in-time",
        title: "Decides a vend within its maximum response time",
        expected: "VEND APPROVED or VEND DENIED in the time it announced",
        section: "7.4.2, 7.5",
        advice: "Boards cancel or hang. Check its network. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: "never-answers-vend-request",
        arrange: None,
        run: vend_decided,
    },
    Check {
        id: "vend-above-balance-denied",
        title: "Denies a vend above the balance",
        expected: "VEND DENIED",
        section: "7.4.5",
        advice: "It sells on credit nobody gave. Check its settings.",
        weight: Weight::Rule,
        quirk: "approves-everything",
        arrange: None,
        run: vend_above_balance,
    },
    Check {
        id: "repeated-request-charged-once",
        title: "Charges a repeated VEND REQUEST once",
        expected: "one price deducted when the request is sent twice",
        section: "Appendix 3, section 3",
        advice: "Customers pay twice on a noisy bus. Do not install it.",
        weight: Weight::Rule,
        quirk: "charges-twice-on-repeat",
        arrange: None,
        run: repeated_request,
    },
    Check {
        id: "repeat-not-out-of-sequence",
        title: "Bears a repeated command",
        expected: "no COMMAND OUT OF SEQUENCE for a repetition",
        section: "Appendix 3, section 3",
        advice: "A lost ACK costs a whole reset and the customer's session.",
        weight: Weight::Advice,
        quirk: "out-of-sequence-on-repeat",
        arrange: None,
        run: repeat_not_out_of_sequence,
    },
    Check {
        id: "vend-failure-refunded",
        title: "Refunds a failed vend",
        expected: "the price back on the card, or a MALFUNCTION/ERROR that says it is not",
        section: "7.4.8",
        advice: "Customers pay for nothing. Do not install it.",
        weight: Weight::Rule,
        quirk: "no-refund-on-vend-failure",
        arrange: None,
        run: vend_failure,
    },
    Check {
        id: "vend-success-kept",
        title: "Keeps the price after VEND SUCCESS",
        expected: "the price with the owner when the session is over",
        section: "7.4.7",
        advice: "The owner is not paid. Check its settings.",
        weight: Weight::Rule,
        quirk: "shrugs-vend-request",
        arrange: None,
        run: vend_success,
    },
    Check {
        id: "vend-cancel-obeyed",
        title: "Gives up a vend on VEND CANCEL",
        expected: "VEND DENIED, and nothing charged",
        section: "7.4.6",
        advice: "A customer who steps back is charged. Do not install it.",
        weight: Weight::Rule,
        quirk: "ignores-vend-cancel",
        arrange: Some(slow_decisions),
        run: vend_cancel,
    },
    Check {
        id: "session-ends",
        title: "Ends a session on SESSION COMPLETE",
        expected: "END SESSION within the response time",
        section: "7.4.9",
        advice: "The machine is blocked after the first card. Replace it.",
        weight: Weight::Rule,
        quirk: "never-ends-session",
        arrange: None,
        run: session_ends,
    },
    Check {
        id: "out-of-sequence-told",
        title: "Says that a command is out of sequence",
        expected: "COMMAND OUT OF SEQUENCE for a VEND REQUEST without a session",
        section: "7.4.4, 0BH",
        advice: "A board that lost track is not told. Update its software.",
        weight: Weight::Rule,
        quirk: "hides-out-of-sequence",
        arrange: None,
        run: out_of_sequence,
    },
    Check {
        id: "patient-with-silence",
        title: "Bears ten seconds without a POLL in a session",
        expected: "the session goes on",
        section: "Appendix 3, section 2",
        advice: "Sessions break while a motor turns. Use boards that never stop polling.",
        weight: Weight::Advice,
        quirk: "never-polled-gives-up",
        arrange: None,
        run: patient,
    },
    Check {
        id: "reader-off-after-reset",
        title: "Begins no session after RESET",
        expected: "no BEGIN SESSION until it is set up and enabled again",
        section: "7.2.1, 7.4.1",
        advice: "Customers are charged while the machine cannot sell. Do not install it.",
        weight: Weight::Rule,
        quirk: "resets-only-in-words",
        arrange: None,
        run: off_after_reset,
    },
    Check {
        id: "revalue-refused-as-such",
        title: "Refuses revalue by REVALUE DENIED",
        expected: "REVALUE DENIED, or a limit above zero, after REVALUE LIMIT REQUEST",
        section: "7.4.19, Appendix 3, section 4",
        advice: "Boards take a limit of zero for an offer and keep bills. Update its software.",
        weight: Weight::Advice,
        quirk: "limit-of-zero",
        arrange: None,
        run: revalue_refused,
    },
];

fn is_end(r: &Report) -> bool {
    *r == Report::EndSession
}

fn slow_decisions(setup: &mut Setup) {
    setup.cashless.approve_delay = Micros::secs(3);
}

fn off_after_reset(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    t.order(Kind::Reset)?;
    until_just_reset(t.bench);
    let begun = sessions_in(&mut t)?;
    none_began(begun)
}

fn approves_what_was_asked(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let approved = t.approved()?;
    let approved = t.money(approved);
    let deducted = t.receipts();
    let text = format!(
        "asked {}, approved {}, deducted {}",
        t.show(Money(PRICE)),
        t.show(approved),
        t.show(deducted)
    );
    let good = approved <= Money(PRICE) && deducted == approved;
    Ok(Seen::judge(good, text))
}

fn vend_decided(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let from = t.bench.now();
    let decided = t.vend(PRICE)?;
    let took = t.bench.now().since(from);
    let text = match &decided {
        Some(report) => format!("{report} after {took}"),
        None => format!("nothing for {took}"),
    };
    Ok(Seen::judge(decided.is_some(), text))
}

/// No answer at all to a vend.
const UNDECIDED: &str = "It does not decide the vend. Check its network. If that does not help, replace \
     it.";

fn vend_above_balance(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let decided = t.vend(BALANCE + PRICE)?;
    let text = decided
        .as_ref()
        .map_or("nothing".to_owned(), ToString::to_string);
    let advice = decided.is_none().then_some(UNDECIDED);
    Ok(Seen::judge(decided == Some(Report::VendDenied), text).advising(advice))
}

/// Charged once, and too much.
const OTHER_AMOUNT: &str = "It charges once, but more than was asked. Do not install it.";

fn repeated_request(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    twice(&mut t)?;
    let deducted = t.receipts();
    let text = format!(
        "asked twice for {}, deducted {}",
        t.show(Money(PRICE)),
        t.show(deducted)
    );
    let once = deducted < Money(PRICE * 2);
    let seen = Seen::judge(deducted <= Money(PRICE), text);
    Ok(seen.advising(once.then_some(OTHER_AMOUNT)))
}

fn repeat_not_out_of_sequence(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    let reports = twice(&mut t)?;
    let out = reports
        .iter()
        .any(|r| matches!(r, Report::OutOfSequence(_)));
    Ok(Seen::judge(!out, texts(&reports)))
}

fn settle(t: &mut Talk<'_>) -> Result<Vec<Report>, Seen> {
    let mut reports = t.watch(Micros::secs(2), never);
    reports.extend(t.order(Kind::SessionComplete)?);
    if !reports.iter().any(is_end) {
        let patience = t.patience();
        reports.extend(t.watch(patience, is_end));
    }
    Ok(reports)
}

fn vend_failure(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    t.approved()?;
    t.order(Kind::VendFailure(VendFailure { detail: None }))?;
    let reports = settle(&mut t)?;
    let kept = t.receipts();
    let said = reports.iter().any(|r| matches!(r, Report::Malfunction(_)));
    let text = format!(
        "{} kept{}",
        t.show(kept),
        if said { ", and told so" } else { "" }
    );
    Ok(Seen::judge(kept.is_zero() || said, text))
}

fn vend_success(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let approved = match t.vend(PRICE)? {
        Some(Report::VendApproved { amount, .. }) => amount.unwrap_or(0),
        _ => return Ok(unreached("a vend that the card can pay is not approved")),
    };
    let approved = t.money(approved);
    let success = VendSuccess {
        item: 1,
        dispensed: None,
        basket: None,
    };
    t.order(Kind::VendSuccess(success))?;
    settle(&mut t)?;
    let kept = t.receipts();
    let text = format!("approved {}, kept {}", t.show(approved), t.show(kept));
    Ok(Seen::judge(kept == approved, text))
}

fn vend_cancel(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let request = t.request(PRICE);
    t.order(request)?;
    t.watch(Micros::ms(500), is_decision);
    let mut reports = t.order(Kind::VendCancel)?;
    reports.extend(t.watch(Micros::secs(6), is_decision));
    reports.extend(t.watch(Micros::secs(1), never));
    let denied = reports.contains(&Report::VendDenied);
    let kept = t.receipts();
    let text = format!("{}; {} kept", texts(&reports), t.show(kept));
    Ok(Seen::judge(denied && kept.is_zero(), text))
}

fn session_ends(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let from = t.bench.now();
    let mut reports = t.order(Kind::SessionComplete)?;
    if !reports.iter().any(is_end) {
        let patience = t.patience();
        reports.extend(t.watch(patience, is_end));
    }
    let took = t.bench.now().since(from);
    let ended = reports.iter().any(is_end);
    let text = match ended {
        true => format!("END SESSION after {took}"),
        false => format!("no END SESSION for {took}"),
    };
    Ok(Seen::judge(ended, text))
}

fn out_of_sequence(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    let request = t.request(PRICE);
    let mut reports = t.order(request)?;
    reports.extend(t.watch(Micros::secs(2), never));
    let state = reports.iter().find_map(|r| match r {
        Report::OutOfSequence(state) => Some(*state),
        _ => None,
    });
    let told = state.is_some();
    let text = match state {
        Some(Some(State::Enabled)) => "COMMAND OUT OF SEQUENCE, state Enabled".to_owned(),
        _ => texts(&reports),
    };
    Ok(Seen::judge(told, text))
}

fn patient(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    t.bench.wait(Micros::secs(10));
    let reports = t.watch(Micros::secs(1), never);
    let lost = reports.iter().any(|r| {
        matches!(
            r,
            Report::JustReset | Report::EndSession | Report::SessionCancelRequest
        )
    });
    let text = format!("after ten seconds without a POLL: {}", texts(&reports));
    Ok(Seen::judge(!lost, text))
}

fn revalue_refused(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    if t.config.is_some_and(|c| c.level < Level::TWO) {
        return Ok(Seen::skipped("a reader of level 1 does not revalue"));
    }
    let is_limit = |r: &Report| matches!(r, Report::RevalueLimit(_) | Report::RevalueDenied);
    let answer = t.ask(Kind::RevalueLimitRequest, is_limit)?;
    Ok(Seen::judge(
        answer != Report::RevalueLimit(0),
        answer.to_string(),
    ))
}
