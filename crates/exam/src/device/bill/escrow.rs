//! Bills in escrow: held, stacked, returned, over a reset.

use super::super::bench::{Act, Bench};
use super::super::common::order;
use super::super::setup::Setup as BenchSetup;
use super::{
    BILL_TIME, first_bill, is, kept, routed, stacked, start, start_with_escrow, wait_for,
    waiting_bill, watch,
};
use crate::check::{Check, Run, Seen, Weight};
use crate::operator::Sight;
use payrig_mdb::bill::{BillTypes, Command, EscrowStatus, Report, Routing};
use payrig_units::{Micros, Money, Place};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, BenchSetup>] = &[
    Check {
        id: "escrow-reported",
        title: "Reports a bill in escrow",
        expected: "ESCROW POSITION with its type",
        section: "6.3, POLL",
        advice: "The bill stays in escrow for ever, the customer waits. Replace it.",
        weight: Weight::Rule,
        quirk: "escrow-report-missing",
        arrange: None,
        run: escrow_reported,
    },
    Check {
        id: "escrow-waits-for-order",
        title: "Holds a bill in escrow until it is ordered",
        expected: "the bill neither stacked nor returned for 5 s",
        section: "6.3, ESCROW",
        advice: "The board cannot refuse a bill it has no change for. Replace it.",
        weight: Weight::Rule,
        quirk: "stacks-without-order",
        arrange: None,
        run: escrow_waits,
    },
    Check {
        id: "escrow-stack-obeyed",
        title: "Stacks the bill in escrow on order",
        expected: "BILL STACKED within 30 s, and the bill in the stacker",
        section: "6.3, ESCROW",
        advice: "Bills go back although the board took them. Check belts and stacker.",
        weight: Weight::Rule,
        quirk: "returns-on-stack-order",
        arrange: None,
        run: escrow_stack,
    },
    Check {
        id: "escrow-return-obeyed",
        title: "Returns the bill in escrow on order",
        expected: "BILL RETURNED within 30 s, and the bill with the customer",
        section: "6.3, ESCROW",
        advice: "Customers do not get their bill back. Check belts and inlet.",
        weight: Weight::Rule,
        quirk: "ignores-escrow-orders",
        arrange: None,
        run: escrow_return,
    },
    Check {
        id: "stacked-means-stacked",
        title: "Says BILL STACKED only when the bill is in the stacker",
        expected: "the bill in the stacker when the report comes",
        section: "6.3, POLL, note 2",
        advice: "A bill can be pulled back after it was credited. Do not install it.",
        weight: Weight::Rule,
        quirk: "reports-before-stacked",
        arrange: None,
        run: stacked_means_stacked,
    },
    Check {
        id: "reset-returns-escrow",
        title: "Returns the bill in escrow at RESET",
        expected: "the bill with the customer",
        section: "6.3, RESET",
        advice: "A reset swallows a bill. Do not install it.",
        weight: Weight::Rule,
        quirk: "reset-forgets-escrow",
        arrange: None,
        run: reset_returns_escrow,
    },
    Check {
        id: "bill-survives-reset",
        title: "Remembers a stacked bill over a RESET",
        expected: "a bill not yet reported is reported after the reset",
        section: "2.2",
        advice: "A reset at the wrong moment costs the customer a bill.",
        weight: Weight::Rule,
        quirk: "reset-forgets-reports",
        arrange: None,
        run: bill_survives_reset,
    },
];

fn into_escrow(b: &mut Bench) -> Result<(u8, Money, bool), Seen> {
    let setup = start_with_escrow(b)?;
    let (bill_type, value) = first_bill(&setup)?;
    watch(b, Micros::ms(500));
    b.act(Act::Bill(bill_type))?;
    let said = wait_for(b, BILL_TIME, is(Routing::EscrowPosition)).is_some();
    Ok((bill_type, value, said))
}

fn escrow_reported(b: &mut Bench) -> Run {
    let (_, value, said) = into_escrow(b)?;
    let text = format!(
        "ESCROW POSITION for {} {}",
        b.show(value),
        if said { "reported" } else { "not reported" }
    );
    Ok(Seen::judge(said, text))
}

fn escrow_waits(b: &mut Bench) -> Run {
    let (_, value, _) = into_escrow(b)?;
    watch(b, Micros::secs(5));
    let held = b.sum(|p| matches!(p, Place::Escrow(_)));
    let text = format!("{} of {} in escrow after 5 s", b.show(held), b.show(value));
    Ok(Seen::judge(held == value, text))
}

fn ordered(b: &mut Bench, what: EscrowStatus) -> Result<(Option<Report>, Money), Seen> {
    let (_, value, _) = into_escrow(b)?;
    let command = Command::Escrow(what);
    order(b, command.emit().bytes(), command.name())?;
    let end = |r: &Report| {
        is(Routing::Stacked)(r) || is(Routing::Returned)(r) || is(Routing::ToRecycler)(r)
    };
    Ok((wait_for(b, Micros::secs(30), end), value))
}

fn escrow_stack(b: &mut Bench) -> Run {
    let (report, value) = ordered(b, EscrowStatus::STACK)?;
    let good = report.is_some_and(|r| is(Routing::Stacked)(&r)) && stacked(b) == value;
    let held = stacked(b);
    let text = format!("{}; {} in the stacker", told(report), b.show(held));
    Ok(Seen::judge(good, text))
}

fn escrow_return(b: &mut Bench) -> Run {
    let (report, _) = ordered(b, EscrowStatus::RETURN)?;
    let good = report.is_some_and(|r| is(Routing::Returned)(&r)) && kept(b).is_zero();
    let held = kept(b);
    let text = format!("{}; {} kept", told(report), b.show(held));
    Ok(Seen::judge(good, text))
}

fn stacked_means_stacked(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let (bill_type, value) = first_bill(&setup)?;
    b.act(Act::Bill(bill_type))?;
    if wait_for(b, BILL_TIME, is(Routing::Stacked)).is_none() {
        return Ok(Seen::cannot_tell("BILL STACKED never came"));
    }
    let question = "Is the bill in the stacker now, out of sight of the slot?";
    let emulated = |b: &mut Bench| stacked(b) == value;
    let there = b.look(question, Sight::InStacker, true, emulated);
    let text = format!(
        "{} {} the stacker when it was said",
        b.show(value),
        if there { "in" } else { "not in" }
    );
    Ok(Seen::judge(there, text))
}

fn reset_returns_escrow(b: &mut Bench) -> Run {
    let (_, value, _) = into_escrow(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    watch(b, BILL_TIME);
    let held = kept(b);
    let text = format!("{} of {} kept", b.show(held), b.show(value));
    Ok(Seen::judge(kept(b).is_zero(), text))
}

fn bill_survives_reset(b: &mut Bench) -> Run {
    let bill_type = waiting_bill(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    let seen = routed(&watch(b, BILL_TIME), Routing::Stacked);
    let said = seen.contains(&bill_type);
    let text = if said {
        "reported after the reset"
    } else {
        "never reported"
    };
    Ok(Seen::judge(said, text))
}

fn told(report: Option<Report>) -> String {
    report.map_or_else(|| "no report within 30 s".to_owned(), |r| r.to_string())
}
