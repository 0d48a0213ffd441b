//! Checks of an acceptor on credit pulse lines: of bills, of coins, of cards.

mod measure;
mod money;

pub(super) use measure::range;

use super::bench::{Act, Bench};
use super::setup::{Kind, Setup};
use crate::check::{COMMON_PRACTICE, Check, Seen, Weight};
use payrig_pulse::Train;
use payrig_units::{Micros, Money, Place, words};

/// From putting money in to its first pulse, at the most: common practice, no source.
const MONEY_TIME: Micros = Micros::secs(6);

/// The checks.
pub(super) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "line-rests-right",
        title: "Rests at the right level",
        expected: "the credit line at rest at the level that is no pulse",
        section: COMMON_PRACTICE,
        advice: "Normally open and normally closed are mixed up: set the switch or the board.",
        weight: Weight::Rule,
        quirk: "reversed",
        arrange: None,
        run: measure::rests,
    },
    Check {
        id: "line-moves",
        title: "Moves its credit line for money",
        expected: "pulses once money was put in",
        section: COMMON_PRACTICE,
        advice: "Check the wire, the pull-up and the output. If that does not help, replace the acceptor.",
        weight: Weight::Rule,
        quirk: "stuck-line",
        arrange: None,
        run: measure::moves,
    },
    Check {
        id: "pulse-width",
        title: "Sends pulses of the right width",
        expected: "every width within the tolerance of its setting",
        section: COMMON_PRACTICE,
        advice: "Set the pulse speed to what the board expects. If that does not help, replace the acceptor.",
        weight: Weight::Rule,
        quirk: "narrow-pulses",
        arrange: None,
        run: measure::widths,
    },
    Check {
        id: "pulse-gap",
        title: "Pauses rightly between pulses",
        expected: "every pause within the tolerance of its setting",
        section: COMMON_PRACTICE,
        advice: "Set the pulse speed to what the board expects. If that does not help, replace the acceptor.",
        weight: Weight::Rule,
        quirk: "long-gaps",
        arrange: None,
        run: measure::gaps,
    },
    Check {
        id: "pulse-drift",
        title: "Keeps the width of its pulses",
        expected: "widths over forty pulses within a tenth of each other, no drift",
        section: COMMON_PRACTICE,
        advice: "Its clock or output wanders: it may fail when it is warm or cold.",
        weight: Weight::Advice,
        quirk: "jitter",
        arrange: None,
        run: measure::drift,
    },
    Check {
        id: "pulse-drift-slow",
        title: "Keeps the width of its pulses over hundreds of them",
        expected: "over 400 pulses a drift of less than 0.5 % per 100 pulses",
        section: COMMON_PRACTICE,
        advice: "Its times creep as it works: it will be out of tolerance on a busy day. Watch it.",
        weight: Weight::Advice,
        quirk: "slow-drift",
        arrange: None,
        run: measure::slow_drift,
    },
    Check {
        id: "pulse-setting",
        title: "Sends by the setting it is meant to have",
        expected: "the nearest ready-made setting is its own",
        section: COMMON_PRACTICE,
        advice: "Set its pulse speed to what is meant. If that does not help, see width and pauses.",
        weight: Weight::Rule,
        quirk: "wrong-setting",
        arrange: None,
        run: measure::setting,
    },
    Check {
        id: "count-per-bill",
        title: "Sends the right number of pulses for each value",
        expected: "every bill, coin or amount gives the credit it is worth",
        section: COMMON_PRACTICE,
        advice: "Set pulses per unit of money. If that does not help, replace the acceptor.",
        weight: Weight::Rule,
        quirk: "missing-pulse",
        arrange: None,
        run: money::count_per_bill,
    },
    Check {
        id: "count-steady",
        title: "Sends the same number every time",
        expected: "one value twelve times, each time the same pulses",
        section: COMMON_PRACTICE,
        advice: "It miscounts now and then. Do not install it.",
        weight: Weight::Rule,
        quirk: "extra-pulse-now-and-then",
        arrange: None,
        run: money::count_steady,
    },
    Check {
        id: "trains-apart",
        title: "Keeps what is put in apart",
        expected: "a train gap between the pulses of two values in a row",
        section: COMMON_PRACTICE,
        advice: "Boards that count per train credit wrong amounts.",
        weight: Weight::Rule,
        quirk: "trains-together",
        arrange: Some(fast),
        run: money::trains_apart,
    },
    Check {
        id: "no-bounce",
        title: "Switches cleanly",
        expected: "edges settle within the bounce time of the setting",
        section: COMMON_PRACTICE,
        advice: "Its contact is worn. Replace the relay, or the acceptor.",
        weight: Weight::Rule,
        quirk: "bounce",
        arrange: None,
        run: measure::bounce,
    },
    Check {
        id: "no-glitches",
        title: "Has no spikes on its line",
        expected: "no spike too short for a pulse",
        section: COMMON_PRACTICE,
        advice: "Check shielding and ground; fast boards count spikes.",
        weight: Weight::Advice,
        quirk: "glitches",
        arrange: None,
        run: measure::glitches,
    },
    Check {
        id: "inhibit-obeyed",
        title: "Takes nothing while it is inhibited",
        expected: "every bill, coin or card refused, no pulse",
        section: COMMON_PRACTICE,
        advice: "It takes money the board will not credit. Check the inhibit wire.",
        weight: Weight::Rule,
        quirk: "ignores-inhibit",
        arrange: None,
        run: money::inhibit,
    },
    Check {
        id: "silent-while-inhibited",
        title: "Sends nothing of its own while it is inhibited",
        expected: "nothing put in, and no pulse within 10 s of the inhibit",
        section: COMMON_PRACTICE,
        advice: "Boards credit a pulse nobody paid for. Check ground. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: "stray-pulse",
        arrange: None,
        run: money::silent_while_inhibited,
    },
    Check {
        id: "takes-again-after-inhibit",
        title: "Takes money again once it may",
        expected: "pulses for money put in after the inhibit is lifted",
        section: COMMON_PRACTICE,
        advice: "Nothing comes once it was held off. If nothing comes before either, mend that \
                 first. Else check the inhibit wire. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: "stays-inhibited",
        arrange: None,
        run: money::takes_again,
    },
    Check {
        id: "power-cut-keeps-pulses",
        title: "Sends the rest of its pulses after a power cut",
        expected: "all pulses of a value, with the power cut in the middle of them",
        section: COMMON_PRACTICE,
        advice: "A power cut at the wrong moment costs the customer money.",
        weight: Weight::Advice,
        quirk: "forgets-on-power-cut",
        arrange: None,
        run: money::power_cut,
    },
];

/// Checks of a card reader besides.
pub(super) const CARD: &[Check<Bench, Setup>] = &[
    Check {
        id: "card-charged-as-sent",
        title: "Takes from the card what its pulses say",
        expected: "for every amount the card pays as much as the pulses are worth",
        section: COMMON_PRACTICE,
        advice: "Customers pay another amount than the machine gets. Set pulses per unit of money.",
        weight: Weight::Rule,
        quirk: "pulses-worth-double",
        arrange: None,
        run: money::charged_as_sent,
    },
    Check {
        id: "card-taken-away-not-charged",
        title: "Charges nothing for a card taken away before the answer",
        expected: "no pulse, and nothing paid from the card",
        section: COMMON_PRACTICE,
        advice: "Customers pay for what they gave up. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: "charges-taken-cards",
        arrange: None,
        run: money::taken_away,
    },
];

fn fast(setup: &mut Setup) {
    let pulse = &mut setup.pulse;
    (pulse.bill.travel_ms, pulse.bill.stack_ms) = (500, 300);
    pulse.card.authorise_ms = 500;
}

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
    b.act(Act::PulseMoney(value.as_minor()))?;
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
