//! Bills taken and reported, refused when they are off.

use super::super::bench::{Bench, Close};
use super::super::common::{data, found, order, until_just_reset};
use super::super::setup::Setup as BenchSetup;
use super::{
    accept, feed, kept, poll, reports_of, routed, setup, start, used, waiting_bill, watch,
};
use crate::check::{Check, Run, Seen, Weight};
use payrig_mdb::bill::{BillTypes, Command, Routing};
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, BenchSetup>] = &[
    Check {
        id: "bill-values",
        title: "Says what its bills are worth",
        expected: "level 1 or 2, a scaling factor, bill values in ascending order",
        section: "6.3, SETUP",
        advice: "Boards credit wrong amounts. Check its bill set and configuration.",
        weight: Weight::Rule,
        quirk: "scaling-zero",
        arrange: None,
        run: bill_values,
    },
    Check {
        id: "identification-length",
        title: "Answers the plain identification in its own length",
        expected: "29 bytes, without option bits",
        section: "6.3, 37H 00H",
        advice: "Level 1 boards refuse the answer. Update its software.",
        weight: Weight::Rule,
        quirk: "option-bytes-in-short-identification",
        arrange: None,
        run: identification_length,
    },
    Check {
        id: "each-bill-reported-once",
        title: "Reports each bill once",
        expected: "every bill type fed is reported as stacked exactly once, by its own type",
        section: "6.3, POLL",
        advice: "Boards credit too much or too little. Do not install it.",
        weight: Weight::Rule,
        quirk: "duplicate-report-after-ack",
        arrange: None,
        run: each_bill_once,
    },
    Check {
        id: "bill-repeated-after-lost-ack",
        title: "Repeats a bill whose report was not acknowledged",
        expected: "the same report at the next POLL",
        section: "2.2, Appendix 3, section 3",
        advice: "Customers lose bills on a noisy bus. Do not install it.",
        weight: Weight::Rule,
        quirk: "forgets-unacknowledged",
        arrange: None,
        run: bill_repeated,
    },
    Check {
        id: "disabled-bills-refused",
        title: "Refuses each bill that is disabled",
        expected: "one type off at a time: that one comes back",
        section: "6.3, BILL TYPE",
        advice: "It takes bills the board will not credit. Replace it.",
        weight: Weight::Rule,
        quirk: "accepts-disabled-bills",
        arrange: None,
        run: disabled_bills,
    },
    Check {
        id: "all-bills-off-after-reset",
        title: "Takes no bill after RESET",
        expected: "every bill comes back until BILL TYPE enables it",
        section: "6.3, RESET",
        advice: "Bills are taken while the board cannot credit them. Replace it.",
        weight: Weight::Rule,
        quirk: "stays-enabled",
        arrange: None,
        run: off_after_reset,
    },
];

fn bill_values(b: &mut Bench) -> Run {
    found(b);
    let setup = setup(b)?;
    let values: Vec<Money> = used(&setup).into_iter().map(|(_, v)| v).collect();
    let shown: Vec<String> = values.iter().map(|v| b.show(*v)).collect();
    let mut wrong = Vec::new();
    if !matches!(setup.level, 1 | 2) {
        wrong.push(format!("level {} is none of this standard", setup.level));
    }
    if setup.scaling.factor == 0 {
        wrong.push("the scaling factor is 0: bills are worth nothing".to_owned());
    }
    if values.is_empty() {
        wrong.push("no bill has a value".to_owned());
    }
    if values.iter().zip(values.iter().skip(1)).any(|(a, b)| a > b) {
        wrong.push("values do not ascend".to_owned());
    }
    let text = format!(
        "level {}, scaling factor {}, bills {}{}{}",
        setup.level,
        setup.scaling.factor,
        shown.join(" "),
        if wrong.is_empty() { "" } else { ": " },
        wrong.join(", ")
    );
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn identification_length(b: &mut Bench) -> Run {
    found(b);
    let command = Command::Identification;
    let bytes = data(b, command.emit().bytes(), command.name())?;
    Ok(Seen::judge(
        bytes.len() == 29,
        words::count(bytes.len(), "byte"),
    ))
}

fn each_bill_once(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let mut wrong = Vec::new();
    let used = used(&setup);
    for (bill_type, value) in &used {
        let seen = routed(&feed(b, *bill_type)?, Routing::Stacked);
        if seen != [*bill_type] {
            let times = seen.len();
            wrong.push(format!(
                "{} reported {times}",
                b.show(*value),
                times = words::times(times)
            ));
        }
    }
    let text = match wrong.is_empty() {
        true => format!(
            "{} fed, each reported once",
            words::count(used.len(), "bill")
        ),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn bill_repeated(b: &mut Bench) -> Run {
    waiting_bill(b)?;
    let first = b.exchange(Command::Poll.emit().bytes(), Close::Silence);
    let first = routed(&reports_of(&first), Routing::Stacked);
    if first.is_empty() {
        return Ok(Seen::cannot_tell("no bill was reported"));
    }
    let again = routed(&poll(b), Routing::Stacked);
    let text = format!(
        "reported once, after the lost ACK {}",
        words::times(again.len())
    );
    Ok(Seen::judge(again == first, text))
}

fn disabled_bills(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let mut wrong = Vec::new();
    let used = used(&setup);
    for (bill_type, value) in &used {
        let others = used.iter().filter(|(t, _)| t != bill_type);
        accept(b, others.map(|(t, _)| *t).collect(), BillTypes::NONE)?;
        let before = kept(b);
        let seen = routed(&feed(b, *bill_type)?, Routing::Stacked);
        if !seen.is_empty() || kept(b) != before {
            wrong.push(format!("{} taken while disabled", b.show(*value)));
        }
    }
    let text = match wrong.is_empty() {
        true => format!(
            "{}, each refused when it was off",
            words::count(used.len(), "type")
        ),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

fn off_after_reset(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    until_just_reset(b);
    watch(b, Micros::secs(1));
    let before = kept(b);
    let used = used(&setup);
    for (bill_type, _) in &used {
        feed(b, *bill_type)?;
    }
    let taken = kept(b).saturating_sub(before);
    let text = format!(
        "{} fed, {} taken",
        words::count(used.len(), "bill"),
        b.show(taken)
    );
    Ok(Seen::judge(taken.is_zero(), text))
}
