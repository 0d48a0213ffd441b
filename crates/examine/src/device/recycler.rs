//! Checks of what a bill recycler adds to a bill validator (section 6.3, 37H-03H to 37H-0AH).

use super::bench::{Act, Answer, Bench, POLL_EVERY};
use super::bill::{accept, ask, poll, routed, setup, used, wait_for, watch};
use super::common::{data, found, order, until_just_reset};
use super::setup::Setup as BenchSetup;
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_mdb::bill::{
    BillCounts, BillTypes, Command, Options, RecyclerUse, Report, Response, Routing, Setup,
};
use payrig_units::{Micros, Money, Place};

/// The longest a payout of a few bills takes: common practice, no source.
const PAYOUT_TIME: Micros = Micros::secs(40);

/// The checks.
pub(super) const CHECKS: &[Check<Bench, BenchSetup>] = &[
    Check {
        id: "recycler-offered",
        title: "Says that it recycles, and what",
        expected: "the option bit of its identification, and a bill type in RECYCLER SETUP",
        section: "6.3, 37H 02H, 37H 03H",
        advice: "Boards use it as a plain validator. Check its configuration.",
        weight: Weight::Rule,
        quirk: "hides-recycler",
        arrange: None,
        run: offered,
    },
    Check {
        id: "recycler-silent-before-set-up",
        title: "Pays nothing before it is set up for it",
        expected: "DISPENSE BILL without FEATURE ENABLE and RECYCLER SETUP pays nothing",
        section: "6.1, 6.3, 37H 03H",
        advice: "A board that does not know of recycling can be made to pay. Update its software.",
        weight: Weight::Rule,
        quirk: "recycler-needs-no-setup",
        arrange: None,
        run: silent_before,
    },
    Check {
        id: "recycler-fills",
        title: "Stores bills that are to be recycled",
        expected: "BILL TO RECYCLER for each type that is enabled, and the bill in its store",
        section: "6.3, 37H 04H",
        advice: "The stores stay empty and change runs out. Check RECYCLER ENABLE and the stores.",
        weight: Weight::Rule,
        quirk: "says-stacked-for-recycled",
        arrange: None,
        run: fills,
    },
    Check {
        id: "recycler-off-stacks",
        title: "Stacks bills that are not to be recycled",
        expected: "BILL STACKED for each type that is not enabled for recycling",
        section: "6.3, 37H 04H",
        advice: "Bills are kept for change nobody wants to pay. Update its software.",
        weight: Weight::Rule,
        quirk: "says-recycled-for-stacked",
        arrange: None,
        run: off_stacks,
    },
    Check {
        id: "dispense-status-follows",
        title: "Counts the bills in its stores",
        expected: "BILL DISPENSE STATUS one higher after a bill",
        section: "6.3, 37H 05H",
        advice: "Boards pay by wrong counts. Empty and refill the stores by its key.",
        weight: Weight::Rule,
        quirk: "dispense-status-frozen",
        arrange: None,
        run: status_follows,
    },
    Check {
        id: "dispense-status-honest",
        title: "Holds as many bills as it says",
        expected: "a store emptied bill by bill gives the count that was told",
        section: "6.3, 37H 05H",
        advice: "Customers are short-changed by the last bills. Refill the stores by its key.",
        weight: Weight::Rule,
        quirk: "tells-one-bill-more",
        arrange: None,
        run: status_honest,
    },
    Check {
        id: "pays-bills",
        title: "Pays bills of each store",
        expected: "DISPENSE BILL of two bills: two bills out of the inlet",
        section: "6.3, 37H 06H",
        advice: "Customers get too little. Clean the store and its rollers, then replace it.",
        weight: Weight::Rule,
        quirk: "dispenses-one-bill-less",
        arrange: None,
        run: pays_bills,
    },
    Check {
        id: "pays-a-value",
        title: "Pays a value in bills of its own choice",
        expected: "DISPENSE VALUE of 7.00 pays 7.00",
        section: "6.3, 37H 07H",
        advice: "Boards that leave the choice to it book wrong amounts. Update its software.",
        weight: Weight::Rule,
        quirk: "shrugs-dispense-value",
        arrange: None,
        run: pays_value,
    },
    Check {
        id: "payout-status-right",
        title: "Says which bills it paid",
        expected: "PAYOUT STATUS with the bills that came out",
        section: "6.3, 37H 08H",
        advice: "Boards believe they paid something else. Update its software.",
        weight: Weight::Rule,
        quirk: "payout-status-one-more",
        arrange: None,
        run: status_right,
    },
    Check {
        id: "payout-progress-told",
        title: "Says what it has paid while it pays",
        expected: "the values of all PAYOUT VALUE POLLs add up to what came out",
        section: "6.3, 37H 09H",
        advice: "The display counts down wrongly. Update its software.",
        weight: Weight::Rule,
        quirk: "last-bill-missing-in-value-poll",
        arrange: None,
        run: progress,
    },
    Check {
        id: "payout-cancelled",
        title: "Stops a payout when it is told to",
        expected: "at most one bill more after PAYOUT CANCEL",
        section: "6.3, 37H 0AH",
        advice: "A payout cannot be stopped. Update its software.",
        weight: Weight::Rule,
        quirk: "ignores-payout-cancel",
        arrange: None,
        run: cancelled,
    },
    Check {
        id: "payout-busy-told",
        title: "Says that it is paying",
        expected: "DISPENSER PAYOUT BUSY at POLLs during a payout",
        section: "6.3, POLL, 22H",
        advice: "Boards give a payout up for lost. Update its software.",
        weight: Weight::Rule,
        quirk: "hides-payout-busy",
        arrange: None,
        run: busy_told,
    },
    Check {
        id: "bill-waiting-told",
        title: "Says that a bill waits to be taken",
        expected: "BILL WAITING while a bill is in the inlet",
        section: "6.3, POLL, 2AH",
        advice: "Nobody asks the customer to take the bill. Check the inlet sensor.",
        weight: Weight::Advice,
        quirk: "hides-waiting-bill",
        arrange: None,
        run: waiting_told,
    },
    Check {
        id: "payout-not-doubled",
        title: "Does not pay a repeated order twice",
        expected: "two bills, though DISPENSE BILL of two was sent twice in a row",
        section: "Appendix 3, section 3",
        advice: "A lost ACK pays twice. Never use it with boards that repeat orders.",
        weight: Weight::Rule,
        quirk: "double-dispense-on-repeat",
        arrange: None,
        run: not_doubled,
    },
    Check {
        id: "stores-kept-over-reset",
        title: "Keeps its bills after a RESET",
        expected: "the same BILL DISPENSE STATUS before and after RESET",
        section: COMMON_PRACTICE,
        advice: "Every reset makes the accounts wrong. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: "counts-change-with-reset",
        arrange: None,
        run: same_after_reset,
    },
];

/// What is in the stores.
fn stored(b: &Bench) -> Money {
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
    order(b, options.emit().bytes(), options.name())?;
    let Response::RecyclerSetup(types) = ask(b, &Command::RecyclerSetup)? else {
        return Err(Seen::fail("RECYCLER SETUP brought something else"));
    };
    let enable = Command::RecyclerEnable {
        manual_dispense: BillTypes::NONE,
        use_for: [use_for; 16],
    };
    order(b, enable.emit().bytes(), enable.name())?;
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
            "no store holds {least} bills: fill it"
        ))),
    }
}

/// Orders a payout and waits for its end: the values of the PAYOUT VALUE POLLs, in counts.
fn pay(b: &mut Bench, command: &Command) -> Result<u64, Seen> {
    order(b, command.emit().bytes(), command.name())?;
    payout_ends(b)
}

fn payout_ends(b: &mut Bench) -> Result<u64, Seen> {
    let (by, mut told) = (b.now() + PAYOUT_TIME, 0);
    while b.now() < by {
        poll(b);
        b.wait(POLL_EVERY);
        match b.ask(Command::PayoutValuePoll.emit().bytes()) {
            Answer::Ack => return Ok(told),
            Answer::Data(bytes) => {
                let value = Response::parse(&Command::PayoutValuePoll, &bytes);
                if let Ok(Response::PayoutValuePoll(value)) = value {
                    told += u64::from(value.count());
                }
            }
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

fn offered(b: &mut Bench) -> Run {
    found(b);
    let command = Command::IdentificationWithOptions;
    let Response::IdentificationWithOptions(_, options) = ask(b, &command)? else {
        return Ok(Seen::fail("no identification with options"));
    };
    if !options.contains(Options::RECYCLING) {
        return Ok(Seen::fail("the option bit of recycling is not set"));
    }
    let (setup, types) = start(b, RecyclerUse::All)?;
    let values = used(&setup).into_iter().filter(|(t, _)| types.contains(*t));
    let values: Vec<String> = values.map(|(_, v)| b.show(v)).collect();
    let text = format!("recycles {}", values.join(" "));
    Ok(Seen::judge(!values.is_empty(), text))
}

fn silent_before(b: &mut Bench) -> Run {
    found(b);
    setup(b)?;
    accept(b, BillTypes::ALL, BillTypes::NONE)?;
    let before = stored(b);
    let answers: Vec<Answer> = (0..16)
        .map(|t| {
            let answer = b.ask(bills(t, 1).emit().bytes());
            watch(b, Micros::secs(1));
            answer
        })
        .collect();
    watch(b, Micros::secs(5));
    let out = before.saturating_sub(stored(b));
    let answered = answers.iter().filter(|a| **a != Answer::Silence).count();
    let text = format!("16 orders, {answered} answered, {} paid", b.show(out));
    Ok(Seen::judge(out.is_zero() && answered == 0, text))
}

fn each_way(b: &mut Bench, use_for: RecyclerUse, wanted: Routing) -> Run {
    let (setup, types) = start(b, use_for)?;
    let name = Report::bill(wanted, 0).name();
    let mut wrong = Vec::new();
    let recycled: Vec<(u8, Money)> = used(&setup)
        .into_iter()
        .filter(|(t, _)| types.contains(*t))
        .collect();
    for (bill_type, value) in &recycled {
        let before = stored(b);
        b.act(Act::Bill(*bill_type))?;
        let reports = watch(b, Micros::secs(6));
        let said = routed(&reports, wanted) == [*bill_type];
        let rose = stored(b).saturating_sub(before);
        let right = match wanted {
            Routing::ToRecycler => rose == *value,
            _ => rose.is_zero(),
        };
        if !said || !right {
            let (value, rose) = (b.show(*value), b.show(rose));
            wrong.push(format!(
                "{value}: {name} {}, {rose} more in its store",
                if said { "said" } else { "not said" }
            ));
        }
    }
    let text = match wrong.is_empty() {
        true => format!("{} types, each: {name}", recycled.len()),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn fills(b: &mut Bench) -> Run {
    each_way(b, RecyclerUse::All, Routing::ToRecycler)
}

fn off_stacks(b: &mut Bench) -> Run {
    each_way(b, RecyclerUse::Disabled, Routing::Stacked)
}

fn status_follows(b: &mut Bench) -> Run {
    let (bill_type, value) = fullest(b, 1)?;
    let before = status(b)?.count(bill_type);
    b.act(Act::Bill(bill_type))?;
    watch(b, Micros::secs(6));
    let after = status(b)?.count(bill_type);
    let text = format!(
        "{} bills of {}, after one more {after}",
        before,
        b.show(value)
    );
    Ok(Seen::judge(after == before.saturating_add(1), text))
}

fn status_honest(b: &mut Bench) -> Run {
    let (setup, _) = start(b, RecyclerUse::All)?;
    let least = status(b)?
        .iter()
        .filter(|(_, n)| *n > 0)
        .min_by_key(|(_, n)| *n);
    let Some((bill_type, told)) = least else {
        return Ok(Seen::cannot_tell("all stores are empty"));
    };
    let before = stored(b);
    for _ in 0..=told {
        pay(b, &bills(bill_type, 1))?;
    }
    let value = worth(&setup, bill_type);
    let out = before.saturating_sub(stored(b)).as_minor() / value.as_minor().max(1);
    let text = format!("store of {}: told {told}, {out} came out", b.show(value));
    Ok(Seen::judge(out == i64::from(told), text))
}

fn pays_bills(b: &mut Bench) -> Run {
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
}

fn pays_value(b: &mut Bench) -> Run {
    let (setup, _) = start(b, RecyclerUse::All)?;
    let wanted = Money(700);
    let factor = i64::from(setup.scaling.factor).max(1);
    let counts = u16::try_from(wanted.as_minor() / factor).unwrap_or(u16::MAX);
    let before = stored(b);
    pay(b, &Command::DispenseValue(counts))?;
    let out = before.saturating_sub(stored(b));
    let text = format!("asked for {}, {} came out", b.show(wanted), b.show(out));
    Ok(Seen::judge(out == wanted, text))
}

fn status_right(b: &mut Bench) -> Run {
    let (bill_type, value) = fullest(b, 2)?;
    let before = stored(b);
    pay(b, &bills(bill_type, 2))?;
    let out = before.saturating_sub(stored(b)).as_minor() / value.as_minor().max(1);
    let Response::PayoutStatus(counts) = ask(b, &Command::PayoutStatus)? else {
        return Ok(Seen::fail("no PAYOUT STATUS"));
    };
    let told: i64 = counts.iter().map(|(_, n)| i64::from(n)).sum();
    let good = told == out && i64::from(counts.count(bill_type)) == out;
    let text = format!("{out} bills came out, PAYOUT STATUS says {told}");
    Ok(Seen::judge(good, text))
}

fn progress(b: &mut Bench) -> Run {
    let (bill_type, _) = fullest(b, 3)?;
    let factor = i64::from(setup(b)?.scaling.factor);
    let before = stored(b);
    let told = pay(b, &bills(bill_type, 3))?;
    let told = Money(i64::try_from(told).unwrap_or(0) * factor);
    let out = before.saturating_sub(stored(b));
    let text = format!("{} came out, {} told on the way", b.show(out), b.show(told));
    Ok(Seen::judge(told == out && !out.is_zero(), text))
}

fn cancelled(b: &mut Bench) -> Run {
    let (bill_type, value) = fullest(b, 5)?;
    let before = stored(b);
    let command = bills(bill_type, 5);
    order(b, command.emit().bytes(), command.name())?;
    watch(b, Micros::ms(2_500));
    let then = stored(b);
    let cancel = Command::PayoutCancel;
    order(b, cancel.emit().bytes(), cancel.name())?;
    payout_ends(b)?;
    let count = |amount: Money| amount.as_minor() / value.as_minor().max(1);
    let until = count(before.saturating_sub(then));
    let after = count(then.saturating_sub(stored(b)));
    let text = format!("{until} of 5 bills paid when it was cancelled, {after} after that");
    Ok(Seen::judge(after <= 1 && until < 4, text))
}

fn said_while_paying(b: &mut Bench, wanted: Report) -> Run {
    let (bill_type, _) = fullest(b, 2)?;
    let command = bills(bill_type, 2);
    order(b, command.emit().bytes(), command.name())?;
    let said = wait_for(b, Micros::secs(10), |r| *r == wanted).is_some();
    payout_ends(b)?;
    let text = if said { wanted.name() } else { "nothing said" };
    Ok(Seen::judge(said, text))
}

fn busy_told(b: &mut Bench) -> Run {
    said_while_paying(b, Report::DispenserPayoutBusy)
}

fn waiting_told(b: &mut Bench) -> Run {
    said_while_paying(b, Report::BillWaiting)
}

fn not_doubled(b: &mut Bench) -> Run {
    let (bill_type, value) = fullest(b, 4)?;
    let before = stored(b);
    let command = bills(bill_type, 2);
    b.ask(command.emit().bytes());
    b.ask(command.emit().bytes());
    payout_ends(b)?;
    let out = before.saturating_sub(stored(b)).as_minor() / value.as_minor().max(1);
    let text = format!("two bills asked for twice in a row, {out} came out");
    Ok(Seen::judge(out <= 2, text))
}

fn same_after_reset(b: &mut Bench) -> Run {
    start(b, RecyclerUse::All)?;
    let command = Command::BillDispenseStatus;
    let before = data(b, command.emit().bytes(), command.name())?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    until_just_reset(b);
    start(b, RecyclerUse::All)?;
    let after = data(b, command.emit().bytes(), command.name())?;
    let text = format!(
        "before RESET {}, after {}",
        Answer::Data(before.clone()).text(),
        Answer::Data(after.clone()).text()
    );
    Ok(Seen::judge(before == after, text))
}
