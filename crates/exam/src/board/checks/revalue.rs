//! Cash put on a card, where a board does that (sections 7.4.18, 7.4.19).

use super::common::refunds;
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::What;
use crate::board::kit::{BillFor, Kit, Sum};
use crate::board::setup::BoardSetup;
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Seen, Weight};
use crate::skip::Skip;
use payrig_mdb::cashless::Level;
use payrig_units::{Micros, Money, Place};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "revalue-limit-first",
        title: "Asks what a card takes before it keeps a bill for it",
        expected: "REVALUE LIMIT REQUEST before ESCROW and REVALUE REQUEST",
        section: "7.4.19, Appendix 3, section 4",
        advice: "Bills are kept that the card cannot take: ask for the limit first.",
        weight: Weight::Money,
        arrange: Some(takes_money),
        run: |b| {
            let from = b.ready();
            b.rich_card();
            b.secs(2);
            b.bill(BillFor::Change);
            b.secs(8);
            revalues(b)?;
            let limit = first(b, What::RevalueLimitRequest);
            let stacked = b.since(from).find(|c| c.is(What::Escrow)).map(|c| c.at);
            let request = first(b, What::RevalueRequest);
            let before = |at: Option<Micros>| match (limit, at) {
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
        },
        quirk: Quirk::new(
            "revalues-without-asking",
            "sends REVALUE REQUEST where REVALUE LIMIT REQUEST belongs",
            |s| {
                s.bad.says = Some(|_, c| match c {
                    [0x15, 0x01] => Said::Changed(vec![0x15, 0x00, 0x00, 0x14]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "revalue-in-full",
        title: "Puts all of the cash on the card",
        expected: "{over} in coins: the card has {over} more, and no coin comes back",
        section: "7.4.18, Appendix 3, section 4",
        advice: "Cash disappears on its way to the card: see the reader's scaling.",
        weight: Weight::Money,
        arrange: Some(takes_money),
        run: |b| {
            b.ready();
            b.rich_card();
            b.secs(3);
            let before = account(b);
            let over = b.put_in(Sum::Over);
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
            Ok(Seen::judge(more == over && missing == more, text).beside(more, missing))
        },
        quirk: Quirk::new("revalues-half", "asks for half of the cash only", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x15, 0x00, h, l] => Said::Changed(vec![0x15, 0x00, *h, l / 2]),
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "revalue-denied-keeps-cash",
        title: "Keeps cash as credit when the card does not take it",
        expected: "{over} comes back in coins after REVALUE DENIED",
        section: "7.4.18, Appendix 3, section 4",
        advice: "Customers lose what a full card does not take: it stays cash.",
        weight: Weight::Money,
        arrange: Some(|s| {
            revalues_cards(s);
            s.cashless.max_balance = Some(Money(Kit::of(s).balance()));
        }),
        run: |b| {
            b.ready();
            b.rich_card();
            b.secs(3);
            let over = b.put_in(Sum::Over);
            b.secs(8);
            revalues(b)?;
            b.take_card();
            b.secs(3);
            refunds(b, over)
        },
        quirk: Quirk::new(
            "takes-denied-for-approved",
            "takes REVALUE DENIED for REVALUE APPROVED",
            |s| {
                s.bad.hears = Some(|m, _, d| {
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
            },
        ),
    },
];

/// The board puts cash on cards, and the reader is of a level that takes it.
fn revalues_cards(s: &mut BoardSetup) {
    s.board.cashless.revalue = true;
    s.cashless.level = s.cashless.level.max(Level::TWO);
}

fn takes_money(s: &mut BoardSetup) {
    revalues_cards(s);
    let most = Kit::of(s).balance().saturating_mul(5);
    s.cashless.max_balance = Some(Money(most));
}

fn first(b: &BoardBench, what: What) -> Option<Micros> {
    b.blocks().iter().find(|c| c.is(what)).map(|c| c.at)
}

/// The end of a check when the board puts no cash on cards.
fn revalues(b: &BoardBench) -> Result<(), Seen> {
    match (
        first(b, What::RevalueRequest),
        first(b, What::RevalueLimitRequest),
    ) {
        (None, None) if !b.habits().speaks(Level::TWO) => Err(Seen::skipped(Skip::NotOffered(
            "cash for a card (sections 7.4.18, 7.4.19), it speaks level 1 to card readers"
                .to_owned(),
        ))),
        (None, None) => Err(Seen::skipped("this board puts no cash on cards")),
        _ => Ok(()),
    }
}

fn account(b: &BoardBench) -> Money {
    b.sum(|p| matches!(p, Place::CardAccount(_)))
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
