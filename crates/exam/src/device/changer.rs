//! Checks of a coin changer.

pub(super) mod coins;
pub(super) mod payout;
pub(super) mod service;

use super::bench::{Act, Answer, Bench, POLL_EVERY};
use super::common::{data, found, order, unreached};
use super::polling::poll_until;
use crate::check::{Run, Seen};
use crate::operator::Sight;
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

fn ask(b: &mut Bench, command: &Command) -> Result<Response, Seen> {
    let bytes = data(b, command.emit().bytes(), command.name())?;
    Response::parse(command, &bytes)
        .map_err(|error| unreached(format!("{}: {error}", command.name())))
}

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
    order(b, command.emit().bytes(), command.name())
}

/// Everything a board does before the first coin (section 5.3), with these features on.
fn start_with(b: &mut Bench, features: Features) -> Result<Setup, Seen> {
    found(b);
    let setup = setup(b)?;
    if setup.level >= 3 {
        let command = Command::FeatureEnable(features);
        order(b, command.emit().bytes(), command.name())?;
    }
    b.wait(Micros::ms(600));
    accept(b, CoinTypes::ALL)?;
    Ok(setup)
}

fn start(b: &mut Bench) -> Result<Setup, Seen> {
    start_with(b, Features::NONE)
}

fn reports_of(answer: &Answer) -> Vec<Report> {
    let parsed = answer.data().map(|d| Response::parse(&Command::Poll, d));
    match parsed {
        Some(Ok(Response::Poll(reports))) => reports,
        _ => Vec::new(),
    }
}

fn poll(b: &mut Bench) -> Vec<Report> {
    let answer = b.ask(Command::Poll.emit().bytes());
    reports_of(&answer)
}

/// POLLs for a time and gives all that was reported.
fn watch(b: &mut Bench, time: Micros) -> Vec<Report> {
    poll_until(b, time, poll, |_| false)
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

/// Pays out and waits for the end. How many coins left, by the money, and the reports.
fn pay(b: &mut Bench, coin_type: CoinType, coins: u8) -> Result<(Money, bool), Seen> {
    let before = in_tube(b, coin_type);
    let command = Command::Dispense {
        coin_type,
        coins: DispenseCount::saturating(usize::from(coins)),
    };
    // A lost ACK is not this check's matter, and DISPENSE is never sent twice.
    b.ask(command.emit().bytes());
    let ended = payout_ends(b);
    Ok((before.saturating_sub(in_tube(b, coin_type)), ended))
}

fn payout_ends(b: &mut Bench) -> bool {
    let by = b.now() + PAYOUT_TIME;
    while b.now() < by {
        b.wait(POLL_EVERY);
        let answer = b.ask(Command::Poll.emit().bytes());
        let busy = has(&reports_of(&answer), Status::ChangerPayoutBusy) > 0;
        if !busy && answer != Answer::Silence {
            return true;
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
    b.act_unasked(Act::Coin(coin_type.get()))?;
    b.wait(Micros::ms(1_500));
    Ok(coin_type)
}

fn routing(b: &mut Bench) -> Run {
    let setup = start(b)?;
    let mut wrong = Vec::new();
    for (coin_type, value) in used(&setup) {
        let before = in_tube(b, coin_type);
        b.act(Act::Coin(coin_type.get()))?;
        let seen = coins(&watch(b, COIN_TIME));
        let told = seen.iter().any(|(_, routing)| *routing == Routing::Tubes);
        let question = format!(
            "Did the coin of {} go to its tube (and not to the cash box)?",
            b.show(value)
        );
        let emulated = |b: &mut Bench| in_tube(b, coin_type) > before;
        let to_tube = b.look(&question, Sight::InTube(coin_type.get()), told, emulated);
        for (_, routing) in seen {
            if (routing == Routing::Tubes) != to_tube {
                let where_to = if to_tube { "tube" } else { "cash box" };
                let value = b.show(value);
                wrong.push(format!("{value} went to the {where_to}, told otherwise"));
            }
        }
    }
    let text = match wrong.is_empty() {
        true => "every coin is where it was told".to_owned(),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
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
