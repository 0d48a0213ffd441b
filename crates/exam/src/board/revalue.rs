//! Checks of putting cash on a card, where a board does that (section 7.4.18, 7.4.19).

use super::bench::{BILL, BoardBench};
use super::habit::Said;
use super::{BoardSetup, Entry, entry, refunds};
use crate::check::{Run, Seen};
use payrig_units::{Money, Place};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "revalue-limit-first",
        "Asks what a card takes before it keeps a bill for it",
        "REVALUE LIMIT REQUEST before ESCROW and REVALUE REQUEST",
        "7.4.19, Appendix 3, section 4",
        "Bills are kept that the card cannot take: ask for the limit first.",
        Rule,
        limit_first,
        Some(takes_money),
        "revalues-without-asking",
        "sends REVALUE REQUEST where REVALUE LIMIT REQUEST belongs",
        |s| s.habits.says = Some(|_, c| match c {
            [0x15, 0x01] => Said::Changed(vec![0x15, 0x00, 0x00, 0x14]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "revalue-in-full",
        "Puts all of the cash on the card",
        "1.00 in coins: the card has 1.00 more, and no coin comes back",
        "7.4.18, Appendix 3, section 4",
        "Cash disappears on its way to the card: see the reader's scaling.",
        Rule,
        in_full,
        Some(takes_money),
        "revalues-half",
        "asks for half of the cash only",
        |s| s.habits.says = Some(|_, c| match c {
            [0x15, 0x00, h, l] => Said::Changed(vec![0x15, 0x00, *h, l / 2]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "revalue-denied-keeps-cash",
        "Keeps cash as credit when the card does not take it",
        "1.00 comes back in coins after REVALUE DENIED",
        "7.4.18, Appendix 3, section 4",
        "Customers lose what a full card does not take: it stays cash.",
        Rule,
        denied,
        Some(full_card),
        "takes-denied-for-approved",
        "takes REVALUE DENIED for REVALUE APPROVED",
        |s| s.habits.hears = Some(|m, _, d| {
            if *d == [0x0E] {
                m.count += 1;
                // First the limit, then the request.
                *d = if m.count == 1 {
                    vec![0x0F, 0x00, 0xFF]
                } else {
                    vec![0x0D]
                };
            }
        })
    ),
];

fn takes_money(s: &mut BoardSetup) {
    s.board.cashless.revalue = true;
    s.cashless.max_balance = Some(Money(5_000));
}

fn full_card(s: &mut BoardSetup) {
    s.board.cashless.revalue = true;
    s.cashless.max_balance = Some(Money(1_000));
}

fn first(b: &BoardBench, sub: u8) -> Option<payrig_units::Micros> {
    let mut of = b.lines().iter().filter(|l| l.is_command());
    of.find(|l| l.bytes.starts_with(&[0x15, sub])).map(|l| l.at)
}

/// The end of a check when the board puts no cash on cards.
fn revalues(b: &BoardBench) -> Result<(), Seen> {
    match (first(b, 0), first(b, 1)) {
        (None, None) => Err(Seen::skipped("this board puts no cash on cards")),
        _ => Ok(()),
    }
}

fn limit_first(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.bill(0);
    b.secs(8);
    revalues(b)?;
    let limit = first(b, 1);
    let stacked = b.since(from).find(|l| l.is(BILL, "ESCROW")).map(|l| l.at);
    let request = first(b, 0);
    let before = |at: Option<payrig_units::Micros>| match (limit, at) {
        (Some(limit), Some(at)) => limit < at,
        (None, at) => at.is_none(),
        (Some(_), None) => true,
    };
    let text = match limit {
        None => "the limit was never asked for".to_owned(),
        Some(at) => format!("the limit was asked for at {at}"),
    };
    Ok(Seen::judge(
        limit.is_some() && before(stacked) && before(request),
        text,
    ))
}

fn account(b: &BoardBench) -> Money {
    b.sum(|p| matches!(p, Place::CardAccount(_)))
}

fn in_full(b: &mut BoardBench) -> Run {
    b.ready();
    b.card(Some(1_000));
    b.secs(3);
    let before = account(b);
    b.coin(3);
    b.secs(8);
    revalues(b)?;
    let more = account(b).saturating_sub(before);
    b.press_return();
    b.secs(8);
    let missing = -b.customer();
    let text = format!(
        "{} more on the card, {} less in cash",
        b.show(more),
        b.show(missing)
    );
    Ok(Seen::judge(more == Money(100) && missing == more, text))
}

fn denied(b: &mut BoardBench) -> Run {
    b.ready();
    b.card(Some(1_000));
    b.secs(3);
    b.coin(3);
    b.secs(8);
    revalues(b)?;
    b.take_card();
    b.secs(3);
    refunds(b, 100)
}
