//! Checks of a board with peripherals as they come: several reports in one answer, a full stacker, a
//! tube that runs out, other codes, decimals and levels.

use super::bench::{BILL, BoardBench, CHANGER, READER};
use super::habit::Said;
use super::{BoardSetup, Entry, entry, refunds};
use crate::check::{COMMON_PRACTICE, Run, Seen};
use payrig_bench::{Fault, FaultKind, FrameKind};
use payrig_mdb::changer::CoinType;
use payrig_mdb::{Address, CurrencyCode};
use payrig_units::{Micros, Money, Place, words};
use payrig_wire::Source;

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "several-bills-credited",
        "Credits several bills of one answer",
        "1.00 and 5.00 in one answer: 6.00 come back",
        "6.3, POLL, Appendix 3, section 4",
        "Bills put in quickly are lost: read the whole answer.",
        Rule,
        several_bills,
        Some(quick_bills),
        "reads-first-bill-only",
        "reads only the first bill of an answer",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x33] {
                let mut seen = false;
                d.retain(|b| !(0x80..0x90).contains(b) || !std::mem::replace(&mut seen, true));
            }
        })
    ),
    entry!(
        "bill-beside-status-credited",
        "Credits a bill that comes with a status",
        "1.00 and CASHBOX OUT OF POSITION in one answer: 1.00 comes back",
        "6.3, POLL, Appendix 3, section 4",
        "Bills are lost when something else happens at once: read the whole answer.",
        Rule,
        bill_and_status,
        Some(quick_bills),
        "drops-bills-beside-status",
        "does not credit a bill that comes with a status",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x33] && d.contains(&0x08) {
                d.retain(|b| !(0x80..0x90).contains(b));
            }
        })
    ),
    entry!(
        "stacker-full-borne",
        "Goes on when the stacker is full",
        "the last bill is credited, the next refused, the validator still polled",
        "6.3, STACKER, POLL",
        "Bills are lost, or the machine stops: take coins and cards when no bill fits any more.",
        Rule,
        stacker_full,
        Some(|s| s.bill.stacker_capacity = 1),
        "stops-at-full-stacker",
        "polls no more once the validator is full",
        |s| s.habits.says = Some(|m, c| {
            let told = |code: u8| {
                let data = m.last_data.get(&BILL);
                data.and_then(|d| d.split_last())
                    .is_some_and(|(_, d)| d.contains(&code))
            };
            let (stacked, disabled) = (told(0x80), told(0x09));
            m.count = match (m.count, stacked, disabled) {
                (0, true, _) => 1,
                (1, _, true) => 2,
                (n, ..) => n,
            };
            if m.count == 2 && c == [0x33] {
                Said::Nothing
            } else {
                Said::AsIs
            }
        })
    ),
    entry!(
        "tube-runs-out-in-payout",
        "Pays the rest from other tubes when one fails in mid payout",
        "3.10 come back, though a tube jams once coins came and before it gives any",
        "5.3, DISPENSE, POLL, TUBE STATUS",
        "Customers are short-changed: read the tubes after a payout and pay what is missing.",
        Rule,
        runs_out,
        None,
        "believes-jammed-tube",
        "takes the coin of a jammed tube for paid",
        |s| s.habits.hears = Some(|m, c, d| {
            if c != [0x0A] {
                return;
            }
            match d.as_mut_slice() {
                // The dimes are full and none at once: jammed. It believes one is gone.
                [_, full, _, dimes, ..] if *full & 0x02 != 0 && *dimes == 0 => {
                    *full &= !0x02;
                    *dimes = m.kept.get(3).map_or(0, |known| known.saturating_sub(1));
                }
                _ => m.kept.clone_from(d),
            }
        })
    ),
    entry!(
        "exact-change-cleared",
        "Clears the exact-change light when the tubes are filled",
        "the light is on with empty tubes, and off after coins filled them",
        COMMON_PRACTICE,
        "Customers with bills go away: look at the tubes after every coin.",
        Advice,
        light_cleared,
        Some(super::cash::empty),
        "light-stays-on",
        "the light, once on, stays on",
        |s| s.habits.light_stays_on = true
    ),
    entry!(
        "reader-code-differs",
        "Bears a reader with another form of country code",
        "a reader with a telephone code is enabled beside a changer with ISO 4217",
        "Appendix 3, section 4",
        "Older readers are refused: do not compare codes.",
        Rule,
        reader_code,
        Some(|s| s.cashless.currency = CurrencyCode([0x00, 0x01])),
        "compares-reader-codes",
        "refuses a reader with another code",
        |s| s.habits.says = Some(|m, c| {
            let told = m.last_data.get(&READER);
            if told.is_some_and(|d| matches!(d.as_slice(), [0x01, _, 0x00, 0x01, ..])) {
                m.count = 1;
            }
            let reader = c.first().is_some_and(|b| (0x10..0x18).contains(b));
            if m.count == 1 && reader {
                Said::Nothing
            } else {
                Said::AsIs
            }
        })
    ),
    entry!(
        "decimals-for-display-only",
        "Uses decimal places for the display only",
        "a changer that says none: a bill of 1.00 comes back as 1.00 in coins",
        "Appendix 3, section 4",
        "Credit is ten or a hundred times wrong: values are counts times the scaling factor.",
        Rule,
        decimals,
        Some(|s| s.changer.decimals = 0),
        "multiplies-by-decimals",
        "takes decimal places for a factor",
        |s| s.habits.hears = Some(|_, c, d| {
            if let ([0x09], [_, _, _, factor, 0, ..]) = (c, d.as_mut_slice()) {
                *factor = factor.saturating_mul(10);
            }
        })
    ),
    entry!(
        "features-only-where-offered",
        "Enables only features a changer offers",
        "the bits of FEATURE ENABLE are among those of IDENTIFICATION",
        "5.3, 0FH 00H, 0FH 01H",
        "Changers act in a way the board does not expect: enable what is offered.",
        Rule,
        features,
        None,
        "enables-every-feature",
        "enables every feature there is",
        |s| s.habits.says = Some(|_, c| match c {
            [0x0F, 0x01, ..] => Said::Changed(vec![0x0F, 0x01, 0xFF, 0xFF, 0xFF, 0xFF]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "level-1-validator",
        "Speaks level 1 to a level 1 validator",
        "no EXPANSION command of level 2",
        "2.4.4, Appendix 3, section 4",
        "Old validators hang: go down to their level.",
        Rule,
        level_1,
        None,
        "level-2-to-level-1",
        "asks a level 1 validator for its options",
        |s| s.habits.says = Some(|m, c| match c {
            [0x33] if m.commands.contains_key(&0x34) && m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x37, 0x02])
            }
            _ => Said::AsIs,
        })
    ),
];

/// A validator without escrow that is quick: two bills within a second and a half.
fn quick_bills(s: &mut BoardSetup) {
    s.bill.escrow = false;
    s.bill.travel.to_escrow = Micros::ms(300);
    s.bill.travel.to_stacker = Micros::ms(200);
}

/// The validator hears nothing for two seconds, so that its reports gather.
fn deaf_validator(b: &mut BoardBench) {
    b.fault(Fault {
        kind: FaultKind::Deaf,
        from: Source::Master,
        frame: FrameKind::Block,
        address: Some(Address::BILL_VALIDATOR),
        skip: 0,
        count: 14,
    });
}

fn several_bills(b: &mut BoardBench) -> Run {
    b.ready();
    deaf_validator(b);
    b.bill(0);
    b.wait(Micros::ms(700));
    b.bill(1);
    b.secs(5);
    let kept = b.sum(|p| matches!(p, Place::Stacker(_)));
    if kept != Money(600) {
        let text = format!("the board let the validator take {} of 6.00", b.show(kept));
        return Ok(Seen::cannot_tell(text));
    }
    refunds(b, 600)
}

fn bill_and_status(b: &mut BoardBench) -> Run {
    b.ready();
    deaf_validator(b);
    b.bill(0);
    b.wait(Micros::ms(800));
    b.bill_do(|v, now| v.remove_cash_box(now));
    b.secs(5);
    refunds(b, 100)
}

fn stacker_full(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill(0);
    b.secs(8);
    let first = super::refund(b);
    b.bill(0);
    b.secs(12);
    let second = super::refund(b);
    let kept = b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)));
    let from = b.now();
    b.secs(5);
    let polls = b.count(from, BILL, "POLL");
    let text = format!(
        "{} kept, {} and {} paid back, {polls} in 5 s",
        b.show(kept),
        b.show(first),
        b.show(second),
        polls = words::count(polls, "POLL")
    );
    let right = kept == Money(100) && first == Money(100) && second.is_zero();
    Ok(Seen::judge(right && polls > 10, text))
}

fn runs_out(b: &mut BoardBench) -> Run {
    b.ready();
    // No single coin type that is in a tube pays this in one order.
    for coin_type in [3, 3, 3, 1] {
        b.coin(coin_type);
        b.secs(1);
    }
    b.secs(1);
    b.press_return();
    if !b.until_so(Micros::secs(10), |b| b.customer() > Money(-310)) {
        return Ok(Seen::cannot_tell("no coin came"));
    }
    // The tube of the next order fails before it gives a coin: all that came is known.
    let from = b.now();
    let ordered = |b: &BoardBench| b.count(from, CHANGER, "DISPENSE") > 0;
    if !b.until_so(Micros::secs(10), ordered) {
        return Ok(Seen::cannot_tell(
            "nothing was ordered once coins came, so that no tube could fail",
        ));
    }
    let order = b.since(from).find(|l| l.is(CHANGER, "DISPENSE"));
    let order = order.and_then(|l| l.bytes.get(1));
    let jammed = order.map_or(0, |order| order & 0x0F);
    b.changer_do(|c, now| c.block_tube(now, CoinType::of(jammed), true));
    b.secs(40);
    let back = Money(310).saturating_add(b.customer());
    let text = format!(
        "{} of 3.10 came back, though tube {jammed} jammed",
        b.show(back)
    );
    Ok(Seen::judge(back == Money(310), text))
}

fn light_cleared(b: &mut BoardBench) -> Run {
    b.ready();
    let before = b.exact_change();
    for _ in 0..4 {
        for coin in [2, 2, 1, 0] {
            b.coin(coin);
            b.secs(1);
        }
        b.select(11);
        b.secs(5);
    }
    let after = b.exact_change();
    let say = |on: bool| if on { "on" } else { "off" };
    let text = format!("the light was {}, then {}", say(before), say(after));
    Ok(Seen::judge(before && !after, text))
}

fn reader_code(b: &mut BoardBench) -> Run {
    let from = b.now();
    b.ready_or_not();
    let enabled = b.count(from, READER, "READER ENABLE");
    Ok(Seen::judge(
        enabled > 0,
        format!("READER ENABLE {enabled}", enabled = words::times(enabled)),
    ))
}

fn decimals(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill(0);
    b.secs(8);
    refunds(b, 100)
}

fn bits(bytes: Option<&[u8]>) -> Option<u32> {
    bytes?.try_into().ok().map(u32::from_be_bytes)
}

fn features(b: &mut BoardBench) -> Run {
    b.ready();
    let ids = b
        .lines()
        .iter()
        .filter(|l| !l.board && l.address == CHANGER);
    // Maker, serial, model, version, then four bytes of features, and CHK.
    let offered = ids.filter(|l| l.bytes.len() == 34);
    let offered = offered
        .filter_map(|l| bits(l.bytes.get(29..33)))
        .next()
        .unwrap_or(0);
    let mut enabling = b.lines().iter().filter(|l| l.is_command());
    let enabling = enabling.find(|l| l.bytes.starts_with(&[0x0F, 0x01]));
    Ok(match enabling.and_then(|l| bits(l.bytes.get(2..6))) {
        None => Seen::pass("no feature is enabled"),
        Some(enabled) => Seen::judge(
            enabled & !offered == 0,
            format!("offered {offered:08X}H, enabled {enabled:08X}H"),
        ),
    })
}

fn level_1(b: &mut BoardBench) -> Run {
    b.ready();
    let of_level_2 = |l: &&super::Line| {
        l.is_command() && matches!(l.bytes.as_slice(), [0x37, sub, ..] if *sub != 0)
    };
    let sent = b.lines().iter().filter(of_level_2).count();
    Ok(Seen::judge(
        sent == 0,
        words::count(sent, "command of level 2"),
    ))
}
