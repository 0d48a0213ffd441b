//! Checks of a bill validator.

use super::bench::{Act, Answer, Bench, Close, POLL_EVERY};
use super::common::{data, found, order, until_just_reset};
use super::setup::Setup as BenchSetup;
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_mdb::bill::{
    BillTypes, BillValue, Command, EscrowCapability, EscrowStatus, Report, Response, Routing,
    Setup, Stacker,
};
use payrig_units::{Micros, Money, Place};

/// From the inlet to a report: common practice, no source.
const BILL_TIME: Micros = Micros::secs(6);

pub(super) fn ask(b: &mut Bench, command: &Command) -> Result<Response, Seen> {
    let bytes = data(b, command.emit().bytes(), command.name())?;
    Response::parse(command, &bytes)
        .map_err(|error| Seen::fail(format!("{}: {error}", command.name())))
}

pub(super) fn setup(b: &mut Bench) -> Result<Setup, Seen> {
    match ask(b, &Command::Setup)? {
        Response::Setup(setup) => Ok(setup),
        other => Err(Seen::fail(format!("SETUP brought {other}"))),
    }
}

fn stacker(b: &mut Bench) -> Result<Stacker, Seen> {
    match ask(b, &Command::Stacker)? {
        Response::Stacker(stacker) => Ok(stacker),
        other => Err(Seen::fail(format!("STACKER brought {other}"))),
    }
}

pub(super) fn accept(b: &mut Bench, enable: BillTypes, escrow: BillTypes) -> Result<(), Seen> {
    let command = Command::BillType { enable, escrow };
    order(b, command.emit().bytes(), command.name())
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
    match setup.escrow {
        EscrowCapability::Capable => Ok(setup),
        _ => Err(Seen::skipped("this validator has no escrow")),
    }
}

fn reports_of(answer: &Answer) -> Vec<Report> {
    let parsed = answer.data().map(|d| Response::parse(&Command::Poll, d));
    match parsed {
        Some(Ok(Response::Poll(reports))) => reports,
        _ => Vec::new(),
    }
}

pub(super) fn poll(b: &mut Bench) -> Vec<Report> {
    let answer = b.ask(Command::Poll.emit().bytes());
    reports_of(&answer)
}

pub(super) fn watch(b: &mut Bench, time: Micros) -> Vec<Report> {
    let by = b.now() + time;
    let mut reports = Vec::new();
    while b.now() < by {
        reports.extend(poll(b));
        b.wait(POLL_EVERY);
    }
    reports
}

/// POLLs until a report is there, for so long at most.
pub(super) fn wait_for(
    b: &mut Bench,
    time: Micros,
    wanted: impl Fn(&Report) -> bool,
) -> Option<Report> {
    let by = b.now() + time;
    while b.now() < by {
        if let Some(found) = poll(b).into_iter().find(|r| wanted(r)) {
            return Some(found);
        }
        b.wait(POLL_EVERY);
    }
    None
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

fn small_stacker(setup: &mut BenchSetup) {
    setup.bill.stacker_capacity = 2;
}

/// The checks.
pub(super) const CHECKS: &[Check<Bench, BenchSetup>] = &[
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
    Check {
        id: "escrow-reported",
        title: "Reports a bill in escrow",
        expected: "ESCROW POSITION with its type",
        section: "6.3, POLL",
        advice: "The bill stays in escrow for ever, the customer waits. Replace it.",
        weight: Weight::Rule,
        quirk: "escrow-report-missing",
        arrange: None,
        run: escrow_reported,
    },
    Check {
        id: "escrow-waits-for-order",
        title: "Holds a bill in escrow until it is ordered",
        expected: "the bill neither stacked nor returned for 5 s",
        section: "6.3, ESCROW",
        advice: "The board cannot refuse a bill it has no change for. Replace it.",
        weight: Weight::Rule,
        quirk: "stacks-without-order",
        arrange: None,
        run: escrow_waits,
    },
    Check {
        id: "escrow-stack-obeyed",
        title: "Stacks the bill in escrow on order",
        expected: "BILL STACKED within 30 s, and the bill in the stacker",
        section: "6.3, ESCROW",
        advice: "Bills go back although the board took them. Check belts and stacker.",
        weight: Weight::Rule,
        quirk: "returns-on-stack-order",
        arrange: None,
        run: escrow_stack,
    },
    Check {
        id: "escrow-return-obeyed",
        title: "Returns the bill in escrow on order",
        expected: "BILL RETURNED within 30 s, and the bill with the customer",
        section: "6.3, ESCROW",
        advice: "Customers do not get their bill back. Check belts and inlet.",
        weight: Weight::Rule,
        quirk: "ignores-escrow-orders",
        arrange: None,
        run: escrow_return,
    },
    Check {
        id: "stacked-means-stacked",
        title: "Says BILL STACKED only when the bill is in the stacker",
        expected: "the bill in the stacker when the report comes",
        section: "6.3, POLL, note 2",
        advice: "A bill can be pulled back after it was credited. Do not install it.",
        weight: Weight::Rule,
        quirk: "reports-before-stacked",
        arrange: None,
        run: stacked_means_stacked,
    },
    Check {
        id: "reset-returns-escrow",
        title: "Returns the bill in escrow at RESET",
        expected: "the bill with the customer",
        section: "6.3, RESET",
        advice: "A reset swallows a bill. Do not install it.",
        weight: Weight::Rule,
        quirk: "reset-forgets-escrow",
        arrange: None,
        run: reset_returns_escrow,
    },
    Check {
        id: "bill-survives-reset",
        title: "Remembers a stacked bill over a RESET",
        expected: "a bill not yet reported is reported after the reset",
        section: "2.2",
        advice: "A reset at the wrong moment costs the customer a bill.",
        weight: Weight::Rule,
        quirk: "reset-forgets-reports",
        arrange: None,
        run: bill_survives_reset,
    },
    Check {
        id: "stacker-counts",
        title: "Counts the bills in its stacker",
        expected: "STACKER one higher after each bill",
        section: "6.3, STACKER",
        advice: "Accounts cannot be closed by its count. Check the stacker's sensor.",
        weight: Weight::Rule,
        quirk: "stacker-count-frozen",
        arrange: None,
        run: stacker_counts,
    },
    Check {
        id: "stacker-full-told",
        title: "Tells that the stacker is full",
        expected: "the full flag of STACKER, and no further bill taken",
        section: "6.3, STACKER",
        advice: "Bills are pressed in until it jams. Replace the stacker.",
        weight: Weight::Rule,
        quirk: "stacker-full-never-reported",
        arrange: Some(small_stacker),
        run: stacker_full,
    },
    Check {
        id: "invalid-escrow-told",
        title: "Refuses an ESCROW order without a bill",
        expected: "INVALID ESCROW REQUEST",
        section: "6.3, POLL, 0AH",
        advice: "A board that lost track is not put right.",
        weight: Weight::Advice,
        quirk: "invalid-escrow-unreported",
        arrange: None,
        run: invalid_escrow,
    },
    Check {
        id: "paper-not-credited",
        title: "Credits no plain paper",
        expected: "the paper comes back, no bill reported",
        section: "6.3, POLL, 0BH",
        advice: "Clean its sensors; then replace it.",
        weight: Weight::Rule,
        quirk: "credits-paper",
        arrange: None,
        run: paper,
    },
    Check {
        id: "cash-box-out-told",
        title: "Tells that the cash box is gone",
        expected: "CASHBOX OUT OF POSITION",
        section: "6.3, POLL, 08H",
        advice: "Bills fall into the machine. Check the cash box switch.",
        weight: Weight::Rule,
        quirk: "hides-cash-box",
        arrange: None,
        run: cash_box_out,
    },
    Check {
        id: "jam-told",
        title: "Tells that a bill is jammed",
        expected: "VALIDATOR JAMMED",
        section: "6.3, POLL, 05H",
        advice: "Telemetry never learns of jams. Update its software.",
        weight: Weight::Rule,
        quirk: "hides-jam",
        arrange: None,
        run: jam,
    },
    Check {
        id: "disabled-said",
        title: "Says that it is disabled",
        expected: "VALIDATOR DISABLED while no bill type is enabled",
        section: "6.3, POLL, 09H",
        advice: "A board cannot see that its order was taken.",
        weight: Weight::Advice,
        quirk: "hides-disabled",
        arrange: None,
        run: disabled_said,
    },
    Check {
        id: "bills-in-a-row",
        title: "Takes bills one after another",
        expected: "five bills fed in a row are all reported",
        section: COMMON_PRACTICE,
        advice: "Bills are lost in a row of them. Clean the path; then replace it.",
        weight: Weight::Rule,
        quirk: "loses-every-third-bill",
        arrange: None,
        run: bills_in_a_row,
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
        format!("{} bytes", bytes.len()),
    ))
}

/// Feeds a bill, without escrow, and gives all reports of its way.
fn feed(b: &mut Bench, bill_type: u8) -> Result<Vec<Report>, Seen> {
    b.act(Act::Bill(bill_type))?;
    Ok(watch(b, BILL_TIME))
}

fn each_bill_once(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let mut wrong = Vec::new();
    let used = used(&setup);
    for (bill_type, value) in &used {
        let seen = routed(&feed(b, *bill_type)?, Routing::Stacked);
        if seen != [*bill_type] {
            let times = seen.len();
            wrong.push(format!("{} reported {times} times", b.show(*value)));
        }
    }
    let text = match wrong.is_empty() {
        true => format!("{} bills fed, each reported once", used.len()),
        false => wrong.join("; "),
    };
    Ok(Seen::judge(wrong.is_empty(), text))
}

/// Feeds a bill while nobody polls, so that its report waits.
fn waiting_bill(b: &mut Bench) -> Result<u8, Seen> {
    let setup = start(b, BillTypes::NONE)?;
    let (bill_type, _) = first_bill(&setup)?;
    watch(b, Micros::ms(500));
    b.act(Act::Bill(bill_type))?;
    b.wait(BILL_TIME);
    Ok(bill_type)
}

fn bill_repeated(b: &mut Bench) -> Run {
    waiting_bill(b)?;
    let first = b.exchange(Command::Poll.emit().bytes(), Close::Silence);
    let first = routed(&reports_of(&first), Routing::Stacked);
    if first.is_empty() {
        return Ok(Seen::cannot_tell("no bill was reported"));
    }
    let again = routed(&poll(b), Routing::Stacked);
    let text = format!("reported once, after the lost ACK {} times", again.len());
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
        true => format!("{} types, each refused when it was off", used.len()),
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
    let text = format!("{} bills fed, {} taken", used.len(), b.show(taken));
    Ok(Seen::judge(taken.is_zero(), text))
}

fn into_escrow(b: &mut Bench) -> Result<(u8, Money, bool), Seen> {
    let setup = start_with_escrow(b)?;
    let (bill_type, value) = first_bill(&setup)?;
    watch(b, Micros::ms(500));
    b.act(Act::Bill(bill_type))?;
    let said = wait_for(b, BILL_TIME, is(Routing::EscrowPosition)).is_some();
    Ok((bill_type, value, said))
}

fn escrow_reported(b: &mut Bench) -> Run {
    let (_, value, said) = into_escrow(b)?;
    let text = format!(
        "ESCROW POSITION for {} {}",
        b.show(value),
        if said { "reported" } else { "not reported" }
    );
    Ok(Seen::judge(said, text))
}

fn escrow_waits(b: &mut Bench) -> Run {
    let (_, value, _) = into_escrow(b)?;
    watch(b, Micros::secs(5));
    let held = b.sum(|p| matches!(p, Place::Escrow(_)));
    let text = format!("{} of {} in escrow after 5 s", b.show(held), b.show(value));
    Ok(Seen::judge(held == value, text))
}

fn ordered(b: &mut Bench, what: EscrowStatus) -> Result<(Option<Report>, Money), Seen> {
    let (_, value, _) = into_escrow(b)?;
    let command = Command::Escrow(what);
    order(b, command.emit().bytes(), command.name())?;
    let end = |r: &Report| {
        is(Routing::Stacked)(r) || is(Routing::Returned)(r) || is(Routing::ToRecycler)(r)
    };
    Ok((wait_for(b, Micros::secs(30), end), value))
}

fn told(report: Option<Report>) -> String {
    report.map_or_else(|| "no report within 30 s".to_owned(), |r| r.to_string())
}

fn escrow_stack(b: &mut Bench) -> Run {
    let (report, value) = ordered(b, EscrowStatus::STACK)?;
    let good = report.is_some_and(|r| is(Routing::Stacked)(&r)) && stacked(b) == value;
    let held = stacked(b);
    let text = format!("{}; {} in the stacker", told(report), b.show(held));
    Ok(Seen::judge(good, text))
}

fn escrow_return(b: &mut Bench) -> Run {
    let (report, _) = ordered(b, EscrowStatus::RETURN)?;
    let good = report.is_some_and(|r| is(Routing::Returned)(&r)) && kept(b).is_zero();
    let held = kept(b);
    let text = format!("{}; {} kept", told(report), b.show(held));
    Ok(Seen::judge(good, text))
}

fn stacked_means_stacked(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let (bill_type, value) = first_bill(&setup)?;
    b.act(Act::Bill(bill_type))?;
    if wait_for(b, BILL_TIME, is(Routing::Stacked)).is_none() {
        return Ok(Seen::cannot_tell("BILL STACKED never came"));
    }
    let there = stacked(b);
    let text = format!(
        "{} of {} in the stacker when it was said",
        b.show(there),
        b.show(value)
    );
    Ok(Seen::judge(there == value, text))
}

fn reset_returns_escrow(b: &mut Bench) -> Run {
    let (_, value, _) = into_escrow(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    watch(b, BILL_TIME);
    let held = kept(b);
    let text = format!("{} of {} kept", b.show(held), b.show(value));
    Ok(Seen::judge(kept(b).is_zero(), text))
}

fn bill_survives_reset(b: &mut Bench) -> Run {
    let bill_type = waiting_bill(b)?;
    order(b, Command::Reset.emit().bytes(), "RESET")?;
    let seen = routed(&watch(b, BILL_TIME), Routing::Stacked);
    let said = seen.contains(&bill_type);
    let text = if said {
        "reported after the reset"
    } else {
        "never reported"
    };
    Ok(Seen::judge(said, text))
}

fn stacker_counts(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let (bill_type, _) = first_bill(&setup)?;
    let before = stacker(b)?.count;
    for _ in 0..2 {
        feed(b, bill_type)?;
    }
    let after = stacker(b)?.count;
    let text = format!("{before}, after two bills {after}");
    Ok(Seen::judge(after == before + 2, text))
}

fn stacker_full(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let (bill_type, value) = first_bill(&setup)?;
    let room = setup.stacker_capacity;
    for _ in 0..=room {
        feed(b, bill_type)?;
    }
    let stacker = stacker(b)?;
    let there = stacked(b).as_minor() / value.as_minor().max(1);
    let text = format!(
        "room for {room}, {there} in it; STACKER says {}, {}",
        stacker.count,
        if stacker.full { "full" } else { "not full" }
    );
    Ok(Seen::judge(stacker.full && there <= i64::from(room), text))
}

fn invalid_escrow(b: &mut Bench) -> Run {
    start_with_escrow(b)?;
    let command = Command::Escrow(EscrowStatus::STACK);
    order(b, command.emit().bytes(), command.name())?;
    let reports = watch(b, Micros::secs(2));
    let said = reports.contains(&Report::InvalidEscrowRequest);
    let text = if said {
        "INVALID ESCROW REQUEST"
    } else {
        "nothing said"
    };
    Ok(Seen::judge(said, text))
}

fn paper(b: &mut Bench) -> Run {
    start(b, BillTypes::NONE)?;
    b.act(Act::Paper)?;
    let reports = watch(b, BILL_TIME);
    let credited = routed(&reports, Routing::Stacked).len();
    let said: Vec<String> = reports.iter().map(ToString::to_string).collect();
    let text = match said.is_empty() {
        true => "nothing reported".to_owned(),
        false => said.join("; "),
    };
    Ok(Seen::judge(credited == 0, text))
}

fn told_of(b: &mut Bench, act: Act, wanted: Report) -> Run {
    start(b, BillTypes::NONE)?;
    watch(b, Micros::ms(500));
    b.act(act)?;
    let said = wait_for(b, Micros::secs(3), |r| *r == wanted).is_some();
    let text = if said {
        wanted.name().to_owned()
    } else {
        "nothing said".to_owned()
    };
    Ok(Seen::judge(said, text))
}

fn cash_box_out(b: &mut Bench) -> Run {
    told_of(b, Act::RemoveCashBox, Report::CashBoxOutOfPosition)
}

fn jam(b: &mut Bench) -> Run {
    told_of(b, Act::JamBill, Report::ValidatorJammed)
}

fn disabled_said(b: &mut Bench) -> Run {
    start(b, BillTypes::NONE)?;
    accept(b, BillTypes::NONE, BillTypes::NONE)?;
    let said = wait_for(b, Micros::secs(2), |r| *r == Report::ValidatorDisabled).is_some();
    let text = if said {
        "VALIDATOR DISABLED"
    } else {
        "nothing said"
    };
    Ok(Seen::judge(said, text))
}

fn bills_in_a_row(b: &mut Bench) -> Run {
    let setup = start(b, BillTypes::NONE)?;
    let (bill_type, value) = first_bill(&setup)?;
    let mut reported = 0;
    for _ in 0..5 {
        reported += routed(&feed(b, bill_type)?, Routing::Stacked).len();
    }
    let there = stacked(b).as_minor() / value.as_minor().max(1);
    let text = format!("5 fed, {there} stacked, {reported} reported");
    Ok(Seen::judge(reported == 5 && there == 5, text))
}
