//! Vends by card: prices, decisions, failures.

use super::super::bench::{BoardBench, READER};
use super::super::habit::Said;
use super::super::{BoardSetup, Entry, entry};
use super::{after_vend, card_sale, said};
use crate::check::{Run, Seen};
use payrig_peripherals::cashless::Policy;
use payrig_units::{Money, words};

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
    entry!(
        "price-asked",
        "Asks a card for the price",
        "VEND REQUEST of 13 counts of 0.05 for 0.65",
        "7.4.5",
        "Customers pay a wrong price: see the reader's scaling.",
        Rule,
        price_asked,
        None,
        "asks-more",
        "asks for one count more",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x00, h, l, rest @ ..] => {
                let mut out = vec![0x13, 0x00, *h, l + 1];
                out.extend(rest);
                Said::Changed(out)
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "price-not-divisible",
        "Asks for no price the reader cannot say",
        "with a scale factor of 10 nothing else than 0.65 is asked",
        "7.4.2, 7.4.5",
        "Customers pay a wrong price: refuse the sale.",
        Rule,
        not_divisible,
        Some(scale_10),
        "ignores-scaling",
        "takes every scale factor for 5",
        |s| s.habits.hears = Some(|_, _, d| {
            if let [0x01, _, _, _, scale, _, _, _] = d.as_mut_slice() {
                *scale = 5;
            }
        })
    ),
    entry!(
        "vend-success-said",
        "Tells that an item was delivered",
        "VEND SUCCESS after VEND APPROVED",
        "7.4.7",
        "Readers refund what was sold: tell the end of every vend.",
        Rule,
        |b| after_vend(b, "VEND SUCCESS"),
        None,
        "no-vend-success",
        "never says VEND SUCCESS",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x02, ..] => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "session-completed",
        "Ends a session after a vend",
        "SESSION COMPLETE",
        "7.4.9",
        "Readers stay in a session: end it.",
        Rule,
        |b| after_vend(b, "SESSION COMPLETE"),
        None,
        "no-session-complete",
        "never says SESSION COMPLETE",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x04] => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "denied-not-sold",
        "Sells nothing when the card denies",
        "no VEND SUCCESS after VEND DENIED, no item",
        "7.4.5",
        "Items are given away: read the answer.",
        Rule,
        denied,
        Some(denies),
        "sells-when-denied",
        "takes VEND DENIED for VEND APPROVED",
        |s| s.habits.hears = Some(|_, _, d| {
            if *d == [0x06] {
                *d = vec![0x05, 0x00, 0x0D];
            }
        })
    ),
    entry!(
        "approved-for-less",
        "Sells when less than the price is deducted",
        "VEND SUCCESS after VEND APPROVED of 0.55",
        "Appendix 3, section 4",
        "Discounts are refused: the amount is the reader's matter.",
        Rule,
        |b| after_vend(b, "VEND SUCCESS"),
        Some(discount),
        "refuses-discounts",
        "takes an approval for less for a denial",
        |s| s.habits.hears = Some(|_, _, d| {
            if matches!(d.as_slice(), [0x05, 0x00, n] if *n < 13) {
                *d = vec![0x06];
            }
        })
    ),
    entry!(
        "vend-failure-said",
        "Tells that an item was not delivered",
        "VEND FAILURE with a blocked motor",
        "7.4.8, Appendix 3, section 4",
        "Customers pay for nothing: say VEND FAILURE.",
        Rule,
        failure_said,
        None,
        "says-success-always",
        "says VEND SUCCESS for a failed vend",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x03] => Said::Changed(vec![0x13, 0x02, 0x00, 0x0B]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "card-money-not-paid-in-cash",
        "Pays no card money in cash",
        "no coin after a failed card vend and return",
        "Appendix 3, section 4",
        "Cards are turned into cash: refund on the card only.",
        Rule,
        no_cash,
        None,
        "pays-card-money",
        "pays coins after a failed card vend",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if m.commands.get(&0x13).is_some_and(|n| *n >= 2) && m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x0D, 0x12])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "vend-timed-out",
        "Gives up a vend that is never decided",
        "VEND CANCEL, SESSION COMPLETE or RESET within 40 s",
        "7.4.6, 7.5",
        "The machine hangs: cancel after the response time.",
        Rule,
        timed_out,
        Some(undecided),
        "waits-for-ever",
        "waits for ever for a decision",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x01 | 0x04] | [0x10] => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
];

fn scale_10(s: &mut BoardSetup) {
    s.cashless.scale = 10;
}

fn denies(s: &mut BoardSetup) {
    s.cashless.policy = Policy::Deny;
}

fn discount(s: &mut BoardSetup) {
    s.cashless.policy = Policy::ApproveLess(Money(10));
}

fn undecided(s: &mut BoardSetup) {
    s.cashless.quirks.never_answers_vend_request = true;
}

fn price_asked(b: &mut BoardBench) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    let asked = b.since(from).find(|l| l.is(READER, "VEND REQUEST"));
    let Some(&[high, low]) = asked.and_then(|l| l.bytes.get(2..4)) else {
        return Ok(Seen::fail("no VEND REQUEST"));
    };
    let price = u16::from_be_bytes([high, low]);
    let text = format!("asked for {} of 0.05", words::count(price, "count"));
    Ok(Seen::judge(price == 13, text))
}

fn not_divisible(b: &mut BoardBench) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    let asked = b.count(from, READER, "VEND REQUEST");
    let text = format!(
        "0.65 in steps of 0.10: VEND REQUEST {asked}",
        asked = words::times(asked)
    );
    Ok(Seen::judge(asked == 0, text))
}

fn denied(b: &mut BoardBench) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    let success = b.count(from, READER, "VEND SUCCESS");
    let fell = b.delivered().len();
    let text = format!(
        "VEND SUCCESS {success}, {fell}",
        success = words::times(success),
        fell = words::count(fell, "item")
    );
    Ok(Seen::judge(success == 0 && fell == 0, text))
}

fn failure_said(b: &mut BoardBench) -> Run {
    b.block_motor(11);
    let from = card_sale(b, Some(1_000), 11);
    said(b, from, "VEND FAILURE")
}

fn no_cash(b: &mut BoardBench) -> Run {
    b.block_motor(11);
    card_sale(b, Some(1_000), 11);
    b.secs(5);
    let before = b.customer();
    b.press_return();
    b.secs(8);
    let paid = b.customer().max(before);
    Ok(Seen::judge(
        paid.is_zero(),
        format!("{} paid in coins", b.show(paid)),
    ))
}

fn timed_out(b: &mut BoardBench) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    b.secs(35);
    let gave_up: Vec<&str> = ["VEND CANCEL", "SESSION COMPLETE", "RESET"]
        .into_iter()
        .filter(|name| b.count(from, READER, name) > 0)
        .collect();
    let text = match gave_up.is_empty() {
        true => "nothing for 40 s".to_owned(),
        false => gave_up.join(", "),
    };
    Ok(Seen::judge(!gave_up.is_empty(), text))
}
