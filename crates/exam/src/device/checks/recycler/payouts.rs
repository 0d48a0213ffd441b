//! Payouts: bills, values, progress, cancelled, repeated.

use super::{bills, fullest, order_payout, pay, payout_ends, raised, start, status, stored, worth};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Run, Seen, Weight};
use crate::device::checks::bill::{setup, watch};
use crate::device::checks::common::{ask, order, until_just_reset};
use crate::device::habit::Context;
use crate::device::presumptions::Leeway;
use crate::device::typed::{self, Request, ask_typed};
use crate::device::{Answer, Bench, DeviceCheck, POLL_EVERY, altered};
use payrig_mdb::bill::{Command, RecyclerUse, Report, Response};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "pays-bills",
        title: "Pays bills of each store",
        expected: "DISPENSE BILL of two bills: two bills out of the inlet",
        section: "6.3, 37H 06H",
        advice: "Customers get too little. Clean the store and its rollers. If that does not \
                 help, replace it.",
        weight: Weight::Money,
        quirk: Quirk::new("dispenses-one-bill-less", "pays one bill less", |s| {
            s.bill_quirks.dispenses_one_bill_less = true
        }),
        arrange: None,
        run: |b| {
            let (setup, _) = start(b, RecyclerUse::All)?;
            let counts = status(b)?;
            let mut wrong = Vec::new();
            let mut tried = 0;
            for (bill_type, _) in counts.iter().filter(|(_, n)| *n >= 2) {
                tried += 1;
                let before = stored(b);
                pay(b, &bills(bill_type, 2))?;
                let out = before.saturating_sub(stored(b));
                let wanted = Money(worth(&setup, bill_type).as_minor() * 2);
                if out != wanted {
                    wrong.push(format!(
                        "asked for {}, {} came out",
                        b.show(wanted),
                        b.show(out)
                    ));
                }
            }
            if tried == 0 {
                return Ok(Seen::cannot_tell("no store holds two bills: fill it"));
            }
            let text = match wrong.is_empty() {
                true => format!("{tried} stores paid two bills each"),
                false => wrong.join("; "),
            };
            Ok(Seen::judge(wrong.is_empty(), text))
        },
    },
    Check {
        id: "pays-a-value",
        title: "Pays a value in bills of its own choice",
        expected: "DISPENSE VALUE of a bill of each store: as much comes out",
        section: "6.3, 37H 07H",
        advice: "Boards that leave the choice to it book wrong amounts. Update its software.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "shrugs-dispense-value",
            "acknowledges DISPENSE VALUE and pays nothing",
            |s| s.habits.acknowledges_only = Some(dispenses_value),
        ),
        arrange: None,
        run: |b| {
            let (setup, _) = start(b, RecyclerUse::All)?;
            // A bill of each store together; the recycler may choose others.
            let held = status(b)?;
            let held = held.iter().filter(|(_, n)| *n > 0);
            let wanted: Money = held.map(|(t, _)| worth(&setup, t)).sum();
            if wanted.is_zero() {
                return Ok(Seen::cannot_tell("all stores are empty: fill them"));
            }
            let factor = i64::from(setup.scaling.factor).max(1);
            let counts = u16::try_from(wanted.as_minor() / factor).unwrap_or(u16::MAX);
            let before = stored(b);
            pay(b, &Command::DispenseValue(counts))?;
            let out = before.saturating_sub(stored(b));
            let text = format!("asked for {}, {} came out", b.show(wanted), b.show(out));
            Ok(Seen::judge(out == wanted, text))
        },
    },
    Check {
        id: "payout-status-right",
        title: "Says which bills it paid",
        expected: "PAYOUT STATUS with the bills that came out",
        section: "6.3, 37H 08H",
        advice: "Boards believe they paid something else. Update its software.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "payout-status-one-more",
            "PAYOUT STATUS says one bill too many",
            |s| s.habits.rewrite = Some(one_more_paid),
        ),
        arrange: None,
        run: |b| {
            let (bill_type, value) = fullest(b, 2)?;
            let before = stored(b);
            pay(b, &bills(bill_type, 2))?;
            let out = before.saturating_sub(stored(b)).as_minor() / value.as_minor().max(1);
            let Response::PayoutStatus(counts) = ask(b, &Command::PayoutStatus)? else {
                return Ok(Seen::fail("no PAYOUT STATUS"));
            };
            let reported: i64 = counts.iter().map(|(_, n)| i64::from(n)).sum();
            let good = reported == out && i64::from(counts.count(bill_type)) == out;
            let text = format!(
                "{out} came out, PAYOUT STATUS says {reported}",
                out = words::count(out, "bill")
            );
            Ok(Seen::judge(good, text))
        },
    },
    Check {
        id: "payout-progress-told",
        title: "Says what it has paid while it pays",
        expected: "the values of all PAYOUT VALUE POLLs add up to what came out",
        section: "6.3, 37H 09H",
        advice: "The display counts down wrongly. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "last-bill-missing-in-value-poll",
            "PAYOUT VALUE POLL leaves the last bill out",
            |s| s.bill_quirks.last_bill_missing_in_value_poll = true,
        ),
        arrange: None,
        run: |b| {
            let (bill_type, _) = fullest(b, 3)?;
            let factor = i64::from(setup(b)?.scaling.factor);
            let before = stored(b);
            let reported = pay(b, &bills(bill_type, 3))?;
            let reported = Money(i64::try_from(reported).unwrap_or(0) * factor);
            let out = before.saturating_sub(stored(b));
            let text = format!(
                "{} came out, {} reported on the way",
                b.show(out),
                b.show(reported)
            );
            Ok(Seen::judge(reported == out && !out.is_zero(), text))
        },
    },
    Check {
        id: "payout-cancelled",
        title: "Stops a payout on order",
        expected: "at most one bill more after PAYOUT CANCEL",
        section: "6.3, 37H 0AH",
        advice: "A payout cannot be stopped. Update its software.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "ignores-payout-cancel",
            "acknowledges PAYOUT CANCEL and goes on",
            |s| s.bill_quirks.ignores_payout_cancel = true,
        ),
        arrange: None,
        run: |b| {
            let (bill_type, value) = fullest(b, 5)?;
            let before = stored(b);
            let command = bills(bill_type, 5);
            order_payout(b, &command)?;
            watch(b, Micros::ms(2_500));
            let then = stored(b);
            let cancel = Command::PayoutCancel;
            order(b, &cancel)?;
            payout_ends(b)?;
            let count = |amount: Money| amount.as_minor() / value.as_minor().max(1);
            let until = count(before.saturating_sub(then));
            let after = count(then.saturating_sub(stored(b)));
            let text = format!("{until} of 5 bills paid when it was cancelled, {after} after that");
            Ok(Seen::judge(after <= 1 && until < 4, text))
        },
    },
    Check {
        id: "payout-busy-told",
        title: "Says that it is paying",
        expected: "DISPENSER PAYOUT BUSY at POLLs during a payout",
        section: "6.3, POLL, 22H",
        advice: "Boards give a payout up for lost. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new("hides-payout-busy", "does not say that it is paying", |s| {
            s.habits.rewrite =
                Some(|c, bytes| altered::hides(c, bytes, Report::DispenserPayoutBusy))
        }),
        arrange: None,
        run: |b| said_while_paying(b, Report::DispenserPayoutBusy),
    },
    Check {
        id: "bill-waiting-told",
        title: "Says that a bill waits to be taken",
        expected: "BILL WAITING while a bill is in the inlet",
        section: "6.3, POLL, 2AH",
        advice: "Nobody asks the customer to take the bill. Check the inlet sensor.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "hides-waiting-bill",
            "does not say that a bill waits to be taken",
            |s| s.habits.rewrite = Some(|c, bytes| altered::hides(c, bytes, Report::BillWaiting)),
        ),
        arrange: None,
        run: |b| said_while_paying(b, Report::BillWaiting),
    },
    Check {
        id: "payout-not-doubled",
        title: "Does not pay a repeated order twice",
        expected: "two bills, though DISPENSE BILL of two was sent twice in a row",
        section: "Appendix 3, section 3",
        advice: "A lost ACK pays twice. Never use it with boards that repeat orders.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "double-dispense-on-repeat",
            "pays a repeated order too",
            |s| s.bill_quirks.double_dispense_on_repeat = true,
        ),
        arrange: None,
        run: |b| {
            let (bill_type, value) = fullest(b, 4)?;
            let before = stored(b);
            let command = bills(bill_type, 2);
            b.ask(command.block().bytes());
            b.ask(command.block().bytes());
            payout_ends(b)?;
            let out = before.saturating_sub(stored(b)).as_minor() / value.as_minor().max(1);
            let text = format!("two bills asked for twice in a row, {out} came out");
            Ok(Seen::judge(out <= 2, text))
        },
    },
    Check {
        id: "stores-kept-over-reset",
        title: "Keeps its bills after a RESET",
        expected: "the same BILL DISPENSE STATUS before and after RESET",
        section: COMMON_PRACTICE,
        advice: "Every reset makes the accounts wrong. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "counts-change-with-reset",
            about: "counts its stores anew, and wrongly, after each RESET",
            caught_by: &["dispense-status-honest"],
            apply: |s| s.habits.rewrite = Some(status_drifts),
        },
        arrange: None,
        run: |b| {
            start(b, RecyclerUse::All)?;
            let command = Command::BillDispenseStatus;
            let before = ask(b, &command)?;
            order(b, &Command::Reset)?;
            until_just_reset(b);
            start(b, RecyclerUse::All)?;
            let after = ask(b, &command)?;
            let text = format!("before RESET {before}, after {after}");
            Ok(Seen::judge(before == after, text))
        },
    },
];

fn said_while_paying(b: &mut Bench, wanted: Report) -> Run {
    let (bill_type, _) = fullest(b, 2)?;
    let command = bills(bill_type, 2);
    order_payout(b, &command)?;
    b.works_from(Leeway::WhileBusy);
    let by = b.now() + Micros::secs(10);
    let (mut polls, mut silent, mut said) = (0, 0, false);
    while !said && b.now() < by {
        match ask_typed(b, &Command::Poll) {
            Ok(Response::Poll(reports)) => said = reports.contains(&wanted),
            Err(Answer::Silence) => silent += u32::from(polls == silent),
            _ => {}
        }
        polls += 1;
        b.wait(POLL_EVERY);
    }
    payout_ends(b)?;
    // It may leave POLL unanswered while it pays, for the non-response time (6.4).
    let excused = wanted == Report::DispenserPayoutBusy && silent > 1;
    let text = match (said, excused) {
        (true, _) => wanted.name(),
        (false, true) => "POLL is not answered while it pays",
        (false, false) => "nothing said",
    };
    Ok(Seen::judge(said || excused, text))
}

fn dispenses_value(command: &[u8]) -> bool {
    let command = typed::Command::parse(command);
    matches!(
        command,
        Some(typed::Command::Bill(Command::DispenseValue(_)))
    )
}

fn one_more_paid(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::bill(context, bytes, |response| {
        if let Response::PayoutStatus(counts) = response {
            *counts = raised(counts, 1);
        }
    });
}

fn status_drifts(context: &Context<'_>, bytes: &mut Vec<u8>) {
    let by = u16::try_from(context.count % 100).unwrap_or(0);
    altered::bill(context, bytes, |response| {
        if let Response::BillDispenseStatus { counts, .. } = response {
            *counts = raised(counts, by);
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
