//! Bills in escrow: held, stacked, returned, over a reset.

use super::{
    first_bill, is, kept, routed, stacked, start, start_with_escrow, wait_for, wait_for_bill,
    waiting_bill, watch, watch_bill,
};
use crate::check::{Check, Quirk, Seen, Weight};
use crate::device::checks::common::order;
use crate::device::{Bench, DeviceCheck};
use payrig_bench::Observation;
use payrig_mdb::bill::{BillTypes, Command, EscrowStatus, Report, Routing};
use payrig_units::{Micros, Money, Place};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "escrow-reported",
        title: "Reports a bill in escrow",
        expected: "ESCROW POSITION with its type",
        section: "6.3, POLL",
        advice: "The bill stays in escrow for ever, the customer waits. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "escrow-report-missing",
            "does not report a bill in escrow",
            |s| s.bill_quirks.escrow_report_missing = true,
        ),
        arrange: None,
        run: |b| {
            let (_, value, said) = into_escrow(b)?;
            let text = format!(
                "ESCROW POSITION for {} {}",
                b.show(value),
                if said { "reported" } else { "not reported" }
            );
            Ok(Seen::judge(said, text))
        },
    },
    Check {
        id: "escrow-waits-for-order",
        title: "Holds a bill in escrow until it is ordered",
        expected: "the bill neither stacked nor returned for 5 s",
        section: "6.3, ESCROW",
        advice: "The board cannot refuse a bill it has no change for. Replace it.",
        weight: Weight::Money,
        quirk: Quirk::new("stacks-without-order", "stacks without an order", |s| {
            s.bill_quirks.stacks_without_order = true
        }),
        arrange: None,
        run: |b| {
            let (_, value, _) = into_escrow(b)?;
            watch(b, Micros::secs(5));
            let held = b.sum(|p| matches!(p, Place::Escrow(_)));
            let text = format!("{} of {} in escrow after 5 s", b.show(held), b.show(value));
            Ok(Seen::judge(held == value, text))
        },
    },
    Check {
        id: "escrow-stack-obeyed",
        title: "Stacks the bill in escrow on order",
        expected: "BILL STACKED within 30 s, and the bill in the stacker",
        section: "6.3, ESCROW",
        advice: "Bills go back although the board took them. Check belts and stacker.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "returns-on-stack-order",
            "gives back what it should stack",
            |s| s.bill_quirks.returns_on_stack_order = true,
        ),
        arrange: None,
        run: |b| {
            let (report, value) = ordered(b, EscrowStatus::STACK)?;
            let good = report.is_some_and(|r| is(Routing::Stacked)(&r)) && stacked(b) == value;
            let held = stacked(b);
            let text = format!("{}; {} in the stacker", shown(report), b.show(held));
            Ok(Seen::judge(good, text))
        },
    },
    Check {
        id: "escrow-return-obeyed",
        title: "Returns the bill in escrow on order",
        expected: "BILL RETURNED within 30 s, and the bill with the customer",
        section: "6.3, ESCROW",
        advice: "Customers do not get their bill back. Check belts and inlet.",
        weight: Weight::Money,
        quirk: Quirk {
            name: "ignores-escrow-orders",
            about: "does nothing on ESCROW",
            caught_by: &["escrow-stack-obeyed"],
            apply: |s| s.bill_quirks.ignores_escrow_orders = true,
        },
        arrange: None,
        run: |b| {
            let (report, _) = ordered(b, EscrowStatus::RETURN)?;
            let good = report.is_some_and(|r| is(Routing::Returned)(&r)) && kept(b).is_zero();
            let held = kept(b);
            let text = format!("{}; {} kept", shown(report), b.show(held));
            Ok(Seen::judge(good, text))
        },
    },
    Check {
        id: "stacked-means-stacked",
        title: "Says BILL STACKED only when the bill is in the stacker",
        expected: "the bill in the stacker when the report comes",
        section: "6.3, POLL, note 2",
        advice: "A bill can be pulled back after it was credited. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "reports-before-stacked",
            "says BILL STACKED too early",
            |s| s.bill_quirks.reports_before_stacked = true,
        ),
        arrange: None,
        run: |b| {
            let setup = start(b, BillTypes::NONE)?;
            let (bill_type, value) = first_bill(&setup)?;
            b.act(b.bill(bill_type))?;
            if wait_for_bill(b, is(Routing::Stacked)).is_none() {
                return Ok(Seen::cannot_tell("BILL STACKED never came"));
            }
            let question = "Is the bill in the stacker now, out of sight of the slot?";
            let stacker = Place::Stacker(b.place());
            let there = b.look(question, Observation::WentTo(stacker), true);
            let text = format!(
                "{} {} the stacker when it was said",
                b.show(value),
                if there { "in" } else { "not in" }
            );
            Ok(Seen::judge(there, text))
        },
    },
    Check {
        id: "reset-returns-escrow",
        title: "Returns the bill in escrow at RESET",
        expected: "the bill with the customer",
        section: "6.3, RESET",
        advice: "A reset swallows a bill. Do not install it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "reset-forgets-escrow",
            "a reset forgets the bill in escrow",
            |s| s.bill_quirks.reset_forgets_escrow = true,
        ),
        arrange: None,
        run: |b| {
            let (_, value, _) = into_escrow(b)?;
            order(b, &Command::Reset)?;
            watch_bill(b);
            if !kept(b).is_zero() {
                // Section 6.3 asks for the bill back, and for no report of it.
                b.count_unreported();
            }
            let held = kept(b);
            let text = format!("{} of {} kept", b.show(held), b.show(value));
            Ok(Seen::judge(held.is_zero(), text))
        },
    },
    Check {
        id: "bill-survives-reset",
        title: "Remembers a stacked bill over a RESET",
        expected: "a bill not yet reported is reported after the reset",
        section: "2.2",
        advice: "A reset at the wrong moment costs the customer a bill.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "reset-forgets-reports",
            "a reset forgets a stacked bill",
            |s| s.bill_quirks.reset_forgets_reports = true,
        ),
        arrange: None,
        run: |b| {
            let bill_type = waiting_bill(b)?;
            order(b, &Command::Reset)?;
            let seen = routed(&watch_bill(b), Routing::Stacked);
            let said = seen.contains(&bill_type);
            let text = if said {
                "reported after the reset"
            } else {
                "never reported"
            };
            Ok(Seen::judge(said, text))
        },
    },
];

fn into_escrow(b: &mut Bench) -> Result<(u8, Money, bool), Seen> {
    let setup = start_with_escrow(b)?;
    let (bill_type, value) = first_bill(&setup)?;
    watch(b, Micros::ms(500));
    b.act(b.bill(bill_type))?;
    let said = wait_for_bill(b, is(Routing::EscrowPosition)).is_some();
    Ok((bill_type, value, said))
}

fn ordered(b: &mut Bench, what: EscrowStatus) -> Result<(Option<Report>, Money), Seen> {
    let (_, value, _) = into_escrow(b)?;
    let command = Command::Escrow(what);
    order(b, &command)?;
    let end = |r: &Report| {
        is(Routing::Stacked)(r) || is(Routing::Returned)(r) || is(Routing::ToRecycler)(r)
    };
    Ok((wait_for(b, Micros::secs(30), end), value))
}

fn shown(report: Option<Report>) -> String {
    report.map_or_else(|| "no report within 30 s".to_owned(), |r| r.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
