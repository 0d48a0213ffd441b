//! JUST RESET at any moment: the peripheral is set up again, and whatever it was doing, money stays
//! right.

use super::common::{blink, deaf, given, not_given, than_right, times, uses_escrow};
use crate::board::bad_habit::{Memory, Said};
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, READER, What};
use crate::board::kit::{BillFor, Pick, Sum};
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Seen, Weight};
use payrig_bench::action::ChangerAction;
use payrig_units::{Micros, Money, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "just-reset-sets-up",
        title: "Sets a changer up again after JUST RESET",
        expected: "SETUP and COIN TYPE within 5 s",
        section: "Appendix 3, section 4",
        advice: "Coins are refused after a brown-out: set up again.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready();
            b.at_changer(ChangerAction::ResetItself);
            b.secs(5);
            given(b, from, What::CoinType)
        },
        quirk: Quirk::new(
            "ignores-just-reset",
            "takes no notice of the changer's JUST RESET",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x0B] && *d == [0x0B] && m.commands.contains_key(&0x0C) {
                        d.clear();
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "just-reset-without-reset",
        title: "Answers JUST RESET without RESET",
        expected: "set-up, and no RESET",
        section: "Appendix 3, section 4",
        advice: "The peripheral is reset again and again: do not send RESET.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready_or_not();
            b.at_changer(ChangerAction::ResetItself);
            b.secs(8);
            not_given(b, from, What::Reset(CHANGER))
        },
        quirk: Quirk::new(
            "resets-on-just-reset",
            "sends the changer RESET on JUST RESET",
            |s| {
                s.bad.says = Some(|m, c| {
                    let told = m
                        .last_data
                        .get(&CHANGER)
                        .is_some_and(|d| *d == [0x0B, 0x0B]);
                    if told && c.first().is_some_and(|b| (0x08..0x10).contains(b)) {
                        Said::Instead(vec![0x08])
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "bill-validator-set-up-again",
        title: "Sets a bill validator up again after JUST RESET",
        expected: "BILL TYPE within 10 s",
        section: "Appendix 3, section 4",
        advice: "Bills are refused after a brown-out: set up again.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready();
            blink(b, BILL);
            b.secs(10);
            given(b, from, What::BillType)
        },
        quirk: Quirk::new(
            "ignores-bill-just-reset",
            "takes no notice of the validator's JUST RESET",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x33] && m.commands.contains_key(&0x34) {
                        d.retain(|b| *b != 0x06);
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "reader-set-up-again",
        title: "Sets a card reader up again after JUST RESET",
        expected: "READER ENABLE within 10 s",
        section: "Appendix 3, section 4",
        advice: "Cards are refused after a brown-out: set up again.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready();
            blink(b, READER);
            b.secs(10);
            given(b, from, What::ReaderEnable)
        },
        quirk: Quirk::new(
            "ignores-reader-just-reset",
            "takes no notice of the reader's JUST RESET",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x12] && *d == [0x00] && m.commands.contains_key(&0x14) {
                        d.clear();
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "reset-with-credit",
        title: "Keeps the credit when the changer resets",
        expected: "{over} comes back though the changer said JUST RESET in between",
        section: "Appendix 3, section 4",
        advice: "A brown-out of the changer changes the credit: credit is the board's, not the changer's.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let over = b.put_in(Sum::Over);
            b.secs(2);
            b.at_changer(ChangerAction::ResetItself);
            b.secs(8);
            let back = balance(b).saturating_add(over);
            let text = format!("{} of {} came back", b.show(back), b.show(over));
            Ok(Seen::judge(back == over, text).beside(back, over))
        },
        quirk: Quirk::new(
            "pays-nothing-after-reset",
            "pays nothing once the changer was reset",
            |s| {
                s.bad.says = Some(|m, c| {
                    note_reset(m);
                    match c {
                        [0x0D, ..] if m.count > 1 && m.cuts == 0 => Said::Instead(vec![0x0B]),
                        _ => Said::AsIs,
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "reset-in-delivery",
        title: "Pays the right change when the changer resets in mid delivery",
        expected: "{over} for an item of {price}: {change} comes back",
        section: "Appendix 3, section 4",
        advice: "A brown-out changes what is paid: do not begin anew what is half done.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            let over = b.put_in(Sum::Over);
            b.secs(2);
            b.select(Pick::Cheap);
            b.wait(Micros::ms(500));
            b.at_changer(ChangerAction::ResetItself);
            let most = b.habits().delivery + Micros::ms(13_500);
            b.within(most, |b| b.customer() > -over);
            b.payout_over();
            let balance = balance(b).saturating_add(b.sold());
            let text = format!(
                "{} sold; in the end the customer has {}",
                b.delivered().len(),
                than_right(b, balance)
            );
            Ok(
                Seen::judge(balance.is_zero() && b.delivered().len() == 1, text)
                    .beside(balance, Money::ZERO),
            )
        },
        quirk: Quirk::new(
            "pays-double-after-reset",
            "orders each coin twice once the changer was reset in a delivery",
            |s| {
                s.bad.says = Some(|m, c| {
                    // In `count`: it was reset while the motor turned.
                    let told = m
                        .last_data
                        .get(&CHANGER)
                        .is_some_and(|d| *d == [0x0B, 0x0B]);
                    if told && m.delivering {
                        m.count = 1;
                    }
                    match c {
                        [0x0D, order] if m.count == 1 => Said::Changed(vec![0x0D, doubled(*order)]),
                        _ => Said::AsIs,
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "reset-in-payout",
        title: "Pays no coin twice when the changer resets in mid payout",
        expected: "{owed} are owed: exactly {owed} come back in the end",
        section: "5.3, DISPENSE, Appendix 3, section 3",
        advice: "A brown-out in a payout pays twice, or ends it: count what came out by TUBE STATUS.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            let from = b.ready();
            let owed = b.put_in(Sum::Owed);
            b.secs(3);
            b.press_return();
            let paying = |b: &BoardBench| b.count(from, What::Dispense) > 0;
            if !b.until_so(Micros::secs(10), paying) {
                return Ok(Seen::cannot_tell("no payout began"));
            }
            let half = |b: &BoardBench| b.customer() > -owed;
            b.until_so(Micros::secs(5), half);
            b.at_changer(ChangerAction::ResetItself);
            b.secs(20);
            let balance = balance(b);
            let text = format!(
                "of {} owed the customer has in the end {}",
                b.show(owed),
                than_right(b, balance)
            );
            Ok(Seen::judge(balance.is_zero(), text).beside(balance, Money::ZERO))
        },
        quirk: Quirk::new(
            "pays-again-after-reset",
            "repeats its last DISPENSE once the changer was reset",
            |s| {
                s.bad.says = Some(|m, c| {
                    if let [0x0D, ..] = c {
                        m.kept = c.to_vec();
                    }
                    if note_reset(m) && m.count > 1 && m.cuts == 0 && !m.kept.is_empty() {
                        return Said::Instead(m.kept.clone());
                    }
                    Said::AsIs
                })
            },
        ),
    },
    BoardCheck {
        id: "reset-in-escrow",
        title: "Credits no bill that a reset gave back",
        expected: "the validator resets with {bill} in escrow and gives it back: no money more or less",
        section: "6.3, RESET, Appendix 3, section 4",
        advice: "Bills are credited and given back: credit a bill when it is stacked.",
        weight: Weight::Money,
        // A validator that holds a bill and does not hear what is to become of it.
        arrange: Some(|s| deaf(s, BILL, |c| matches!(c, [0x35, ..]))),
        run: |b| {
            let from = b.ready();
            uses_escrow(b)?;
            b.bill(BillFor::Change);
            let ordered = |b: &BoardBench| b.count(from, What::Escrow) > 0;
            if !b.until_so(Micros::secs(8), ordered) {
                // Held until something is bought.
                b.press_return();
            }
            if !b.until_so(Micros::secs(4), ordered) {
                return Ok(Seen::cannot_tell("no ESCROW was ordered for the bill"));
            }
            b.wait(Micros::ms(50));
            let from = b.now();
            blink(b, BILL);
            b.secs(12);
            let balance = balance(b);
            let text = format!(
                "the bill came back, and in the end the customer has {}; {}",
                than_right(b, balance),
                times(b, from, What::Setup(BILL))
            );
            let again = b.count(from, What::Setup(BILL)) > 0;
            Ok(Seen::judge(balance.is_zero() && again, text).beside(balance, Money::ZERO))
        },
        quirk: Quirk::new(
            "credits-bill-at-reset",
            "takes a validator's reset for a stacked bill",
            |s| {
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    ([0x33], [0x90..=0x9F, ..]) => m.count = 1,
                    ([0x33], [0x80..=0x8F, ..]) => m.count = 0,
                    ([0x33], [0x06, ..]) if m.count == 1 && m.cuts == 0 => {
                        m.count = 0;
                        d.insert(0, 0x80);
                    }
                    _ => {}
                })
            },
        ),
    },
    BoardCheck {
        id: "reset-in-session",
        title: "Ends a session when the reader resets",
        expected: "no VEND REQUEST until there is a new card",
        section: "7.4.1, Appendix 3, section 4",
        advice: "The board sells on a card that is gone: forget the session at JUST RESET.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.rich_card();
            b.secs(2);
            let from = b.now();
            blink(b, READER);
            b.secs(3);
            b.select(Pick::Cheap);
            b.secs(8);
            let [asked, again] = [What::VendRequest, What::ReaderEnable];
            let text = format!("{}, {}", times(b, from, asked), times(b, from, again));
            let good = b.count(from, asked) == 0 && b.count(from, again) > 0;
            Ok(Seen::judge(good, text))
        },
        quirk: Quirk::new(
            "session-outlives-reset",
            "takes no notice of the reader's JUST RESET in a session",
            |s| {
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    ([0x12], [0x03, ..]) => m.count = 1,
                    ([0x12], [0x00]) if m.count == 1 => d.clear(),
                    _ => {}
                })
            },
        ),
    },
    BoardCheck {
        id: "reset-in-vend",
        title: "Sells nothing when the reader resets before it decides",
        expected: "no item, and nothing paid by the card",
        section: "7.4.1, Appendix 3, section 4",
        advice: "Items are given away: only VEND APPROVED is an approval.",
        weight: Weight::Money,
        arrange: Some(|s| {
            s.cashless.approve_delay = Micros::secs(3);
        }),
        run: |b| {
            let from = b.ready();
            b.rich_card();
            b.secs(2);
            b.select(Pick::Cheap);
            let asked = |b: &BoardBench| b.count(from, What::VendRequest) > 0;
            if !b.until_so(Micros::secs(5), asked) {
                return Ok(Seen::cannot_tell("no VEND REQUEST"));
            }
            b.wait(Micros::ms(500));
            blink(b, READER);
            b.delivery_and(Micros::ms(13_500));
            let (fell, paid) = (b.delivered().len(), b.card_paid());
            let text = format!(
                "{fell}, {} paid by the card",
                b.show(paid),
                fell = words::count(fell, "item")
            );
            Ok(Seen::judge(fell == 0 && paid.is_zero(), text))
        },
        quirk: Quirk::new(
            "sells-at-reset",
            "takes the reader's JUST RESET after a request for an approval",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c == [0x12] && *d == [0x00] && m.commands.contains_key(&0x13) {
                        *d = vec![0x05, 0x00, 0x0D];
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "reset-after-approval",
        title: "Finishes a vend when the reader resets after approving it",
        expected: "an item that was paid falls; the next card can buy",
        section: "7.4.1, 7.4.7, Appendix 3, section 4",
        advice: "Customers pay for nothing, or cards stay off: finish the vend, then set up again.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.rich_card();
            b.secs(2);
            b.select(Pick::Cheap);
            if !b.until_so(Micros::secs(5), |b| !b.card_paid().is_zero()) {
                return Ok(Seen::cannot_tell("no vend was approved"));
            }
            b.wait(Micros::ms(300));
            blink(b, READER);
            b.delivery_and(Micros::ms(10_500));
            let first = b.delivered().len();
            let from = b.now();
            b.rich_card();
            b.secs(2);
            b.select(Pick::Dear);
            b.vend_over(from);
            let second = b.delivered().len() - first;
            let text = format!(
                "{first} for the first card, {second} for the second",
                first = words::count(first, "item")
            );
            Ok(Seen::judge(first == 1 && second == 1, text))
        },
        quirk: Quirk::new(
            "no-cards-after-reset",
            "hears of no card once the reader was reset after a request",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if c != [0x12] || m.cuts > 0 {
                        return;
                    }
                    if d.first() == Some(&0x00) && m.commands.contains_key(&0x13) {
                        m.count = 1;
                    }
                    if d.first() == Some(&0x03) && m.count == 1 {
                        d.clear();
                    }
                })
            },
        ),
    },
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

/// Presses the return and says what the customer has more than at the start.
fn balance(b: &mut BoardBench) -> Money {
    b.press_return();
    b.secs(12);
    b.customer()
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
