//! Vends: decided, failed, repeated, cancelled; how a session ends.

use super::{BALANCE, PRICE, Talk, is_decision, never, none_began, sessions_in, texts, twice};
use crate::check::{Check, Quirk, Seen, Weight};
use crate::device::checks::common::{unreached, until_just_reset};
use crate::device::habit::Context;
use crate::device::presumptions::Leeway;
use crate::device::{DeviceCheck, altered};
use payrig_mdb::cashless::{Kind, Level, Report, State, VendFailure, VendSuccess};
use payrig_units::{Micros, Money};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "approves-what-was-asked",
        title: "Takes no more than was asked",
        expected: "VEND APPROVED for the price or less, and as much deducted",
        section: "7.4.5",
        advice: "Customers are overcharged. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "approves-more-than-asked",
            "deducts more than was asked",
            |s| s.cashless.quirks.approves_more_than_asked = true,
        ),
        arrange: None,
        run: |b| {
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
            t.bench.works_from(Leeway::Price);
            let good = approved <= Money(PRICE) && deducted == approved;
            Ok(Seen::judge(good, text))
        },
    },
    Check {
        id: "vend-decided-in-time",
        title: "Decides a vend within its maximum response time",
        expected: "VEND APPROVED or VEND DENIED in the time it announced",
        section: "7.4.2, 7.5",
        advice: "Boards cancel or hang. Check its network. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("never-answers-vend-request", "never decides a vend", |s| {
            s.cashless.quirks.never_answers_vend_request = true
        }),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "vend-above-balance-denied",
        title: "Denies a vend above the balance",
        expected: "VEND DENIED",
        section: "7.4.5",
        advice: "It sells on credit nobody gave. Check its settings.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "approves-everything",
            "approves what the card cannot pay",
            |s| s.habits.rewrite = Some(approves_everything),
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.session()?;
            let decided = t.vend(BALANCE + PRICE)?;
            let text = decided
                .as_ref()
                .map_or("nothing".to_owned(), ToString::to_string);
            let advice = decided.is_none().then_some(UNDECIDED);
            Ok(Seen::judge(decided == Some(Report::VendDenied), text).advising(advice))
        },
    },
    Check {
        id: "repeated-request-charged-once",
        title: "Charges a repeated VEND REQUEST once",
        expected: "one price deducted when the request is sent twice",
        section: "Appendix 3, section 3",
        advice: "Customers pay twice on a noisy bus. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "charges-twice-on-repeat",
            "charges a repeated request again",
            |s| s.cashless.quirks.charges_twice_on_repeat = true,
        ),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "repeat-not-out-of-sequence",
        title: "Tolerates a repeated command",
        expected: "no COMMAND OUT OF SEQUENCE for a repetition",
        section: "Appendix 3, section 3",
        advice: "A lost ACK costs a whole reset and the customer's session.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "out-of-sequence-on-repeat",
            "COMMAND OUT OF SEQUENCE for a repetition",
            |s| s.cashless.quirks.out_of_sequence_on_repeat = true,
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            let reports = twice(&mut t)?;
            let out = reports
                .iter()
                .any(|r| matches!(r, Report::OutOfSequence(_)));
            Ok(Seen::judge(!out, texts(&reports)))
        },
    },
    Check {
        id: "vend-failure-refunded",
        title: "Refunds a failed vend",
        expected: "the price back on the card, or a MALFUNCTION/ERROR that says it is not",
        section: "7.4.8",
        advice: "Customers pay for nothing. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "no-refund-on-vend-failure",
            "keeps the money of a failed vend",
            |s| s.cashless.quirks.no_refund_on_vend_failure = true,
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.session()?;
            t.approved()?;
            t.order(Kind::VendFailure(VendFailure { detail: None }))?;
            let reports = settle(&mut t)?;
            let kept = t.receipts();
            t.bench.works_from(Leeway::Refund);
            let said = reports.iter().any(|r| matches!(r, Report::Malfunction(_)));
            let text = format!(
                "{} kept{}",
                t.show(kept),
                if said { ", and reported" } else { "" }
            );
            Ok(Seen::judge(kept.is_zero() || said, text))
        },
    },
    Check {
        id: "vend-success-kept",
        title: "Keeps the price after VEND SUCCESS",
        expected: "the price with the owner when the session is over",
        section: "7.4.7",
        advice: "The owner is not paid. Check its settings.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "refunds-vend-success",
            "gives the price back although VEND SUCCESS was said",
            |s| s.cashless.quirks.refunds_vend_success = true,
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.session()?;
            let approved = match t.vend(PRICE)? {
                Some(Report::VendApproved { amount, .. }) => amount.unwrap_or(0),
                _ => return Ok(unreached("a vend that the card can pay is not approved")),
            };
            t.bench.works_from(Leeway::Price);
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
        },
    },
    Check {
        id: "vend-cancel-obeyed",
        title: "Gives up a vend on VEND CANCEL",
        expected: "VEND DENIED, and nothing charged",
        section: "7.4.6",
        advice: "A customer who steps back is charged. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new("ignores-vend-cancel", "does nothing on VEND CANCEL", |s| {
            s.cashless.quirks.ignores_vend_cancel = true
        }),
        arrange: Some(|setup| setup.cashless.approve_delay = Micros::secs(3)),
        run: |b| {
            let mut t = Talk::new(b);
            t.session()?;
            let request = t.request(PRICE);
            t.order(request)?;
            t.bench.works_from(Leeway::Decision);
            let early = t.watch(Micros::ms(500), is_decision);
            if early.iter().any(is_decision) {
                // Nothing was dispensed: what it approved goes back (section 7.4.8).
                t.order(Kind::VendFailure(VendFailure { detail: None }))?;
                settle(&mut t)?;
                let text = format!(
                    "it had decided before the vend was cancelled: {}",
                    texts(&early)
                );
                return Ok(Seen::cannot_tell(text));
            }
            let mut reports = t.order(Kind::VendCancel)?;
            reports.extend(t.watch(Micros::secs(6), is_decision));
            reports.extend(t.watch(Micros::secs(1), never));
            let denied = reports.contains(&Report::VendDenied);
            let kept = t.receipts();
            let text = format!("{}; {} kept", texts(&reports), t.show(kept));
            Ok(Seen::judge(denied && kept.is_zero(), text))
        },
    },
    Check {
        id: "session-ends",
        title: "Ends a session on SESSION COMPLETE",
        expected: "END SESSION within the response time",
        section: "7.4.9",
        advice: "The machine is blocked after the first card. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("never-ends-session", "never ends a session", |s| {
            s.cashless.quirks.never_ends_session = true
        }),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "out-of-sequence-told",
        title: "Says that a command is out of sequence",
        expected: "COMMAND OUT OF SEQUENCE for a VEND REQUEST without a session",
        section: "7.4.4, 0BH",
        advice: "A board that lost track does not learn of it. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "hides-out-of-sequence",
            "never says COMMAND OUT OF SEQUENCE",
            |s| s.habits.rewrite = Some(hides_out_of_sequence),
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.enabled()?;
            let request = t.request(PRICE);
            let mut reports = t.order(request)?;
            reports.extend(t.watch(Micros::secs(2), never));
            let state = reports.iter().find_map(|r| match r {
                Report::OutOfSequence(state) => Some(*state),
                _ => None,
            });
            let reported = state.is_some();
            let text = match state {
                Some(Some(State::Enabled)) => "COMMAND OUT OF SEQUENCE, state Enabled".to_owned(),
                _ => texts(&reports),
            };
            Ok(Seen::judge(reported, text))
        },
    },
    Check {
        id: "patient-with-silence",
        title: "Tolerates ten seconds without a POLL in a session",
        expected: "the session goes on",
        section: "Appendix 3, section 2",
        advice: "Sessions break while a motor turns. Use boards that never stop polling.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "never-polled-gives-up",
            "gives up after one second without POLL",
            |s| s.cashless.quirks.never_polled_gives_up = true,
        ),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "reader-off-after-reset",
        title: "Begins no session after RESET",
        expected: "no BEGIN SESSION until it is set up and enabled again",
        section: "7.2.1, 7.4.1",
        advice: "Customers are charged while the machine cannot sell. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "resets-only-in-words",
            "acknowledges RESET and stays enabled",
            |s| s.habits.feigns_reset = true,
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.enabled()?;
            t.order(Kind::Reset)?;
            until_just_reset(t.bench);
            let begun = sessions_in(&mut t)?;
            none_began(begun)
        },
    },
    Check {
        id: "revalue-refused-as-such",
        title: "Refuses revalue by REVALUE DENIED",
        expected: "REVALUE DENIED, or a limit above zero, after REVALUE LIMIT REQUEST",
        section: "7.4.19, Appendix 3, section 4",
        advice: "Boards take a limit of zero for an offer and keep bills. Update its software.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "limit-of-zero",
            "answers REVALUE LIMIT REQUEST with a limit of zero",
            |s| s.habits.rewrite = Some(limit_of_zero),
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.session()?;
            t.bench.works_from(Leeway::Level);
            t.bench.works_from(Leeway::Revalue);
            if t.config.is_some_and(|c| c.level < Level::TWO) {
                return Ok(Seen::skipped("a reader of level 1 does not revalue"));
            }
            let is_limit =
                |r: &Report| matches!(r, Report::RevalueLimit(_) | Report::RevalueDenied);
            let answer = t.ask(Kind::RevalueLimitRequest, is_limit)?;
            Ok(Seen::judge(
                answer != Report::RevalueLimit(0),
                answer.to_string(),
            ))
        },
    },
];

fn is_end(r: &Report) -> bool {
    *r == Report::EndSession
}

/// No answer at all to a vend.
const UNDECIDED: &str = "It does not decide the vend. Check its network. If that does not help, replace \
     it.";

/// Charged once, and too much.
const OTHER_AMOUNT: &str = "It charges once, but more than was asked. Do not install it.";

fn settle(t: &mut Talk<'_>) -> Result<Vec<Report>, Seen> {
    let mut reports = t.watch(Micros::secs(2), never);
    reports.extend(t.order(Kind::SessionComplete)?);
    if !reports.iter().any(is_end) {
        let patience = t.patience();
        reports.extend(t.watch(patience, is_end));
    }
    Ok(reports)
}

/// VEND APPROVED of 30 counts in place of VEND DENIED.
fn approves_everything(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::reader(context, bytes, |reports| {
        for report in reports.iter_mut().filter(|r| **r == Report::VendDenied) {
            *report = Report::VendApproved {
                amount: Some(30),
                options_amount: None,
            };
        }
    });
}

fn hides_out_of_sequence(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::reader(context, bytes, |reports| {
        reports.retain(|r| !matches!(r, Report::OutOfSequence(_)));
    });
}

fn limit_of_zero(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::reader(context, bytes, |reports| {
        for report in reports.iter_mut().filter(|r| **r == Report::RevalueDenied) {
            *report = Report::RevalueLimit(0);
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
