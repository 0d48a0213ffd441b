//! Cards and readers that go away, failed vends, items, displays, prices.

use super::super::bench::{BoardBench, READER};
use super::super::habit::Said;
use super::super::{BoardSetup, Entry, entry, than_right};
use super::buy;
use crate::check::{COMMON_PRACTICE, Run, Seen};
use payrig_units::{Money, words};

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
    entry!(
        "card-taken-in-session",
        "Sells nothing on a card that was taken out",
        "SESSION COMPLETE, and no item for a later selection",
        "7.3.2, 7.4.4, 04H",
        "Items are given away, or the next customer pays: end the session.",
        Rule,
        card_taken,
        None,
        "keeps-taken-cards",
        "takes no notice of a card that was taken out",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x12] && *d == [0x04] {
                d.clear();
            }
            if *d == [0x06] {
                *d = vec![0x05, 0x00, 0x0D];
            }
        })
    ),
    entry!(
        "reader-lost-in-session",
        "Sells for cash when the reader goes away in mid session",
        "0.35 of 1.00 comes back with the item",
        "2.4.3, Appendix 3, section 2",
        "A dead reader stops the machine: forget its session and go on.",
        Rule,
        reader_lost,
        None,
        "cash-off-without-reader",
        "credits no coins while the reader is away",
        |s| s.habits.hears = Some(|m, c, d| {
            let lost = m.silences.get(&READER).is_some_and(|n| *n > 0);
            if lost && c == [0x0B] && matches!(d.as_slice(), [0x40..=0x5F, _]) {
                d.clear();
            }
        })
    ),
    entry!(
        "failed-card-vend-refunded",
        "Has a failed card vend refunded",
        "the card has paid nothing after an item did not fall",
        "7.4.8, Appendix 3, section 4",
        "Customers pay for nothing: VEND FAILURE is what makes the reader refund.",
        Rule,
        |b| failed(b, &[11], 0),
        None,
        "keeps-failures-to-itself",
        "says nothing of a failed vend",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x03] => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "failure-in-multi-vend",
        "Tells of a failed vend in a session of several",
        "of two items one falls: the card has paid for one",
        "7.4.8, Appendix 3, section 4",
        "Customers pay for nothing: say VEND FAILURE for each vend that fails.",
        Rule,
        |b| failed(b, &[12, 11], 125),
        Some(several_vends),
        "success-for-all-after-one",
        "says VEND SUCCESS for every vend once one succeeded",
        |s| s.habits.says = Some(|m, c| match c {
            [0x13, 0x02, ..] => {
                m.count = 1;
                Said::AsIs
            }
            [0x13, 0x03] if m.count == 1 => Said::Changed(vec![0x13, 0x02, 0x00, 0x0B]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "item-number-told",
        "Tells the reader which item is bought",
        "VEND REQUEST and VEND SUCCESS with item 11",
        "7.4.5, 7.4.7, Appendix 3, section 4",
        "Discounts and statistics by item do not work: send the number of the selection.",
        Advice,
        item_number,
        None,
        "item-zero",
        "says item 0 for everything",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, sub @ (0x00 | 0x02), rest @ ..] => {
                let mut out = vec![0x13, *sub];
                out.extend(rest.iter().take(rest.len().saturating_sub(2)));
                out.extend([0, 0]);
                Said::Changed(out)
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "display-request-shown",
        "Shows what a reader wants shown",
        "the text of DISPLAY REQUEST on the display, where the board lends it",
        "7.4.4, 02H, Appendix 3, section 4",
        "Customers do not learn why a card is refused: show it, or tell the reader 0 columns.",
        Advice,
        shown,
        None,
        "shows-nothing-for-readers",
        "shows nothing a reader asks for",
        |s| s.habits.no_display = true
    ),
    entry!(
        "cash-and-card-add-up",
        "Takes the price once from cash and card together",
        "0.25 in coins and a card: both together have paid what was sold",
        "Appendix 3, section 4",
        "Customers pay twice: say which money is used first, and give back the rest.",
        Rule,
        mixed,
        None,
        "keeps-cash-beside-card",
        "pays no cash back after a card vend",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0D, ..] if m.commands.contains_key(&0x13) => Said::Instead(vec![0x0B]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "card-price-as-cash-price",
        "Sells at one price for cash and card",
        "an item of 0.65 costs the card 0.65",
        COMMON_PRACTICE,
        "If a discount or surcharge for cards is meant, leave it; else see the price list for cards.",
        Advice,
        one_price,
        None,
        "cheaper-by-card",
        "asks a card for 0.10 less",
        |s| s.habits.says = Some(|_, c| match c {
            [0x13, 0x00, h, l, rest @ ..] => {
                let mut out = vec![0x13, 0x00, *h, l.saturating_sub(2)];
                out.extend(rest);
                Said::Changed(out)
            }
            _ => Said::AsIs,
        })
    ),
];

fn several_vends(s: &mut BoardSetup) {
    (s.board.multi_vend, s.cashless.multivend) = (true, true);
}

fn card_taken(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.take_card();
    b.secs(5);
    let ended = b.count(from, READER, "SESSION COMPLETE");
    b.select(11);
    b.secs(8);
    let sold = b.delivered().len();
    let text = format!(
        "SESSION COMPLETE {ended}, {sold} afterwards",
        ended = words::times(ended),
        sold = words::count(sold, "item")
    );
    Ok(Seen::judge(ended > 0 && sold == 0, text))
}

fn reader_lost(b: &mut BoardBench) -> Run {
    b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.power(READER, false);
    b.secs(10);
    b.coin(3);
    b.secs(2);
    b.select(11);
    b.secs(12);
    b.press_return();
    b.secs(8);
    let gain = b.customer().saturating_add(b.sold());
    let sold = b.delivered().len();
    let text = format!("{sold} sold; the customer has {}", than_right(b, gain));
    Ok(Seen::judge(sold == 1 && gain.is_zero(), text))
}

fn failed(b: &mut BoardBench, items: &[u16], paid: i64) -> Run {
    b.ready();
    b.block_motor(11);
    b.card(Some(1_000));
    b.secs(2);
    for item in items {
        b.select(*item);
        b.secs(8);
    }
    b.press_return();
    b.secs(5);
    let text = format!(
        "{}, {} paid by the card",
        words::count(b.delivered().len(), "item"),
        b.show(b.card_paid())
    );
    Ok(Seen::judge(b.card_paid() == Money(paid), text))
}

fn item_number(b: &mut BoardBench) -> Run {
    let from = buy(b, 11);
    let vends = b.since(from).filter(|l| l.is_command());
    let vends = vends.filter(|l| matches!(l.bytes.as_slice(), [0x13, 0x00 | 0x02, ..]));
    // The item is at the end, before CHK.
    let items: Vec<u16> = vends
        .filter_map(|l| match l.bytes.as_slice() {
            [.., h, l, _] => Some(u16::from_be_bytes([*h, *l])),
            _ => None,
        })
        .collect();
    let good = items.len() >= 2 && items.iter().all(|i| *i == 11);
    let items: Vec<String> = items.iter().map(ToString::to_string).collect();
    let text = match items.is_empty() {
        true => "no item number".to_owned(),
        false => format!("item numbers {}", items.join(" and ")),
    };
    Ok(Seen::judge(good, text))
}

fn mixed(b: &mut BoardBench) -> Run {
    b.ready();
    b.coin(2);
    b.secs(2);
    b.card(Some(1_000));
    b.secs(2);
    b.select(11);
    b.secs(10);
    b.press_return();
    b.secs(8);
    let cash = -b.customer();
    let paid = cash.saturating_add(b.card_paid());
    let sold = b.sold();
    let text = format!(
        "goods of {}; {} paid in cash, {} by card",
        b.show(sold),
        b.show(cash),
        b.show(b.card_paid())
    );
    Ok(Seen::judge(paid == sold, text))
}

fn one_price(b: &mut BoardBench) -> Run {
    buy(b, 11);
    let paid = b.card_paid();
    let text = format!("the card paid {} for an item of 0.65", b.show(paid));
    Ok(Seen::judge(paid == Money(65), text))
}

fn shown(b: &mut BoardBench) -> Run {
    b.ready();
    let lent = b.lines().iter().filter(|l| l.is_command());
    let mut lent = lent.filter(|l| l.bytes.starts_with(&[0x11, 0x00]));
    let lent = lent.any(|l| l.bytes.get(3..5).is_some_and(|size| !size.contains(&0)));
    if !lent {
        return Ok(Seen::skipped("the board lends readers no display"));
    }
    b.reader_do(|r, now| {
        // 20 s, for somebody who has to look up.
        r.show(now, "TRY AGAIN", 200);
    });
    b.secs(2);
    let seen = b.showed("TRY AGAIN");
    let text = if seen { "shown" } else { "not shown" };
    Ok(Seen::judge(seen, text))
}
