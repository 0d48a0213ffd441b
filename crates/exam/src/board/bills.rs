//! Checks of what a board does with bills, and with mixed scaling and currency codes.

use super::bench::{BILL, BoardBench, CHANGER};
use super::habit::Said;
use super::{BoardSetup, Entry, entry, refunds};
use crate::check::{COMMON_PRACTICE, Run, Seen};
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::{Address, CurrencyCode};
use payrig_peripherals::bill::Fault as BillFault;
use payrig_units::{Place, words};
use payrig_wire::Source;

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "bill-stacked-and-credited",
        "Stacks a bill from escrow and credits it",
        "1.00 stacked, 1.00 comes back in coins",
        "6.3, ESCROW",
        "Bills are refused, or not credited.",
        Rule,
        stacked,
        None,
        "returns-bills",
        "returns every bill from escrow",
        |s| s.habits.says = Some(|_, c| match c {
            [0x35, _] => Said::Changed(vec![0x35, 0x00]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "escrow-decided",
        "Decides on a bill in escrow",
        "ESCROW within 5 s of ESCROW POSITION",
        "6.3, POLL, note 2",
        "A bill that is not decided on comes back or is credited too soon: order ESCROW, credit it when it is stacked.",
        Rule,
        decided,
        None,
        "credits-in-escrow",
        "takes a bill in escrow for stacked",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x33] {
                for b in d.iter_mut().filter(|b| (0x90..0xA0).contains(*b)) {
                    *b &= 0x8F;
                }
            }
        })
    ),
    entry!(
        "bill-credited-once",
        "Credits a bill once when its ACK was lost",
        "1.00 reported twice: 1.00 comes back",
        "Appendix 3, section 3, condition 2",
        "A noisy bus makes money: tell repetitions from new bills.",
        Rule,
        once,
        None,
        "credits-repeated-bills",
        "takes a repeated report for a new bill",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x33] && d.iter().any(|b| (0x80..0x90).contains(b)) {
                m.count += 1;
                // The other bill of the same kind of report: it cannot be told as a repetition.
                if m.count > 1 {
                    *d = vec![0x81];
                }
            }
        })
    ),
    entry!(
        "paper-not-credited",
        "Credits no rejected paper",
        "nothing comes back on return",
        "6.3, POLL, 0BH",
        "Status codes make money: read the report's code.",
        Rule,
        paper,
        None,
        "credits-rejected-paper",
        "takes BILL REJECTED for a bill",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x33] {
                for b in d.iter_mut().filter(|b| **b == 0x0B) {
                    *b = 0x80;
                }
            }
        })
    ),
    entry!(
        "jam-not-credited",
        "Credits nothing for a jam",
        "nothing comes back, the validator is still polled",
        "6.3, POLL, 05H",
        "Status codes make money: read the report's code.",
        Rule,
        jam,
        None,
        "credits-jams",
        "takes VALIDATOR JAMMED for a bill",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x33] {
                for b in d.iter_mut().filter(|b| **b == 0x05) {
                    *b = 0x80;
                }
            }
        })
    ),
    entry!(
        "cash-box-out-borne",
        "Goes on while the cash box is out",
        "the validator is polled for 10 s",
        "6.3, POLL, 08H",
        "The validator stays dead after service: keep polling.",
        Rule,
        cash_box,
        None,
        "stops-at-cash-box",
        "polls no more once the cash box is out",
        |s| s.habits.says = Some(|m, c| {
            let out = |d: &Vec<u8>| d.split_last().is_some_and(|(_, d)| d.contains(&0x08));
            if m.last_data.get(&BILL).is_some_and(out) {
                m.count = 1;
            }
            if m.count == 1 && c == [0x33] {
                Said::Nothing
            } else {
                Said::AsIs
            }
        })
    ),
    entry!(
        "large-bill-refused",
        "Refuses a bill too large for its change",
        "20.00 comes back while the tubes hold less",
        COMMON_PRACTICE,
        "The tubes are emptied or customers lose change: hold it off.",
        Rule,
        large,
        None,
        "takes-large-bills",
        "takes bills of any size",
        |s| s.habits.says = Some(|_, c| match c {
            [0x34, ..] => Said::Changed(vec![0x34, 0x00, 0x0F, 0x00, 0x0F]),
            [0x35, ..] => Said::Changed(vec![0x35, 0x01]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "mixed-scaling",
        "Adds money of different scaling factors",
        "a coin of 0.25 and a bill of 1.00: 1.25 comes back",
        "Appendix 3, section 4",
        "Credit is wrong: use each peripheral's own factor.",
        Rule,
        mixed,
        None,
        "one-scaling-for-all",
        "uses a tenth of the validator's scaling factor",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x31]
                && let Some(factor) = d.get_mut(4)
            {
                *factor /= 10;
            }
        })
    ),
    entry!(
        "mixed-currency-codes",
        "Bears different forms of the country code",
        "a changer with a telephone code: 0.25 comes back",
        "Appendix 3, section 4",
        "Older changers are refused: do not compare codes.",
        Rule,
        codes,
        Some(telephone),
        "compares-codes",
        "refuses a changer with another code",
        |s| s.habits.says = Some(|m, c| {
            if m.last_data
                .get(&CHANGER)
                .is_some_and(|d| d.starts_with(&[0x03, 0x00, 0x01]))
            {
                m.count = 1;
            }
            let changer = c.first().is_some_and(|b| (0x08..0x10).contains(b));
            if m.count == 1 && changer {
                Said::Nothing
            } else {
                Said::AsIs
            }
        })
    ),
];

fn telephone(s: &mut BoardSetup) {
    s.changer.currency = CurrencyCode([0x00, 0x01]);
}

fn kept(b: &BoardBench) -> payrig_units::Money {
    b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)))
}

fn stacked(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill(0);
    b.secs(8);
    if kept(b).as_minor() != 100 {
        return Ok(Seen::fail(format!("{} of 1.00 kept", b.show(kept(b)))));
    }
    refunds(b, 100)
}

fn decided(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.bill(0);
    b.secs(8);
    let orders = b.count(from, BILL, "ESCROW");
    Ok(Seen::judge(
        orders > 0,
        format!("ESCROW {orders}", orders = words::times(orders)),
    ))
}

fn once(b: &mut BoardBench) -> Run {
    b.ready();
    // The first ACK is that of ESCROW POSITION.
    b.fault(Fault {
        kind: FaultKind::Deaf,
        from: Source::Master,
        frame: FrameKind::Ack,
        address: Some(Address::BILL_VALIDATOR),
        skip: 1,
        count: 1,
    });
    b.bill(0);
    b.secs(8);
    refunds(b, 100)
}

fn paper(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill_do(|v, now| {
        v.insert_unknown_paper(now);
    });
    b.secs(8);
    refunds(b, 0)
}

fn jam(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill_do(|v, now| v.break_down(now, BillFault::Jam));
    let from = b.now();
    b.secs(5);
    if b.count(from, BILL, "POLL") < 10 {
        return Ok(Seen::fail("the validator is not polled any more"));
    }
    refunds(b, 0)
}

fn cash_box(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill_do(|v, now| v.remove_cash_box(now));
    b.secs(2);
    let from = b.now();
    b.secs(10);
    let polls = b.count(from, BILL, "POLL");
    Ok(Seen::judge(
        polls > 30,
        format!("{polls} in 10 s", polls = words::count(polls, "POLL")),
    ))
}

fn large(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill(3);
    b.secs(12);
    let kept = kept(b);
    Ok(Seen::judge(
        kept.is_zero(),
        format!("{} kept", b.show(kept)),
    ))
}

fn mixed(b: &mut BoardBench) -> Run {
    b.ready();
    b.coin(2);
    b.secs(3);
    b.bill(0);
    b.secs(8);
    refunds(b, 125)
}

fn codes(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    b.coin(2);
    b.secs(3);
    refunds(b, 25)
}
