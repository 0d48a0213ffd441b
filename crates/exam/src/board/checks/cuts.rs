//! Power cuts of the machine, at each stage of a cash vend and of a card vend. Whatever is lost,
//! nobody gets money or goods for nothing, and the machine works again.

use super::common::{than_right, times, uses_escrow};
use super::resets::doubled;
use crate::board::bad_habit::{Memory, Said};
use crate::board::bench::BoardBench;
use crate::board::heard::{CHANGER, READER, What};
use crate::board::kit::{BillFor, CoinFor, Pick, Sum};
use crate::board::table::BoardCheck;
use crate::check::{COMMON_PRACTICE, Quirk, Run, Seen, Weight};
use payrig_bench::action::ChangerAction;
use payrig_mdb::{bill, changer};
use payrig_units::{Micros, Money, Place, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "power-cut-resets-bus",
        title: "Resets the bus after a power cut",
        expected: "a bus reset, and everything set up again",
        section: "2.2",
        advice: "Peripherals keep an old state: reset the bus at power-up.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.fit(&[CHANGER])?;
            let from = b.ready();
            b.board_power(false);
            b.secs(2);
            b.board_power(true);
            b.secs(10);
            let resets = b.breaks().iter().filter(|(at, _)| *at >= from).count();
            let text = format!(
                "{}, {}",
                words::count(resets, "bus reset"),
                times(b, from, What::CoinType)
            );
            let enabled = b.count(from, What::CoinType) > 0;
            Ok(Seen::judge(resets > 0 && enabled, text))
        },
        quirk: Quirk::new(
            "no-reset-after-cut",
            "does not reset the bus after a power cut",
            |s| s.bad.no_bus_reset = true,
        ),
    },
    BoardCheck {
        id: "no-gift-after-power-cut",
        title: "Gives no money away after a power cut",
        expected: "no more comes out than was put in",
        section: COMMON_PRACTICE,
        advice: "A power cut makes money: credit must not come twice.",
        weight: Weight::Money,
        arrange: None,
        run: |b| {
            b.ready();
            b.coin(CoinFor::Tube);
            b.wait(Micros::ms(600));
            b.board_power(false);
            b.secs(2);
            b.board_power(true);
            b.secs(20);
            for _ in 0..2 {
                b.at_changer(ChangerAction::ResetItself);
                b.secs(10);
            }
            let gained = b.customer();
            let text = match gained {
                Money::ZERO => "the customer has as much as before".to_owned(),
                more if more > Money::ZERO => {
                    format!("the customer has {} more than before", b.show(more))
                }
                less => format!("the customer has {} less than before", b.show(-less)),
            };
            Ok(Seen::judge(gained <= Money::ZERO, text).beside(gained, Money::ZERO))
        },
        quirk: Quirk::new(
            "pays-after-power-cut",
            "pays four coins of type 2 after a power cut",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0B]
                        if m.cuts > 0
                            && m.count == 0
                            && m.commands.get(&0x0C).is_some_and(|n| *n >= 4) =>
                    {
                        m.count = 1;
                        Said::Instead(vec![0x0D, 0x42])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "reader-back-after-power-cut",
        title: "Sets the reader up after a power cut in a vend",
        expected: "READER ENABLE again, and no coins paid",
        section: "7.4.1, 7.4.7",
        advice: "Cards are refused after a power cut: set up again.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            b.rich_card();
            b.secs(2);
            b.select(Pick::Cheap);
            b.wait(Micros::ms(1_200));
            b.board_power(false);
            b.secs(3);
            let from = b.now();
            b.board_power(true);
            b.secs(20);
            let [enabled, paid] = [What::ReaderEnable, What::Dispense];
            let text = format!("{}, {}", times(b, from, enabled), times(b, from, paid));
            let good = b.count(from, enabled) > 0 && b.count(from, paid) == 0;
            Ok(Seen::judge(good, text))
        },
        quirk: Quirk::new(
            "reader-off-after-cut",
            "does not enable the reader again after a power cut",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x14, 0x01] if m.cuts > 0 => Said::Instead(vec![0x12]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-while-coin-falls",
        title: "Credits a coin that fell during a power cut",
        expected: "{tube} put in just before the cut comes back afterwards",
        section: "2.2, 5.3, POLL",
        advice: "A power cut eats a coin, or the board does not start again: credit what the changer reports after the start.",
        weight: Weight::Money,
        arrange: None,
        run: |b| cash(b, Stage::CoinFalls),
        quirk: Quirk::new(
            "drops-coins-after-cut",
            "drops coins reported after a power cut",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    if m.cuts > 0 && c == [0x0B] && matches!(d.as_slice(), [0x40..=0x5F, _]) {
                        d.clear();
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-with-credit",
        title: "Pays credit at most once over a power cut",
        expected: "of {over} put in before the cut no more than {over} comes back",
        section: COMMON_PRACTICE,
        advice: "A power cut makes money: pay back what is remembered, once.",
        weight: Weight::Money,
        arrange: None,
        run: |b| cash(b, Stage::Credit),
        quirk: Quirk::new(
            "pays-double-after-cut",
            "orders each coin twice after a power cut",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0D, order] if m.cuts > 0 => Said::Changed(vec![0x0D, doubled(*order)]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-with-bill-in-escrow",
        title: "Credits no bill that went back during a power cut",
        expected: "a bill of {bill} in escrow at the cut: no money more or less",
        section: "6.3, RESET",
        advice: "A power cut makes money: credit a bill when it is stacked.",
        weight: Weight::Money,
        arrange: None,
        run: |b| cash(b, Stage::Escrow),
        quirk: Quirk::new(
            "credits-returned-bills-after-cut",
            "takes the validator's start after a power cut for a stacked bill",
            |s| {
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    ([0x33], [0x90..=0x9F, ..]) => m.count = 1,
                    ([0x33], [0x80..=0x8F, ..]) => m.count = 0,
                    ([0x33], [0x06, ..]) if m.count == 1 && m.cuts > 0 => {
                        m.count = 0;
                        d.insert(0, 0x80);
                    }
                    _ => {}
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-in-delivery",
        title: "Gives nothing away when power is cut while the motor turns",
        expected: "of {over} put in no more than {over} comes back in coins and goods",
        section: COMMON_PRACTICE,
        advice: "A power cut gives goods or money away, or the board does not start again: remember what was under way.",
        weight: Weight::Money,
        arrange: None,
        run: |b| cash(b, Stage::Delivery),
        quirk: Quirk::new(
            "pays-out-at-start-after-cut",
            "pays 1.25 at the first start after a power cut in a delivery",
            |s| {
                s.bad.says = Some(|m, c| {
                    let in_delivery =
                        |then: &Memory| then.delivering && !then.commands.contains_key(&0x13);
                    once_started_after_cut(m, c, in_delivery, &[0x0D, 0x52])
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-in-payout",
        title: "Pays change once when power is cut in the payout",
        expected: "of {owed} owed no more than {owed} comes out, before and after the cut",
        section: "5.3, DISPENSE, TUBE STATUS",
        advice: "A power cut pays twice: see by TUBE STATUS what came out.",
        weight: Weight::Money,
        arrange: None,
        run: |b| cash(b, Stage::Payout),
        quirk: Quirk::new(
            "pays-again-after-cut",
            "repeats the last DISPENSE after a power cut in a payout",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0D, ..] if m.cuts == 0 => {
                        m.kept = c.to_vec();
                        Said::AsIs
                    }
                    [0x0B] if !m.kept.is_empty() && m.sold == 0 && started_after_cut(m) => {
                        Said::Instead(std::mem::take(&mut m.kept))
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-after-sale",
        title: "Has no credit left over from a sale before a power cut",
        expected: "after a sale with change nothing more comes back",
        section: COMMON_PRACTICE,
        advice: "A power cut brings spent money back: clear the credit before the motor turns.",
        weight: Weight::Money,
        arrange: None,
        run: |b| cash(b, Stage::Sold),
        quirk: Quirk::new(
            "pays-a-coin-after-cut",
            "pays a coin of 0.10 at the first start after a power cut behind a sale",
            |s| {
                s.bad.says = Some(|m, c| {
                    let sold = |then: &Memory| then.sold > 0 && then.commands.contains_key(&0x0D);
                    once_started_after_cut(m, c, sold, &[0x0D, 0x11])
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-in-session",
        title: "Pays no card money in coins after a power cut",
        expected: "a card in the reader at the cut: no coin comes out, and the next card can buy",
        section: "7.4.1, Appendix 3, section 4",
        advice: "A power cut turns card money into cash: forget sessions.",
        weight: Weight::Money,
        arrange: None,
        run: |b| card(b, Stage::Session),
        quirk: Quirk::new(
            "pays-card-funds-after-cut",
            "pays coins for a session that was open at the cut",
            |s| {
                s.bad.hears = Some(|m, c, d| match (c, d.as_slice()) {
                    ([0x12], [0x03, ..]) => m.kept.clone_from(d),
                    ([0x12], [0x07]) => m.kept.clear(),
                    _ => {}
                });
                s.bad.says = Some(|m, c| {
                    let in_session =
                        |then: &Memory| !then.kept.is_empty() && !then.commands.contains_key(&0x13);
                    once_started_after_cut(m, c, in_session, &[0x0D, 0x42])
                });
            },
        ),
    },
    BoardCheck {
        id: "cut-while-card-is-asked",
        title: "Asks nothing of a reader after a power cut in a vend request",
        expected: "no VEND command until there is a new card, which can buy",
        section: "7.4.1, 7.4.5",
        advice: "A card is charged for a vend nobody waits for: begin anew.",
        weight: Weight::Money,
        arrange: Some(|s| {
            s.cashless.approve_delay = Micros::secs(4);
        }),
        run: |b| card(b, Stage::Asked),
        quirk: Quirk::new(
            "asks-again-after-cut",
            "asks again after a power cut for what it asked before",
            |s| {
                s.bad.says = Some(|m, c| {
                    if c.starts_with(&[0x13, 0x00]) && m.cuts == 0 {
                        m.kept = c.to_vec();
                    }
                    let undecided = m
                        .at_cut
                        .as_ref()
                        .is_some_and(|then| !then.delivering && then.sold == 0);
                    if c == [0x12] && undecided && reader_enabled_after_cut(m) && !m.kept.is_empty()
                    {
                        return Said::Instead(std::mem::take(&mut m.kept));
                    }
                    Said::AsIs
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-in-card-delivery",
        title: "Reports no success after a power cut in a delivery",
        expected: "no VEND command until there is a new card, which can buy",
        section: "7.4.1, 7.4.7",
        advice: "A card pays for what did not fall: VEND SUCCESS is for what was seen to fall.",
        weight: Weight::Money,
        arrange: None,
        run: |b| card(b, Stage::CardDelivery),
        quirk: Quirk::new(
            "says-success-after-cut",
            "says VEND SUCCESS after a power cut in a delivery",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x12]
                        if m.count == 0
                            && m.at_cut.as_ref().is_some_and(|then| then.delivering)
                            && reader_enabled_after_cut(m) =>
                    {
                        m.count = 1;
                        Said::Instead(vec![0x13, 0x02, 0x00, 0x0B])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-after-vend-success",
        title: "Takes nothing back after a power cut behind a vend",
        expected: "the item stays paid, no VEND command until there is a new card, which can buy",
        section: "7.4.7, 7.4.8",
        advice: "Goods are given away: a vend that was reported is over.",
        weight: Weight::Money,
        arrange: None,
        run: |b| card(b, Stage::Told),
        quirk: Quirk::new(
            "says-failure-after-cut",
            "says VEND FAILURE after a power cut behind a vend",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x13, 0x02, ..] => {
                        m.kept = c.to_vec();
                        Said::AsIs
                    }
                    [0x12]
                        if m.count == 0
                            && m.at_cut.as_ref().is_some_and(|then| !then.kept.is_empty())
                            && reader_enabled_after_cut(m) =>
                    {
                        m.count = 1;
                        Said::Instead(vec![0x13, 0x03])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "cut-after-session",
        title: "Sells by card again after a power cut behind a session",
        expected: "the next card can buy",
        section: "7.4.9",
        advice: "Cards stay off after a power cut: set the reader up whatever it was doing.",
        weight: Weight::Rule,
        arrange: Some(|s| s.cashless.multivend = false),
        run: |b| card(b, Stage::Completed),
        quirk: Quirk::new(
            "no-cards-after-cut",
            "hears of no card after a power cut behind a session",
            |s| {
                s.bad.hears = Some(|m, c, d| {
                    let sessions = |then: &Memory| then.commands.get(&0x13).is_some_and(|n| *n > 2);
                    let behind = m.at_cut.as_deref().is_some_and(sessions);
                    if behind && c == [0x12] && matches!(d.as_slice(), [0x03, ..]) {
                        d.clear();
                    }
                })
            },
        ),
    },
];

/// The changer is set up again after a power cut.
fn started_after_cut(m: &Memory) -> bool {
    m.cuts > 0 && m.commands.get(&0x0C).is_some_and(|n| *n > 1)
}

/// The first POLL of the changer after such a start goes out as another command, where the board was so at
/// the cut.
fn once_started_after_cut(
    m: &mut Memory,
    command: &[u8],
    was_so: fn(&Memory) -> bool,
    instead: &[u8],
) -> Said {
    let so = m.at_cut.as_deref().is_some_and(was_so);
    match command {
        [0x0B] if m.count == 0 && so && started_after_cut(m) => {
            m.count = 1;
            Said::Instead(instead.to_vec())
        }
        _ => Said::AsIs,
    }
}

/// The reader is enabled again after a power cut.
fn reader_enabled_after_cut(m: &Memory) -> bool {
    m.cuts > 0 && m.commands.get(&0x14).is_some_and(|n| *n > 1)
}

/// When the power is cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    // Of a cash vend.
    CoinFalls,
    Credit,
    Escrow,
    Delivery,
    Payout,
    Sold,
    // Of a card vend.
    Session,
    Asked,
    CardDelivery,
    Told,
    Completed,
}

/// Brings the bench to the stage, and gives what the customer put in.
fn reach(b: &mut BoardBench, stage: Stage) -> Result<Money, Seen> {
    let from = b.ready();
    let never = || Seen::cannot_tell("the stage of the vend was never reached");
    let given = |b: &mut BoardBench, what: What| {
        let most = b.habits().delivery + Micros::ms(10_500);
        let so = b.until_so(most, |b| b.count(from, what) > 0);
        if so { Ok(()) } else { Err(never()) }
    };
    match stage {
        Stage::CoinFalls => {
            let (_, value) = b.need(b.kit().coin(CoinFor::Tube))?;
            b.coin(CoinFor::Tube);
            b.wait(Micros::ms(100));
            Ok(value)
        }
        Stage::Credit => {
            let over = b.put_in(Sum::Over);
            b.secs(2);
            Ok(over)
        }
        Stage::Escrow => {
            uses_escrow(b)?;
            let bill = b.bill(BillFor::Change);
            let waits = |b: &BoardBench| !b.sum(|p| matches!(p, Place::Escrow(_))).is_zero();
            if !b.until_so(Micros::secs(5), waits) {
                return Err(never());
            }
            b.wait(Micros::ms(1_520));
            Ok(bill)
        }
        Stage::Delivery => {
            let over = b.put_in(Sum::Over);
            b.secs(2);
            b.select(Pick::Cheap);
            b.wait(Micros::ms(500));
            Ok(over)
        }
        Stage::Sold => {
            let over = b.put_in(Sum::Over);
            b.secs(2);
            let change = b.kit().change();
            b.sell(Pick::Cheap, change);
            Ok(over)
        }
        Stage::Payout => {
            let owed = b.put_in(Sum::Owed);
            b.secs(2);
            b.press_return();
            given(b, What::Dispense)?;
            if !b.until_so(Micros::secs(5), |b| b.customer() > -owed) {
                return Err(never());
            }
            Ok(owed)
        }
        _ => {
            b.rich_card();
            b.secs(2);
            if stage != Stage::Session {
                b.select(Pick::Cheap);
            }
            match stage {
                Stage::Asked => given(b, What::VendRequest)?,
                Stage::CardDelivery => {
                    if !b.until_so(Micros::secs(8), |b| !b.card_paid().is_zero()) {
                        return Err(never());
                    }
                    b.wait(Micros::ms(300));
                }
                Stage::Told => given(b, What::VendSuccess)?,
                Stage::Completed => given(b, What::SessionComplete)?,
                _ => {}
            }
            Ok(Money::ZERO)
        }
    }
}

fn cut(b: &mut BoardBench) -> Micros {
    b.board_power(false);
    b.secs(2);
    let from = b.now();
    b.board_power(true);
    b.secs(15);
    from
}

/// True when the peripheral had reported the money before the power was given back: whoever cut it
/// was too slow for this stage, and the credit was the board's.
fn was_reported(b: &BoardBench, stage: Stage, restart: Micros) -> bool {
    let coin = |report: &changer::Report| {
        use changer::Routing::{CashBox, Tubes};
        let credit = [CashBox, Tubes];
        matches!(report, changer::Report::CoinsDeposited { routing, .. } if credit.contains(routing))
    };
    let bill = |report: &bill::Report| {
        let stacked = bill::Routing::Stacked;
        matches!(report, bill::Report::Bill { routing, .. } if *routing == stacked)
    };
    let mut before = b.blocks().iter().filter(|block| block.at < restart);
    match stage {
        Stage::CoinFalls => before.any(|block| matches!(block.changer_reports(), [r] if coin(r))),
        Stage::Escrow => before.any(|block| matches!(block.bill_reports(), [r] if bill(r))),
        _ => false,
    }
}

fn cash(b: &mut BoardBench, stage: Stage) -> Run {
    b.fit(&[CHANGER])?;
    let put_in = reach(b, stage)?;
    let from = cut(b);
    let too_late = was_reported(b, stage, from);
    b.press_return();
    b.secs(15);
    let gain = b.customer().saturating_add(b.sold());
    // What was never set up need not be again.
    let set_up = [What::CoinType, What::BillType].into_iter();
    let mut set_up = set_up.filter(|what| b.has(what.address()));
    let works = set_up.all(|what| b.was_never_set_up(what.address()) || b.count(from, what) > 0);
    // What was put in and is nobody's business but the board's may be forgotten with its power;
    // what a peripheral still holds or reports may not.
    let right = match stage {
        Stage::CoinFalls if !too_late => gain.is_zero(),
        Stage::Sold => gain.is_zero(),
        // It may already have been on its way into the stacker, and credited.
        _ => gain <= Money::ZERO && gain >= -put_in,
    };
    let text = format!(
        "{} put in; in the end the customer has {}{}",
        b.show(put_in),
        than_right(b, gain),
        if works {
            ""
        } else {
            "; the board does not set up again"
        }
    );
    if right && works && too_late {
        return Ok(Seen::cannot_tell(format!(
            "{text}; it was reported before the power was off: switch it off sooner"
        )));
    }
    Ok(Seen::judge(right && works, text).beside(gain, Money::ZERO))
}

fn card(b: &mut BoardBench, stage: Stage) -> Run {
    b.fit(&[READER])?;
    reach(b, stage)?;
    let from = cut(b);
    let asked = b.since(from).filter(|block| block.is_vend()).count();
    let coins = b.customer();
    let (sold, paid) = (b.sold_at_card_prices(), b.card_paid());
    let fell = b.delivered().len();
    let from = b.now();
    b.rich_card();
    b.secs(2);
    b.select(Pick::Dear);
    b.vend_over(from);
    let works = b.delivered().len() == fell + 1;
    let text = format!(
        "before the next card {asked} VEND commands, {} in coins, goods of {} and {} paid by the \
         card; the next card {}",
        b.show(coins),
        b.show(sold),
        b.show(paid),
        if works { "buys" } else { "buys nothing" }
    );
    let right = asked == 0 && coins.is_zero() && sold <= paid;
    // Cards stay off: wherever the cut was, that is a matter of the start.
    Ok(Seen::judge(right && works, text).matter_of("cut-after-session", right))
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
