//! Checks of JUST RESET at any moment: whatever a peripheral was doing, money stays right.

use super::bench::{BILL, BoardBench, CHANGER, READER};
use super::habit::{Memory, Said};
use super::{BoardSetup, Entry, entry, than_right};
use crate::check::{Run, Seen};
use crate::device::habit::Habits;
use payrig_units::{Micros, Money, words};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "reset-with-credit",
        "Keeps the credit when the changer resets",
        "1.00 comes back though the changer said JUST RESET in between",
        "Appendix 3, section 4",
        "A brown-out of the changer changes the credit: credit is the board's, not the changer's.",
        Rule,
        with_credit,
        None,
        "pays-nothing-after-reset",
        "pays nothing once the changer was reset",
        |s| s.habits.says = Some(|m, c| {
            note_reset(m);
            match c {
                [0x0D, ..] if m.count > 1 => Said::Instead(vec![0x0B]),
                _ => Said::AsIs,
            }
        })
    ),
    entry!(
        "reset-in-delivery",
        "Pays the right change when the changer resets in mid delivery",
        "1.00 for an item of 0.65: 0.35 comes back",
        "Appendix 3, section 4",
        "A brown-out changes what is paid: do not begin anew what is half done.",
        Rule,
        in_delivery,
        None,
        "pays-double-after-reset",
        "orders each coin twice once the changer was reset",
        |s| s.habits.says = Some(|m, c| {
            note_reset(m);
            match c {
                [0x0D, order] if m.count > 1 => Said::Changed(vec![0x0D, doubled(*order)]),
                _ => Said::AsIs,
            }
        })
    ),
    entry!(
        "reset-in-payout",
        "Pays no coin twice when the changer resets in mid payout",
        "3.00 are owed: exactly 3.00 come back in the end",
        "5.3, DISPENSE, Appendix 3, section 3",
        "A brown-out in a payout pays twice, or ends it: count what came out by TUBE STATUS.",
        Rule,
        in_payout,
        None,
        "pays-again-after-reset",
        "repeats its last DISPENSE once the changer was reset",
        |s| s.habits.says = Some(|m, c| {
            if let [0x0D, ..] = c {
                m.kept = c.to_vec();
            }
            if note_reset(m) && m.count > 1 && !m.kept.is_empty() {
                return Said::Instead(m.kept.clone());
            }
            Said::AsIs
        })
    ),
    entry!(
        "reset-in-escrow",
        "Credits no bill that a reset gave back",
        "the validator resets with 1.00 in escrow and gives it back: no money more or less",
        "6.3, RESET, Appendix 3, section 4",
        "Bills are credited and given back: credit a bill when it is stacked.",
        Rule,
        in_escrow,
        Some(deaf_to_escrow),
        "credits-bill-at-reset",
        "takes a validator's reset for a stacked bill",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x33] && d.first() == Some(&0x06) {
                m.count += 1;
                if m.count > 1 {
                    d.insert(0, 0x80);
                }
            }
        })
    ),
    entry!(
        "reset-in-session",
        "Ends a session when the reader resets",
        "no VEND REQUEST until there is a new card",
        "7.4.1, Appendix 3, section 4",
        "The board sells on a card that is gone: forget the session at JUST RESET.",
        Rule,
        in_session,
        None,
        "session-outlives-reset",
        "takes no notice of JUST RESET in a session",
        |s| s.habits.hears = Some(|m, c, d| {
            match (c, d.as_slice()) {
                ([0x12], [0x03, ..]) => m.count = 1,
                ([0x12], [0x00]) if m.count == 1 => d.clear(),
                _ => {}
            }
        })
    ),
    entry!(
        "reset-in-vend",
        "Sells nothing when the reader resets before it decides",
        "no item, and nothing paid by the card",
        "7.4.1, Appendix 3, section 4",
        "Items are given away: only VEND APPROVED is an approval.",
        Rule,
        in_vend,
        Some(slow_decision),
        "sells-at-reset",
        "takes a reset in mid vend for an approval",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x12] && *d == [0x00] && m.commands.contains_key(&0x13) {
                *d = vec![0x05, 0x00, 0x0D];
            }
        })
    ),
    entry!(
        "reset-after-approval",
        "Is clear about a vend when the reader resets after its approval",
        "an item that was paid falls; the next card can buy",
        "7.4.1, 7.4.7, Appendix 3, section 4",
        "Customers pay for nothing, or cards stay off: finish the vend, then set up again.",
        Rule,
        after_approval,
        None,
        "no-cards-after-reset",
        "hears of no card once the reader was reset",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x12] && d.first() == Some(&0x00) && m.commands.contains_key(&0x13) {
                m.count = 1;
            }
            if c == [0x12] && d.first() == Some(&0x03) && m.count == 1 {
                d.clear();
            }
        })
    ),
];

/// Counts JUST RESETs of the changer in `count`; true at each.
fn note_reset(m: &mut Memory) -> bool {
    let told = m
        .last_data
        .get(&CHANGER)
        .is_some_and(|d| *d == [0x0B, 0x0B]);
    if told {
        m.last_data.remove(&CHANGER);
        m.count += 1;
    }
    told
}

/// A DISPENSE of twice the coins, fifteen at most.
pub(super) fn doubled(order: u8) -> u8 {
    let coins = (order >> 4).saturating_mul(2).min(15);
    coins << 4 | order & 0x0F
}

fn slow_decision(s: &mut BoardSetup) {
    s.cashless.approve_delay = Micros::secs(3);
}

/// Presses the return and says what the customer has more than at the start.
fn balance(b: &mut BoardBench) -> Money {
    b.press_return();
    b.secs(12);
    b.customer()
}

fn with_credit(b: &mut BoardBench) -> Run {
    b.ready();
    b.coin(3);
    b.secs(2);
    b.changer_do(|c, now| c.reset_itself(now));
    b.secs(8);
    let back = balance(b).saturating_add(Money(100));
    let text = format!("{} of 1.00 came back", b.show(back));
    Ok(Seen::judge(back == Money(100), text))
}

fn in_delivery(b: &mut BoardBench) -> Run {
    b.ready();
    b.coin(3);
    b.secs(2);
    b.select(11);
    b.wait(Micros::ms(500));
    b.changer_do(|c, now| c.reset_itself(now));
    b.secs(15);
    let balance = balance(b).saturating_add(b.sold());
    let text = format!(
        "{} sold; in the end the customer has {}",
        b.delivered().len(),
        than_right(b, balance)
    );
    Ok(Seen::judge(
        balance.is_zero() && b.delivered().len() == 1,
        text,
    ))
}

fn in_payout(b: &mut BoardBench) -> Run {
    let from = b.ready();
    for _ in 0..3 {
        b.coin(3);
        b.secs(1);
    }
    b.secs(2);
    b.press_return();
    let paying = |b: &BoardBench| b.count(from, CHANGER, "DISPENSE") > 0;
    if !b.until_so(Micros::secs(10), paying) {
        return Ok(Seen::cannot_tell("no payout began"));
    }
    let half = |b: &BoardBench| b.customer() > Money(-300);
    b.until_so(Micros::secs(5), half);
    b.changer_do(|c, now| c.reset_itself(now));
    b.secs(20);
    let balance = balance(b);
    let text = format!(
        "of 3.00 owed the customer has in the end {}",
        than_right(b, balance)
    );
    Ok(Seen::judge(balance.is_zero(), text))
}

/// A validator that holds a bill and does not hear what is to become of it.
fn deaf_to_escrow(s: &mut BoardSetup) {
    let habits = Habits {
        deaf_to: Some(|command| matches!(command, [0x35, ..])),
        ..Habits::default()
    };
    s.device_habits.insert(BILL, habits);
}

fn in_escrow(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.bill(0);
    let ordered = |b: &BoardBench| b.count(from, BILL, "ESCROW") > 0;
    if !b.until_so(Micros::secs(8), ordered) {
        return Ok(Seen::cannot_tell("no ESCROW was ordered for the bill"));
    }
    b.wait(Micros::ms(50));
    let from = b.now();
    blink(b, BILL);
    b.secs(12);
    let balance = balance(b);
    let again = b.count(from, BILL, "SETUP");
    let text = format!(
        "the bill came back, and in the end the customer has {}; SETUP {again}",
        than_right(b, balance),
        again = words::times(again)
    );
    Ok(Seen::judge(balance.is_zero() && again > 0, text))
}

fn blink(b: &mut BoardBench, address: u8) {
    b.power(address, false);
    b.wait(Micros::ms(300));
    b.power(address, true);
}

fn in_session(b: &mut BoardBench) -> Run {
    b.ready();
    b.card(Some(1_000));
    b.secs(2);
    let from = b.now();
    blink(b, READER);
    b.secs(3);
    b.select(11);
    b.secs(8);
    let asked = b.count(from, READER, "VEND REQUEST");
    let again = b.count(from, READER, "READER ENABLE");
    let text = format!(
        "VEND REQUEST {asked}, READER ENABLE {again}",
        asked = words::times(asked),
        again = words::times(again)
    );
    Ok(Seen::judge(asked == 0 && again > 0, text))
}

fn in_vend(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.select(11);
    let asked = |b: &BoardBench| b.count(from, READER, "VEND REQUEST") > 0;
    if !b.until_so(Micros::secs(5), asked) {
        return Ok(Seen::cannot_tell("no VEND REQUEST"));
    }
    b.wait(Micros::ms(500));
    blink(b, READER);
    b.secs(15);
    let (fell, paid) = (b.delivered().len(), b.card_paid());
    let text = format!(
        "{fell}, {} paid by the card",
        b.show(paid),
        fell = words::count(fell, "item")
    );
    Ok(Seen::judge(fell == 0 && paid.is_zero(), text))
}

fn after_approval(b: &mut BoardBench) -> Run {
    b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.select(11);
    if !b.until_so(Micros::secs(5), |b| !b.card_paid().is_zero()) {
        return Ok(Seen::cannot_tell("no vend was approved"));
    }
    b.wait(Micros::ms(300));
    blink(b, READER);
    b.secs(12);
    let first = b.delivered().len();
    b.card(Some(1_000));
    b.secs(2);
    b.select(12);
    b.secs(10);
    let second = b.delivered().len() - first;
    let text = format!(
        "{first} for the first card, {second} for the second",
        first = words::count(first, "item")
    );
    Ok(Seen::judge(first == 1 && second == 1, text))
}
