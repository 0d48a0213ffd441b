//! Checks of a power cut at each stage of a cash vend and of a card vend. Whatever is lost, nobody
//! gets money or goods for nothing, and the machine works again.

use super::bench::{BILL, BoardBench, CHANGER, Line, READER};
use super::habit::{Memory, Said};
use super::{BoardSetup, Entry, entry, than_right};
use crate::check::{COMMON_PRACTICE, Run, Seen};
use payrig_units::{Micros, Money, Place};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "cut-while-coin-falls",
        "Credits a coin that fell during a power cut",
        "0.25 put in just before the cut comes back afterwards",
        "2.2, 5.3, POLL",
        "A power cut eats a coin, or the board does not start again: credit what the changer reports after the start.",
        Rule,
        |b| cash(b, Stage::CoinFalls),
        None,
        "drops-coins-after-cut",
        "drops coins reported after a power cut",
        |s| s.habits.hears = Some(|m, c, d| {
            if m.cuts > 0 && c == [0x0B] && matches!(d.as_slice(), [0x40..=0x5F, _]) {
                d.clear();
            }
        })
    ),
    entry!(
        "cut-with-credit",
        "Pays credit at most once over a power cut",
        "of 1.00 put in before the cut no more than 1.00 comes back",
        COMMON_PRACTICE,
        "A power cut makes money: pay back what is remembered, once.",
        Rule,
        |b| cash(b, Stage::Credit),
        None,
        "pays-double-after-cut",
        "orders each coin twice after a power cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0D, order] if m.cuts > 0 => {
                Said::Changed(vec![0x0D, super::resets::doubled(*order)])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "cut-with-bill-in-escrow",
        "Credits no bill that went back during a power cut",
        "a bill of 1.00 in escrow at the cut: no money more or less",
        "6.3, RESET",
        "A power cut makes money: credit a bill when it is stacked.",
        Rule,
        |b| cash(b, Stage::Escrow),
        None,
        "credits-returned-bills-after-cut",
        "takes the validator's start after a power cut for a stacked bill",
        |s| s.habits.hears = Some(|m, c, d| {
            if m.cuts > 0 && c == [0x33] && d.first() == Some(&0x06) {
                d.insert(0, 0x80);
            }
        })
    ),
    entry!(
        "cut-in-delivery",
        "Gives nothing away when power is cut while the motor turns",
        "of 1.00 put in no more than 1.00 comes back in coins and goods",
        COMMON_PRACTICE,
        "A power cut gives goods or money away, or the board does not start again: remember what was under way.",
        Rule,
        |b| cash(b, Stage::Delivery),
        None,
        "pays-out-at-start-after-cut",
        "pays 1.25 at the first start after a power cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if m.count == 0 && started_after_cut(m) => {
                m.count = 1;
                Said::Instead(vec![0x0D, 0x52])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "cut-in-payout",
        "Pays change once when power is cut in the payout",
        "of 3.00 owed no more than 3.00 comes out, before and after the cut",
        "5.3, DISPENSE, TUBE STATUS",
        "A power cut pays twice: see by TUBE STATUS what came out.",
        Rule,
        |b| cash(b, Stage::Payout),
        None,
        "pays-again-after-cut",
        "repeats the last DISPENSE after a power cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0D, ..] if m.cuts == 0 => {
                m.kept = c.to_vec();
                Said::AsIs
            }
            [0x0B] if !m.kept.is_empty() && started_after_cut(m) => {
                Said::Instead(std::mem::take(&mut m.kept))
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "cut-after-sale",
        "Has no credit left over from a sale before a power cut",
        "after a sale with change nothing more comes back",
        COMMON_PRACTICE,
        "A power cut brings spent money back: clear the credit before the motor turns.",
        Rule,
        |b| cash(b, Stage::Sold),
        None,
        "pays-a-coin-after-cut",
        "pays a coin of 0.10 at the first start after a power cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if m.count == 0 && started_after_cut(m) => {
                m.count = 1;
                Said::Instead(vec![0x0D, 0x11])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "cut-in-session",
        "Pays no card money in coins after a power cut",
        "a card in the reader at the cut: no coin comes out, and the next card can buy",
        "7.4.1, Appendix 3, section 4",
        "A power cut turns card money into cash: forget sessions.",
        Rule,
        |b| card(b, Stage::Session),
        None,
        "pays-card-funds-after-cut",
        "pays coins for a session that was open at the cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if m.count == 0 && started_after_cut(m) => {
                m.count = 1;
                Said::Instead(vec![0x0D, 0x42])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "cut-while-card-is-asked",
        "Asks nothing of a reader after a power cut in a vend request",
        "no VEND command until there is a new card, which can buy",
        "7.4.1, 7.4.5",
        "A card is charged for a vend nobody waits for: begin anew.",
        Rule,
        |b| card(b, Stage::Asked),
        Some(slow_decision),
        "asks-again-after-cut",
        "asks again after a power cut for what it asked before",
        |s| s.habits.says = Some(|m, c| repeat_after_cut(m, c, &[0x13, 0x00]))
    ),
    entry!(
        "cut-in-card-delivery",
        "Tells no success after a power cut in a delivery",
        "no VEND command until there is a new card, which can buy",
        "7.4.1, 7.4.7",
        "A card pays for what did not fall: VEND SUCCESS is for what was seen to fall.",
        Rule,
        |b| card(b, Stage::CardDelivery),
        None,
        "says-success-after-cut",
        "says VEND SUCCESS after a power cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x12]
                if m.cuts > 0 && m.count == 0 && m.commands.get(&0x14).is_some_and(|n| *n > 1) =>
            {
                m.count = 1;
                Said::Instead(vec![0x13, 0x02, 0x00, 0x0B])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "cut-after-vend-success",
        "Takes nothing back after a power cut behind a vend",
        "the item stays paid, no VEND command until there is a new card, which can buy",
        "7.4.7, 7.4.8",
        "Goods are given away: a vend that was told is over.",
        Rule,
        |b| card(b, Stage::Told),
        None,
        "says-failure-after-cut",
        "says VEND FAILURE after a power cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x12]
                if m.cuts > 0 && m.count == 0 && m.commands.get(&0x14).is_some_and(|n| *n > 1) =>
            {
                m.count = 1;
                Said::Instead(vec![0x13, 0x03])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "cut-after-session",
        "Sells by card again after a power cut behind a session",
        "the next card can buy",
        "7.4.9",
        "Cards stay off after a power cut: set the reader up whatever it was doing.",
        Rule,
        |b| card(b, Stage::Completed),
        None,
        "no-cards-after-cut",
        "hears of no card after a power cut",
        |s| s.habits.hears = Some(|m, c, d| {
            if m.cuts > 0 && c == [0x12] && matches!(d.as_slice(), [0x03, ..]) {
                d.clear();
            }
        })
    ),
];

/// The changer is set up again after a power cut.
fn started_after_cut(m: &Memory) -> bool {
    m.cuts > 0 && m.commands.get(&0x0C).is_some_and(|n| *n > 1)
}

fn repeat_after_cut(m: &mut Memory, command: &[u8], what: &[u8]) -> Said {
    if command.starts_with(what) && m.cuts == 0 {
        m.kept = command.to_vec();
    }
    let started = m.commands.get(&0x14).is_some_and(|n| *n > 1);
    if command == [0x12] && m.cuts > 0 && started && !m.kept.is_empty() {
        return Said::Instead(std::mem::take(&mut m.kept));
    }
    Said::AsIs
}

fn slow_decision(s: &mut BoardSetup) {
    s.cashless.approve_delay = Micros::secs(4);
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
fn reach(b: &mut BoardBench, stage: Stage) -> Result<i64, Seen> {
    let from = b.ready();
    let never = || Seen::cannot_tell("the stage of the vend was never reached");
    let said = |b: &mut BoardBench, address: u8, name: &str| {
        let so = b.until_so(Micros::secs(12), |b| b.count(from, address, name) > 0);
        if so { Ok(()) } else { Err(never()) }
    };
    match stage {
        Stage::CoinFalls => {
            b.coin(2);
            b.wait(Micros::ms(100));
            return Ok(25);
        }
        Stage::Credit => {
            b.coin(3);
            b.secs(2);
        }
        Stage::Escrow => {
            b.bill(0);
            let waits = |b: &BoardBench| !b.sum(|p| matches!(p, Place::Escrow(_))).is_zero();
            if !b.until_so(Micros::secs(5), waits) {
                return Err(never());
            }
            b.wait(Micros::ms(1_520));
        }
        Stage::Delivery | Stage::Sold => {
            b.coin(3);
            b.secs(2);
            b.select(11);
            match stage {
                Stage::Sold => b.secs(12),
                _ => b.wait(Micros::ms(500)),
            }
        }
        Stage::Payout => {
            for _ in 0..3 {
                b.coin(3);
                b.secs(1);
            }
            b.secs(1);
            b.press_return();
            said(b, CHANGER, "DISPENSE")?;
            if !b.until_so(Micros::secs(5), |b| b.customer() > Money(-300)) {
                return Err(never());
            }
            return Ok(300);
        }
        _ => {
            b.card(Some(1_000));
            b.secs(2);
            if stage != Stage::Session {
                b.select(11);
            }
            match stage {
                Stage::Asked => said(b, READER, "VEND REQUEST")?,
                Stage::CardDelivery => {
                    if !b.until_so(Micros::secs(8), |b| !b.card_paid().is_zero()) {
                        return Err(never());
                    }
                    b.wait(Micros::ms(300));
                }
                Stage::Told => said(b, READER, "VEND SUCCESS")?,
                Stage::Completed => said(b, READER, "SESSION COMPLETE")?,
                _ => {}
            }
            return Ok(0);
        }
    }
    Ok(100)
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
    let (address, reports, length) = match stage {
        Stage::CoinFalls => (CHANGER, 0x40..=0x5F, 3),
        Stage::Escrow => (BILL, 0x80..=0x8F, 2),
        _ => return false,
    };
    let first = |l: &Line| l.bytes.first().is_some_and(|r| reports.contains(r));
    let mut before = b.lines().iter().filter(|l| l.at < restart);
    before.any(|l| !l.board && l.address == address && l.bytes.len() == length && first(l))
}

fn cash(b: &mut BoardBench, stage: Stage) -> Run {
    let put_in = reach(b, stage)?;
    let from = cut(b);
    let too_late = was_reported(b, stage, from);
    b.press_return();
    b.secs(15);
    let gain = b.customer().saturating_add(b.sold());
    let set_up = [(CHANGER, "COIN TYPE"), (BILL, "BILL TYPE")];
    // What was never set up need not be again.
    let before = set_up.iter().filter(|(a, _)| !b.was_never_set_up(*a));
    let works = before
        .into_iter()
        .all(|(a, name)| b.count(from, *a, name) > 0);
    // What was put in and is nobody's business but the board's may be forgotten with its power;
    // what a peripheral still holds or reports may not.
    let right = match stage {
        Stage::CoinFalls if !too_late => gain.is_zero(),
        Stage::Sold => gain.is_zero(),
        // It may already have been on its way into the stacker, and credited.
        _ => gain <= Money::ZERO && gain >= Money(-put_in),
    };
    let text = format!(
        "{} put in; in the end the customer has {}{}",
        b.show(Money(put_in)),
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
    Ok(Seen::judge(right && works, text))
}

fn card(b: &mut BoardBench, stage: Stage) -> Run {
    reach(b, stage)?;
    let from = cut(b);
    let vends = |b: &BoardBench| {
        let of = b
            .since(from)
            .filter(|l| l.is_command() && l.address == READER);
        of.filter(|l| l.bytes.first() == Some(&0x13)).count()
    };
    let (asked, coins) = (vends(b), b.customer());
    let (sold, paid) = (b.sold(), b.card_paid());
    let fell = b.delivered().len();
    b.card(Some(1_000));
    b.secs(2);
    b.select(12);
    b.secs(12);
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
    Ok(Seen::judge(right && works, text))
}
