//! Checks of what a bill recycler adds to a bill validator (section 6.3, 37H-03H to 37H-0AH). What
//! they share: its set-up, its stores, and payouts.

pub(in crate::device) mod payouts;
pub(in crate::device) mod stores;

use super::bill::{accept, poll, setup, used, watch};
use super::common::{ask, found, order, unreached};
use crate::check::Seen;
use crate::device::presumptions::Leeway;
use crate::device::typed::{Request, ask_typed};
use crate::device::{Answer, Bench, POLL_EVERY};
use payrig_mdb::bill::{BillCounts, BillTypes, Command, Options, RecyclerUse, Response, Setup};
use payrig_units::{Micros, Money, Place, words};

/// The longest a payout of a few bills takes: common practice, no source.
const PAYOUT_TIME: Micros = Micros::secs(40);

/// What is in the stores.
fn stored(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::Recycler(..)))
}

fn worth(setup: &Setup, bill_type: u8) -> Money {
    let value = used(setup).into_iter().find(|(t, _)| *t == bill_type);
    value.map_or(Money::ZERO, |(_, value)| value)
}

/// What a board does before the first payout; the types that can be recycled.
fn start(b: &mut Bench, use_for: RecyclerUse) -> Result<(Setup, BillTypes), Seen> {
    found(b);
    let setup = setup(b)?;
    let options = Command::FeatureEnable(Options::RECYCLING);
    order(b, &options)?;
    let Response::RecyclerSetup(types) = ask(b, &Command::RecyclerSetup)? else {
        return Err(Seen::fail("RECYCLER SETUP brought something else"));
    };
    let enable = Command::RecyclerEnable {
        manual_dispense: BillTypes::NONE,
        use_for: [use_for; 16],
    };
    order(b, &enable)?;
    accept(b, BillTypes::ALL, BillTypes::NONE)?;
    watch(b, Micros::ms(500));
    Ok((setup, types))
}

fn status(b: &mut Bench) -> Result<BillCounts, Seen> {
    match ask(b, &Command::BillDispenseStatus)? {
        Response::BillDispenseStatus { counts, .. } => Ok(counts),
        other => Err(Seen::fail(format!("BILL DISPENSE STATUS brought {other}"))),
    }
}

/// The store with the most bills, at least `least`: its type, its bills' value.
fn fullest(b: &mut Bench, least: u16) -> Result<(u8, Money), Seen> {
    let (setup, _) = start(b, RecyclerUse::All)?;
    let most = status(b)?.iter().max_by_key(|(_, n)| *n);
    match most {
        Some((t, n)) if n >= least => Ok((t, worth(&setup, t))),
        _ => Err(Seen::cannot_tell(format!(
            "no store holds {least}: fill it",
            least = words::count(least, "bill")
        ))),
    }
}

/// Orders a payout and waits for its end: the values of the PAYOUT VALUE POLLs, in counts.
fn pay(b: &mut Bench, command: &Command) -> Result<u64, Seen> {
    order_payout(b, command)?;
    payout_ends(b)
}

/// Orders a payout. One that is not answered is ordered again only where it was not heard, and no bill has
/// left its store (Appendix 3, section 3, condition 1).
fn order_payout(b: &mut Bench, command: &Command) -> Result<(), Seen> {
    let before = status(b)?;
    let mut answer = b.ask(command.block().bytes());
    if answer == Answer::Silence {
        payout_ends(b)?;
        if status(b)? != before {
            return Ok(());
        }
        answer = b.ask(command.block().bytes());
    }
    match answer {
        Answer::Ack => Ok(()),
        other => {
            let name = command.name();
            Err(unreached(format!("{name} brought {}", other.text())))
        }
    }
}

fn payout_ends(b: &mut Bench) -> Result<u64, Seen> {
    b.works_from(Leeway::WhileBusy);
    let (by, mut paid) = (b.now() + PAYOUT_TIME, 0);
    while b.now() < by {
        poll(b);
        b.wait(POLL_EVERY);
        match ask_typed(b, &Command::PayoutValuePoll) {
            Err(Answer::Ack) => return Ok(paid),
            Ok(Response::PayoutValuePoll(value)) => paid += u64::from(value.count()),
            _ => {}
        }
        b.wait(POLL_EVERY);
    }
    Err(Seen::fail(format!(
        "the payout does not end in {PAYOUT_TIME}"
    )))
}

fn bills(bill_type: u8, count: u16) -> Command {
    Command::DispenseBill { bill_type, count }
}

/// Counts of bills with as many more of each type of which there are any.
fn raised(counts: &BillCounts, by: u16) -> BillCounts {
    let raise = |n: u16| if n == 0 { 0 } else { n.saturating_add(by) };
    let all = (0..16).map(|t| raise(counts.count(t)));
    BillCounts::new(&all.collect::<Vec<u16>>())
}
