//! Checks of a bill validator. What they share: what a board says to a validator, and bills fed.

pub(in crate::device) mod escrow;
pub(in crate::device) mod service;
pub(in crate::device) mod taking;

use super::common::{answered, ask, found, order, unreached};
use crate::check::Seen;
use crate::device::polling::poll_until;
use crate::device::presumptions::Leeway;
use crate::device::typed::ask_typed;
use crate::device::{Bench, Close};
use payrig_mdb::bill::{
    BillTypes, BillValue, Command, EscrowCapability, Report, Response, Routing, Setup, Stacker,
};
use payrig_units::{Micros, Money, Place};

/// From the inlet to a report: common practice, no source.
const BILL_TIME: Micros = Micros::secs(6);

pub(super) fn setup(b: &mut Bench) -> Result<Setup, Seen> {
    match ask(b, &Command::Setup)? {
        Response::Setup(setup) => Ok(setup),
        other => Err(unreached(format!("SETUP brought {other}"))),
    }
}

fn stacker(b: &mut Bench) -> Result<Stacker, Seen> {
    match ask(b, &Command::Stacker)? {
        Response::Stacker(stacker) => Ok(stacker),
        other => Err(unreached(format!("STACKER brought {other}"))),
    }
}

pub(super) fn accept(b: &mut Bench, enable: BillTypes, escrow: BillTypes) -> Result<(), Seen> {
    let command = Command::BillType { enable, escrow };
    order(b, &command)
}

/// Everything a board does before the first bill (section 6.3).
fn start(b: &mut Bench, escrow: BillTypes) -> Result<Setup, Seen> {
    found(b);
    let setup = setup(b)?;
    accept(b, BillTypes::ALL, escrow)?;
    Ok(setup)
}

fn start_with_escrow(b: &mut Bench) -> Result<Setup, Seen> {
    let setup = start(b, BillTypes::ALL)?;
    b.works_from(Leeway::Escrow);
    match setup.escrow {
        EscrowCapability::Capable => Ok(setup),
        _ => Err(Seen::skipped("this validator has no escrow")),
    }
}

pub(super) fn poll(b: &mut Bench) -> Vec<Report> {
    match ask_typed(b, &Command::Poll) {
        Ok(Response::Poll(reports)) => reports,
        _ => Vec::new(),
    }
}

/// One POLL that is answered, if it is within the non-response time.
fn poll_answered(b: &mut Bench) -> Vec<Report> {
    match answered(b, &Command::Poll, Close::Ack) {
        Ok(Response::Poll(reports)) => reports,
        _ => Vec::new(),
    }
}

/// POLLs for a time and gives all that was reported.
pub(super) fn watch(b: &mut Bench, time: Micros) -> Vec<Report> {
    poll_until(b, time, poll, |_| false)
}

/// POLLs until a report is there, for so long at most.
pub(super) fn wait_for(
    b: &mut Bench,
    time: Micros,
    wanted: impl Fn(&Report) -> bool,
) -> Option<Report> {
    let reports = poll_until(b, time, poll, &wanted);
    reports.into_iter().find(wanted)
}

/// POLLs for as long as a bill may be on its way.
fn watch_bill(b: &mut Bench) -> Vec<Report> {
    let time = bill_time(b);
    watch(b, time)
}

/// POLLs until a report is there, for as long as a bill may be on its way.
fn wait_for_bill(b: &mut Bench, wanted: impl Fn(&Report) -> bool) -> Option<Report> {
    let time = bill_time(b);
    wait_for(b, time, wanted)
}

fn bill_time(b: &mut Bench) -> Micros {
    b.works_from(Leeway::Way);
    BILL_TIME
}

pub(super) fn routed(reports: &[Report], wanted: Routing) -> Vec<u8> {
    let bill = |r: &Report| match r {
        Report::Bill { routing, bill_type } if *routing == wanted => Some(*bill_type),
        _ => None,
    };
    reports.iter().filter_map(bill).collect()
}

pub(super) fn is(wanted: Routing) -> impl Fn(&Report) -> bool {
    move |r| matches!(r, Report::Bill { routing, .. } if *routing == wanted)
}

pub(super) fn used(setup: &Setup) -> Vec<(u8, Money)> {
    let value = |t: u8| match setup.value(t) {
        BillValue::Minor(n) => Some((t, Money(n))),
        _ => None,
    };
    (0..16).filter_map(value).collect()
}

fn first_bill(setup: &Setup) -> Result<(u8, Money), Seen> {
    let bill = used(setup).into_iter().next();
    bill.ok_or_else(|| Seen::cannot_tell("no bill has a value"))
}

// Recycler stores are left out: nothing goes there until RECYCLER ENABLE says so.
fn stacked(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::Stacker(_)))
}

fn kept(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)))
}

/// Feeds a bill, without escrow, and gives all reports of its way.
fn feed(b: &mut Bench, bill_type: u8) -> Result<Vec<Report>, Seen> {
    b.act(b.bill(bill_type))?;
    Ok(watch_bill(b))
}

/// Feeds a bill while nobody polls, so that its report waits.
fn waiting_bill(b: &mut Bench) -> Result<u8, Seen> {
    let setup = start(b, BillTypes::NONE)?;
    let (bill_type, _) = first_bill(&setup)?;
    watch(b, Micros::ms(500));
    b.act_unasked(b.bill(bill_type))?;
    let time = bill_time(b);
    b.wait(time);
    Ok(bill_type)
}
