//! What goes into the stores, and how they are counted.

use super::super::bench::{Act, Answer, Bench};
use super::super::bill::{accept, ask, routed, setup, used, watch};
use super::super::common::found;
use super::super::setup::Setup as BenchSetup;
use super::{bills, fullest, pay, start, status, stored, worth};
use crate::check::{Check, Run, Seen, Weight};
use payrig_mdb::bill::{BillTypes, Command, Options, RecyclerUse, Report, Response, Routing};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, BenchSetup>] = &[
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
];

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
        true => format!("{}, each: {name}", words::count(recycled.len(), "type")),
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
        "{} of {}, after one more {after}",
        words::count(before, "bill"),
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
