//! Checks of an acceptor on credit pulse lines: of bills, of coins, of cards. What they share:
//! money put in, and the pulses that come of it.

pub(in crate::device) mod card;
pub(in crate::device) mod counts;
pub(in crate::device) mod edges;
pub(in crate::device) mod inhibit;
pub(in crate::device) mod line;
pub(in crate::device) mod power;
pub(in crate::device) mod times;

use crate::check::{Run, Seen};
use crate::device::Bench;
use crate::device::presumptions::Leeway;
use crate::device::setup::Kind;
use crate::skip::Skip;
use payrig_pulse::Train;
use payrig_units::{Micros, Money, Place, words};

/// From putting money in to its first pulse, at the most: common practice, no source.
const MONEY_TIME: Micros = Micros::secs(6);

fn largest(b: &Bench) -> Result<Money, Seen> {
    let most = b.values().iter().copied().max();
    most.ok_or_else(|| Seen::cannot_tell("no value is set"))
}

/// What an emulated reader's card can pay of these sales, in their order: how many. A real card's
/// balance nobody knows here; bills and coins do not run out.
fn affordable(b: &Bench, sales: &[Money]) -> usize {
    if b.is_outside() || b.kind() != Kind::PulseCard {
        return sales.len();
    }
    let ledger = b.books().ledger();
    let mut left = ledger.held(|p| matches!(p, Place::CardAccount(_)));
    let pays = |sale: &&Money| {
        left = left.saturating_sub(**sale);
        left >= Money::ZERO
    };
    sales.iter().take_while(pays).count()
}

/// The end of a check whose sales the card cannot pay: what does not come then is no fault.
fn afford(b: &Bench, sales: &[Money]) -> Result<(), Seen> {
    let (paid, needed) = (affordable(b, sales), sales.len());
    match paid < needed {
        true => Err(Seen::cannot_tell(lacking(paid, needed))),
        false => Ok(()),
    }
}

/// What spoils all that is measured of a line at rest at the wrong level.
const REST_FIRST: &str = "The line rests at the level of a pulse, which spoils this as well: see to \
     that first.";

/// What a measurement of pulses advises where the line rests at the wrong level.
fn measured(b: &Bench, seen: Seen) -> Seen {
    match b.wrong_at_rest(false).is_empty() {
        true => seen,
        false => seen.advising(Some(REST_FIRST)),
    }
}

fn lacking(paid: usize, needed: usize) -> String {
    let are = if needed == 1 { "is" } else { "are" };
    let paid = words::count(paid, "sale");
    format!("the card has balance for {paid}, {needed} {are} needed")
}

/// Puts money in and waits for its pulses.
fn feed(b: &mut Bench, value: Money) -> Result<Vec<Train>, Seen> {
    afford(b, &[value])?;
    b.take_trains();
    b.act(b.money(value))?;
    b.works_from(Leeway::Way);
    let profile = b.profile()?;
    let one = profile.on + profile.off + profile.off;
    let pulses = b.pulses_for(value);
    b.wait(MONEY_TIME + one * pulses);
    Ok(b.take_trains())
}

fn whole_bill(b: &mut Bench) -> Result<Train, Seen> {
    let bill = largest(b)?;
    let trains = feed(b, bill)?;
    let longest = trains.into_iter().max_by_key(Train::count);
    longest.ok_or_else(|| Seen::cannot_tell("no pulses came"))
}

/// Money is put in: are there pulses?
fn moves(b: &mut Bench) -> Run {
    let bill = largest(b)?;
    let trains = feed(b, bill)?;
    let pulses: usize = trains.iter().map(Train::count).sum();
    Ok(Seen::judge(pulses > 0, words::count(pulses, "pulse")))
}

/// True where no pulse may mean that a real card has not enough on it, which nobody sees here.
fn refused_unseen(b: &Bench) -> bool {
    b.is_outside() && b.kind() == Kind::PulseCard
}

/// The end of a check that is about a moment between two pulses, where a person would have to hit it.
fn not_by_hand(b: &Bench) -> Result<(), Seen> {
    match b.is_outside() {
        true => Err(Seen::skipped(Skip::EmulatedOnly(
            "too quick for a person: done with emulated devices only".into(),
        ))),
        false => Ok(()),
    }
}

/// From the shortest to the longest.
pub(in crate::device) fn range(times: &[Micros]) -> String {
    match (times.iter().min(), times.iter().max()) {
        (Some(least), Some(most)) if least == most => least.to_string(),
        (Some(least), Some(most)) => format!("{least} to {most}"),
        _ => "none".to_owned(),
    }
}
