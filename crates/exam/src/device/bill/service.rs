//! Stacker, paper, cash box, jams, bills in a row.

use super::super::bench::{Act, Bench};
use super::super::common::order;
use super::super::setup::Setup as BenchSetup;
use super::{
    BILL_TIME, accept, feed, first_bill, routed, stacked, stacker, start, start_with_escrow,
    wait_for, watch,
};
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_mdb::bill::{BillTypes, Command, EscrowStatus, Report, Routing};
use payrig_units::Micros;

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, BenchSetup>] = &[
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
        advice: "Clean its sensors. If that does not help, replace it.",
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
        advice: "Bills are lost in a row of them. Clean the path. If that does not help, replace it.",
        weight: Weight::Rule,
        quirk: "loses-every-third-bill",
        arrange: None,
        run: bills_in_a_row,
    },
];

fn small_stacker(setup: &mut BenchSetup) {
    setup.bill.stacker_capacity = 2;
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
