//! Checks of a coin changer. What they share: what a board says to a changer, coins fed, and payouts.

pub(in crate::device) mod coins;
pub(in crate::device) mod payout;
pub(in crate::device) mod service;

use super::common::{answered, ask, found, order, unreached};
use crate::check::Seen;
use crate::device::habit::Context;
use crate::device::polling::poll_until;
use crate::device::presumptions::Leeway;
use crate::device::typed::ask_typed;
use crate::device::{Answer, Bench, Close, POLL_EVERY, altered};
use payrig_mdb::changer::{
    CoinCredit, CoinType, CoinTypes, Command, DispenseCount, Features, Report, Response, Routing,
    Setup, Status, TubeStatus,
};
use payrig_units::{Micros, Money, Place};

/// How long a coin may take from the slot to its report. Common practice, no source.
const COIN_TIME: Micros = Micros::secs(3);

/// How long a payout of a few coins may take (section 5.3, DISPENSE: the changer is busy
/// meanwhile; Appendix 3, section 2: 30 s for what takes long).
const PAYOUT_TIME: Micros = Micros::secs(30);

fn setup(b: &mut Bench) -> Result<Setup, Seen> {
    match ask(b, &Command::Setup)? {
        Response::Setup(setup) => {
            b.set_scale(i64::from(setup.scaling_factor));
            Ok(setup)
        }
        other => Err(unreached(format!("SETUP brought {other}"))),
    }
}

fn tubes(b: &mut Bench) -> Result<TubeStatus, Seen> {
    match ask(b, &Command::TubeStatus)? {
        Response::TubeStatus(status) => Ok(status),
        other => Err(unreached(format!("TUBE STATUS brought {other}"))),
    }
}

fn accept(b: &mut Bench, accept: CoinTypes) -> Result<(), Seen> {
    let command = Command::CoinType {
        accept,
        manual_dispense: CoinTypes::ALL,
    };
    order(b, &command)
}

/// Everything a board does before the first coin (section 5.3), with these features on.
fn start_with(b: &mut Bench, features: Features) -> Result<Setup, Seen> {
    found(b);
    let setup = setup(b)?;
    if setup.level >= 3 {
        let command = Command::FeatureEnable(features);
        order(b, &command)?;
    }
    b.wait(Micros::ms(600));
    accept(b, CoinTypes::ALL)?;
    Ok(setup)
}

fn start(b: &mut Bench) -> Result<Setup, Seen> {
    start_with(b, Features::NONE)
}

fn poll(b: &mut Bench) -> Vec<Report> {
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
fn watch(b: &mut Bench, time: Micros) -> Vec<Report> {
    poll_until(b, time, poll, |_| false)
}

/// POLLs for as long as a coin may be on its way.
fn watch_coin(b: &mut Bench) -> Vec<Report> {
    let time = coin_time(b);
    watch(b, time)
}

fn coin_time(b: &mut Bench) -> Micros {
    b.works_from(Leeway::Way);
    COIN_TIME
}

fn coins(reports: &[Report]) -> Vec<(CoinType, Routing)> {
    let coin = |r: &Report| match r {
        Report::CoinsDeposited {
            coin_type, routing, ..
        } => Some((*coin_type, *routing)),
        _ => None,
    };
    let taken = reports.iter().filter_map(coin);
    taken
        .filter(|(_, routing)| matches!(routing, Routing::Tubes | Routing::CashBox))
        .collect()
}

fn has(reports: &[Report], status: Status) -> usize {
    let same = |r: &&Report| **r == Report::Status(status);
    reports.iter().filter(same).count()
}

/// Coin types of known value, with it.
fn used(setup: &Setup) -> Vec<(CoinType, Money)> {
    let value = |t: CoinType| match setup.credit(t) {
        CoinCredit::Worth(value) => Some((t, value)),
        _ => None,
    };
    CoinType::all().filter_map(value).collect()
}

fn inside(b: &mut Bench) -> Money {
    b.sum(|p| matches!(p, Place::Tube(..) | Place::CashBox(_)))
}

fn in_tube(b: &mut Bench, coin_type: CoinType) -> Money {
    b.sum(|p| matches!(p, Place::Tube(_, t) if *t == coin_type.get()))
}

/// Leaves a status out of what POLL brings.
fn hides(context: &Context<'_>, bytes: &mut Vec<u8>, hidden: Status) {
    altered::changer_reports(context, bytes, |reports| {
        reports.retain(|r| *r != Report::Status(hidden));
    });
}

fn dispense(coin_type: CoinType, coins: u8) -> Command {
    let coins = DispenseCount::saturating(coins.into());
    Command::Dispense { coin_type, coins }
}

/// Pays out and waits for the end. How many coins left, by the money, and the reports.
fn pay(b: &mut Bench, coin_type: CoinType, coins: u8) -> Result<(Money, bool), Seen> {
    let before = in_tube(b, coin_type);
    let ended = paid_out(b, coin_type, coins)?;
    Ok((before.saturating_sub(in_tube(b, coin_type)), ended))
}

/// DISPENSE, and the end of the payout. A lost ACK is not the matter here: it is sent again only where it
/// was not heard, and no coin has left its tube (Appendix 3, section 3, condition 1).
fn paid_out(b: &mut Bench, coin_type: CoinType, coins: u8) -> Result<bool, Seen> {
    let before = tubes(b)?;
    let answer = ask_typed(b, &dispense(coin_type, coins));
    let ended = payout_ends(b);
    if answer == Err(Answer::Silence) && tubes(b)? == before {
        let _ = ask_typed(b, &dispense(coin_type, coins));
        return Ok(payout_ends(b));
    }
    Ok(ended)
}

fn payout_ends(b: &mut Bench) -> bool {
    b.works_from(Leeway::WhileBusy);
    let by = b.now() + PAYOUT_TIME;
    while b.now() < by {
        b.wait(POLL_EVERY);
        match ask_typed(b, &Command::Poll) {
            Err(Answer::Silence) => {}
            Ok(Response::Poll(reports)) if has(&reports, Status::ChangerPayoutBusy) > 0 => {}
            _ => return true,
        }
    }
    false
}

/// Feeds a coin while nobody polls, so that its report waits.
fn waiting_coin(b: &mut Bench) -> Result<CoinType, Seen> {
    let setup = start(b)?;
    let Some((coin_type, _)) = used(&setup).into_iter().next() else {
        return Err(Seen::cannot_tell("no coin has a value"));
    };
    watch(b, Micros::ms(500));
    b.act_unasked(b.coin(coin_type))?;
    let time = coin_time(b);
    b.wait(time);
    Ok(coin_type)
}

/// The tube with the most coins.
fn fullest(b: &mut Bench) -> Result<(CoinType, Money), Seen> {
    let setup = start(b)?;
    let status = tubes(b)?;
    let most = used(&setup)
        .into_iter()
        .max_by_key(|(t, _)| status.counts.get(*t));
    match most {
        Some((t, value)) if status.counts.get(t) >= 6 => Ok((t, value)),
        _ => Err(Seen::cannot_tell("no tube holds six coins: fill it")),
    }
}
