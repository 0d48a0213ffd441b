//! Stacker, paper, cash box, jams, bills in a row.

use super::{
    accept, feed, first_bill, is, routed, stacked, stacker, start, start_with_escrow, wait_for,
    watch, watch_bill,
};
use crate::check::{COMMON_PRACTICE, Check, Quirk, Run, Seen, Weight};
use crate::device::checks::common::order;
use crate::device::habit::Context;
use crate::device::presumptions::Leeway;
use crate::device::typed;
use crate::device::{Bench, DeviceCheck, altered};
use payrig_bench::action::BillAction;
use payrig_mdb::bill::{BillTypes, Command, EscrowStatus, Report, Routing};
use payrig_peripherals::bill::Fault;
use payrig_units::Micros;

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "stacker-counts",
        title: "Counts the bills in its stacker",
        expected: "STACKER one higher after each bill",
        section: "6.3, STACKER",
        advice: "Accounts cannot be closed by its count. Check the stacker's sensor.",
        weight: Weight::Rule,
        quirk: Quirk::new("stacker-count-frozen", "STACKER never changes", |s| {
            s.habits.rewrite = Some(stacker_frozen)
        }),
        arrange: None,
        run: |b| {
            let setup = start(b, BillTypes::NONE)?;
            let (bill_type, _) = first_bill(&setup)?;
            let before = stacker(b)?.count;
            for _ in 0..2 {
                feed(b, bill_type)?;
            }
            let after = stacker(b)?.count;
            let text = format!("{before}, after two bills {after}");
            Ok(Seen::judge(after == before + 2, text))
        },
    },
    Check {
        id: "stacker-full-told",
        title: "Reports a full stacker",
        expected: "the full flag of STACKER; a bill fed then comes back, or is reported",
        section: "6.3, STACKER",
        advice: "Boards go on taking bills until it jams. Replace the stacker.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "stacker-full-never-reported",
            "never says that the stacker is full",
            |s| s.bill_quirks.stacker_full_never_reported = true,
        ),
        arrange: Some(|setup| setup.bill.stacker_capacity = 2),
        run: |b| {
            let setup = start(b, BillTypes::NONE)?;
            let (bill_type, _) = first_bill(&setup)?;
            b.works_from(Leeway::Room);
            match setup.stacker_capacity <= FILLED_BY_BILLS {
                true => {
                    for _ in 0..setup.stacker_capacity {
                        feed(b, bill_type)?;
                    }
                }
                false => b.act(b.at_validator(BillAction::FillStacker))?,
            }
            let before = stacked(b);
            // To disable bills then is the board's duty (6.8, the example of a stacker that is checked).
            let reported = routed(&feed(b, bill_type)?, Routing::Stacked).len();
            let taken = stacked(b) > before;
            let stacker = stacker(b)?;
            let text = format!(
                "room for {}; STACKER says {}, {}; one bill more {}",
                setup.stacker_capacity,
                stacker.count,
                if stacker.full { "full" } else { "not full" },
                match (taken, reported) {
                    (false, 0) => "came back",
                    (true, 1) => "was stacked and reported",
                    (true, 0) => "was stacked and not reported",
                    _ => "was reported otherwise than it went",
                }
            );
            let honest = reported == usize::from(taken);
            Ok(Seen::judge(stacker.full && honest, text))
        },
    },
    Check {
        id: "invalid-escrow-told",
        title: "Refuses an ESCROW order without a bill",
        expected: "INVALID ESCROW REQUEST",
        section: "6.3, POLL, 0AH",
        advice: "A board that lost track is not put right.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "invalid-escrow-unreported",
            "says nothing to a wrong ESCROW",
            |s| s.bill_quirks.invalid_escrow_unreported = true,
        ),
        arrange: None,
        run: |b| {
            start_with_escrow(b)?;
            let command = Command::Escrow(EscrowStatus::STACK);
            order(b, &command)?;
            let reports = watch(b, Micros::secs(2));
            let said = reports.contains(&Report::InvalidEscrowRequest);
            let text = if said {
                "INVALID ESCROW REQUEST"
            } else {
                "nothing said"
            };
            Ok(Seen::judge(said, text))
        },
    },
    Check {
        id: "paper-not-credited",
        title: "Credits no plain paper",
        expected: "the paper comes back, no bill reported",
        section: "6.3, POLL, 0BH",
        advice: "Clean its sensors. If that does not help, replace it.",
        weight: Weight::Money,
        quirk: Quirk::new("credits-paper", "reports paper as a bill", |s| {
            s.habits.rewrite = Some(credits_paper)
        }),
        arrange: None,
        run: |b| {
            start(b, BillTypes::NONE)?;
            b.act(b.paper())?;
            let reports = watch_bill(b);
            let credited = routed(&reports, Routing::Stacked).len();
            let said: Vec<String> = reports.iter().map(ToString::to_string).collect();
            let text = match said.is_empty() {
                true => "nothing reported".to_owned(),
                false => said.join("; "),
            };
            Ok(Seen::judge(credited == 0, text))
        },
    },
    Check {
        id: "cash-box-out-told",
        title: "Reports a missing cash box",
        expected: "CASHBOX OUT OF POSITION",
        section: "6.3, POLL, 08H",
        advice: "Bills fall into the machine. Check the cash box switch.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "hides-cash-box",
            "does not report a missing cash box",
            |s| {
                s.habits.rewrite =
                    Some(|c, bytes| altered::hides(c, bytes, Report::CashBoxOutOfPosition))
            },
        ),
        arrange: None,
        run: |b| reports_trouble(b, BillAction::RemoveCashBox, Report::CashBoxOutOfPosition),
    },
    Check {
        id: "jam-told",
        title: "Reports a jammed bill",
        expected: "VALIDATOR JAMMED",
        section: "6.3, POLL, 05H",
        advice: "Telemetry never learns of jams. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new("hides-jam", "does not report a jam", |s| {
            s.habits.rewrite = Some(|c, bytes| altered::hides(c, bytes, Report::ValidatorJammed))
        }),
        arrange: None,
        run: |b| reports_trouble(b, BillAction::Break(Fault::Jam), Report::ValidatorJammed),
    },
    Check {
        id: "disabled-said",
        title: "Says that it is disabled",
        expected: "VALIDATOR DISABLED while no bill type is enabled",
        section: "6.3, POLL, 09H",
        advice: "A board cannot see that its order was taken.",
        weight: Weight::Advice,
        quirk: Quirk::new("hides-disabled", "does not say that it is disabled", |s| {
            s.habits.rewrite = Some(|c, bytes| altered::hides(c, bytes, Report::ValidatorDisabled))
        }),
        arrange: None,
        run: |b| {
            start(b, BillTypes::NONE)?;
            accept(b, BillTypes::NONE, BillTypes::NONE)?;
            let said = wait_for(b, Micros::secs(2), |r| *r == Report::ValidatorDisabled).is_some();
            let text = if said {
                "VALIDATOR DISABLED"
            } else {
                "nothing said"
            };
            Ok(Seen::judge(said, text))
        },
    },
    Check {
        id: "bills-in-a-row",
        title: "Takes bills one after another",
        expected: "five bills fed in a row are all reported",
        section: COMMON_PRACTICE,
        advice: "Bills are lost in a row of them. Clean the path. If that does not help, replace \
                 it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "loses-every-third-bill",
            "does not report every third bill",
            |s| s.habits.rewrite = Some(loses_bills),
        ),
        arrange: None,
        run: |b| {
            let setup = start(b, BillTypes::NONE)?;
            let (bill_type, value) = first_bill(&setup)?;
            let mut reported = 0;
            for _ in 0..5 {
                reported += routed(&feed(b, bill_type)?, Routing::Stacked).len();
            }
            let there = stacked(b).as_minor() / value.as_minor().max(1);
            let text = format!("5 fed, {there} stacked, {reported} reported");
            let seen = Seen::judge(reported == 5 && there == 5, text);
            Ok(seen.beside(reported, 5))
        },
    },
];

/// A stacker of no more room than this is filled bill by bill; a person fills a larger one.
const FILLED_BY_BILLS: u16 = 10;

fn reports_trouble(b: &mut Bench, what: BillAction, wanted: Report) -> Run {
    start(b, BillTypes::NONE)?;
    watch(b, Micros::ms(500));
    b.act(b.at_validator(what))?;
    let said = wait_for(b, Micros::secs(3), |r| *r == wanted).is_some();
    let text = if said {
        wanted.name().to_owned()
    } else {
        "nothing said".to_owned()
    };
    Ok(Seen::judge(said, text))
}

fn stacker_frozen(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::frozen(context, bytes, &typed::Command::Bill(Command::Stacker));
}

/// Says that a bill of type 0 was stacked.
fn credits_paper(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::bill_reports(context, bytes, |reports| {
        for report in reports.iter_mut().filter(|r| **r == Report::BillRejected) {
            *report = Report::bill(Routing::Stacked, 0);
        }
    });
}

fn loses_bills(context: &Context<'_>, bytes: &mut Vec<u8>) {
    if context.count % 3 == 2 {
        let is_stacked = is(Routing::Stacked);
        altered::bill_reports(context, bytes, |reports| reports.retain(|r| !is_stacked(r)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
