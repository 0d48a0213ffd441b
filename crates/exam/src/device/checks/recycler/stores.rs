//! What goes into the stores, and how they are counted.

use super::{bills, fullest, pay, raised, start, status, stored, worth};
use crate::check::{Check, Quirk, Run, Seen, Weight};
use crate::device::checks::bill::{accept, routed, setup, used, watch};
use crate::device::checks::common::{ask, found};
use crate::device::habit::Context;
use crate::device::typed::{self, Request};
use crate::device::{Answer, Bench, DeviceCheck, altered};
use payrig_mdb::bill::{BillTypes, Command, Options, RecyclerUse, Report, Response, Routing};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "recycler-offered",
        title: "Says that it recycles, and what",
        expected: "the option bit of its identification, and a bill type in RECYCLER SETUP",
        section: "6.3, 37H 02H, 37H 03H",
        advice: "Boards use it as a plain validator. Check its configuration.",
        weight: Weight::Rule,
        quirk: Quirk::new("hides-recycler", "does not say that it recycles", |s| {
            s.habits.rewrite = Some(hides_recycler)
        }),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "recycler-silent-before-set-up",
        title: "Pays nothing before it is set up for it",
        expected: "DISPENSE BILL without FEATURE ENABLE and RECYCLER SETUP pays nothing",
        section: "6.1, 6.3, 37H 03H",
        advice: "A board that does not know of recycling can be made to pay. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "recycler-needs-no-setup",
            "obeys recycler orders before its set-up",
            |s| s.bill_quirks.recycler_needs_no_setup = true,
        ),
        arrange: None,
        run: |b| {
            found(b);
            setup(b)?;
            accept(b, BillTypes::ALL, BillTypes::NONE)?;
            let before = stored(b);
            let answers: Vec<Answer> = (0..16)
                .map(|t| {
                    let answer = b.ask(bills(t, 1).block().bytes());
                    watch(b, Micros::secs(1));
                    answer
                })
                .collect();
            watch(b, Micros::secs(5));
            let out = before.saturating_sub(stored(b));
            let answered = answers.iter().filter(|a| **a != Answer::Silence).count();
            let text = format!("16 orders, {answered} answered, {} paid", b.show(out));
            Ok(Seen::judge(out.is_zero() && answered == 0, text))
        },
    },
    Check {
        id: "recycler-fills",
        title: "Stores bills that are to be recycled",
        expected: "BILL TO RECYCLER for each type that is enabled, and the bill in its store",
        section: "6.3, 37H 04H",
        advice: "The stores stay empty and change runs out. Check RECYCLER ENABLE and the stores.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "says-stacked-for-recycled",
            "says BILL STACKED for bills in its stores",
            |s| s.habits.rewrite = Some(stacked_for_recycled),
        ),
        arrange: None,
        run: |b| each_way(b, RecyclerUse::All, Routing::ToRecycler),
    },
    Check {
        id: "recycler-off-stacks",
        title: "Stacks bills that are not to be recycled",
        expected: "BILL STACKED for each type that is not enabled for recycling",
        section: "6.3, 37H 04H",
        advice: "Bills are kept for change nobody wants to pay. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "says-recycled-for-stacked",
            "says BILL TO RECYCLER for bills in its stacker",
            |s| s.habits.rewrite = Some(recycled_for_stacked),
        ),
        arrange: None,
        run: |b| each_way(b, RecyclerUse::Disabled, Routing::Stacked),
    },
    Check {
        id: "dispense-status-follows",
        title: "Counts the bills in its stores",
        expected: "BILL DISPENSE STATUS one higher after a bill",
        section: "6.3, 37H 05H",
        advice: "Boards pay by wrong counts. Empty and refill the stores by its key.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "dispense-status-frozen",
            "BILL DISPENSE STATUS never changes",
            |s| s.habits.rewrite = Some(status_frozen),
        ),
        arrange: None,
        run: |b| {
            let (bill_type, value) = fullest(b, 1)?;
            let before = status(b)?.count(bill_type);
            b.act(b.bill(bill_type))?;
            watch(b, Micros::secs(6));
            let after = status(b)?.count(bill_type);
            let text = format!(
                "{} of {}, after one more {after}",
                words::count(before, "bill"),
                b.show(value)
            );
            Ok(Seen::judge(after == before.saturating_add(1), text))
        },
    },
    Check {
        id: "dispense-status-honest",
        title: "Holds as many bills as it says",
        expected: "a store emptied bill by bill gives the count it reported",
        section: "6.3, 37H 05H",
        advice: "Customers are short-changed by the last bills. Refill the stores by its key.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "tells-one-bill-more",
            "BILL DISPENSE STATUS reports one bill more than there is",
            |s| s.habits.rewrite = Some(one_more_in_store),
        ),
        arrange: None,
        run: |b| {
            let (setup, _) = start(b, RecyclerUse::All)?;
            let least = status(b)?
                .iter()
                .filter(|(_, n)| *n > 0)
                .min_by_key(|(_, n)| *n);
            let Some((bill_type, reported)) = least else {
                return Ok(Seen::cannot_tell("all stores are empty"));
            };
            let before = stored(b);
            for _ in 0..=reported {
                pay(b, &bills(bill_type, 1))?;
            }
            let value = worth(&setup, bill_type);
            let out = before.saturating_sub(stored(b)).as_minor() / value.as_minor().max(1);
            let text = format!(
                "store of {}: {reported} reported, {out} came out",
                b.show(value)
            );
            Ok(Seen::judge(out == i64::from(reported), text))
        },
    },
];

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
        b.act(b.bill(*bill_type))?;
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

fn hides_recycler(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::bill(context, bytes, |response| {
        if let Response::IdentificationWithOptions(_, options) = response {
            *options = Options(options.0 & !Options::RECYCLING.0);
        }
    });
}

fn rerouted(context: &Context<'_>, bytes: &mut Vec<u8>, from: Routing, to: Routing) {
    altered::bill_reports(context, bytes, |reports| {
        for report in reports {
            if let Report::Bill { routing, .. } = report
                && *routing == from
            {
                *routing = to;
            }
        }
    });
}

fn stacked_for_recycled(context: &Context<'_>, bytes: &mut Vec<u8>) {
    rerouted(context, bytes, Routing::ToRecycler, Routing::Stacked);
}

fn recycled_for_stacked(context: &Context<'_>, bytes: &mut Vec<u8>) {
    rerouted(context, bytes, Routing::Stacked, Routing::ToRecycler);
}

fn status_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::frozen(
        context,
        bytes,
        &typed::Command::Bill(Command::BillDispenseStatus),
    );
}

fn one_more_in_store(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::bill(context, bytes, |response| {
        if let Response::BillDispenseStatus { counts, .. } = response {
            *counts = raised(counts, 1);
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
