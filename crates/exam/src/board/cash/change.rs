//! Change: right, once, from what is there; exact change, failed vends.

use super::super::bench::BoardBench;
use super::super::habit::Said;
use super::super::{BoardSetup, Entry, entry};
use super::empty;
use crate::check::{COMMON_PRACTICE, Run, Seen};
use payrig_mdb::changer::CoinType;
use payrig_units::{Micros, Money, Place, words};

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
    entry!(
        "change-right",
        "Pays the right change",
        "1.00 for an item of 0.65: 0.35 comes back",
        "5.3, DISPENSE",
        "Customers are short-changed: see scaling and coin values.",
        Rule,
        |b| sale(b, 35),
        None,
        "pays-no-change",
        "does not pay change",
        |s| s.habits.says = Some(|_, c| match c {
            [0x0D, ..] => Said::Instead(vec![0x0B]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "dispense-not-repeated",
        "Does not pay twice when the ACK of DISPENSE is lost",
        "0.35 at the most comes back",
        "Appendix 3, section 3, condition 1",
        "A noisy bus pays twice: never repeat DISPENSE blindly.",
        Rule,
        not_twice,
        Some(unacknowledged),
        "repeats-dispense",
        "sends an unacknowledged DISPENSE again",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0D, ..] => {
                m.kept = c.to_vec();
                Said::AsIs
            }
            // The changer's next command, whatever was said to others meanwhile.
            [0x08..=0x0F, ..]
                if m.silences.get(&0x08).is_some_and(|n| *n > 0)
                    && m.count == 0
                    && !m.kept.is_empty() =>
            {
                m.count = 1;
                Said::Instead(m.kept.clone())
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "empty-tube-made-up-for",
        "Pays with other coins when a tube fails",
        "0.35 comes back though 0.25 cannot be paid",
        "5.3, TUBE STATUS",
        "Customers are short-changed: count what came out and pay the rest.",
        Rule,
        blocked_tube,
        None,
        "pays-once-only",
        "orders one DISPENSE per sale",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0D, ..] if m.commands.contains_key(&0x0D) => Said::Instead(vec![0x0B]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "no-bill-without-change",
        "Takes no bill it cannot change",
        "1.00 comes back while the tubes are empty",
        COMMON_PRACTICE,
        "Customers cannot get change: hold bills off when tubes are empty.",
        Rule,
        no_bill,
        Some(empty),
        "takes-every-bill",
        "takes bills whatever the tubes hold",
        |s| s.habits.says = Some(|_, c| match c {
            [0x34, ..] => Said::Changed(vec![0x34, 0x00, 0x0F, 0x00, 0x0F]),
            [0x35, ..] => Said::Changed(vec![0x35, 0x01]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "bills-again-with-change",
        "Takes bills again once it has change",
        "BILL TYPE enables 1.00 after sales filled the tubes",
        COMMON_PRACTICE,
        "Bills stay off for ever: look at the tubes after every coin.",
        Rule,
        bills_again,
        Some(empty),
        "bills-off-for-ever",
        "never enables bills again",
        |s| s.habits.says = Some(|_, c| match c {
            [0x34, ..] => Said::Changed(vec![0x34, 0, 0, 0, 0]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "exact-change-shown",
        "Shows that exact change is needed",
        "the light is on while the tubes are empty",
        COMMON_PRACTICE,
        "Customers are surprised: switch the light on.",
        Advice,
        light,
        Some(empty),
        "no-light",
        "never shows exact change",
        |s| s.habits.no_exact_change_light = true
    ),
    entry!(
        "failed-vend-keeps-credit",
        "Keeps the credit when an item does not fall",
        "1.00 comes back",
        COMMON_PRACTICE,
        "Customers pay for nothing: see the drop sensor.",
        Rule,
        failed_vend,
        None,
        "no-drop-sensor",
        "does not notice that an item did not fall",
        |s| s.habits.no_drop_sensor = true
    ),
    entry!(
        "no-gift-after-power-cut",
        "Gives no money away after a power cut",
        "no more comes out than was put in",
        COMMON_PRACTICE,
        "A power cut makes money: credit must not come twice.",
        Rule,
        no_gift,
        None,
        "pays-after-power-cut",
        "pays out after a power cut",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if m.commands.get(&0x0C).is_some_and(|n| *n >= 4) && m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x0D, 0x42])
            }
            _ => Said::AsIs,
        })
    ),
];

fn unacknowledged(s: &mut BoardSetup) {
    s.changer_quirks.dispense_without_ack = true;
    s.changer_quirks.double_dispense_on_repeat = true;
}

/// A coin of 1.00, an item of 0.65, and what came back within half a minute.
fn change_of_sale(b: &mut BoardBench) -> Money {
    b.coin(3);
    b.secs(2);
    b.select(11);
    b.secs(30);
    b.customer().saturating_add(Money(100))
}

fn sale(b: &mut BoardBench, wanted: i64) -> Run {
    b.ready();
    let change = change_of_sale(b);
    let sold = b.delivered().len();
    let text = format!("{sold} sold, change {}", b.show(change));
    Ok(Seen::judge(change == Money(wanted) && sold == 1, text))
}

fn not_twice(b: &mut BoardBench) -> Run {
    b.ready();
    let change = change_of_sale(b);
    let text = format!("change {}", b.show(change));
    Ok(Seen::judge(change <= Money(35), text))
}

fn blocked_tube(b: &mut BoardBench) -> Run {
    b.ready();
    b.changer_do(|c, now| c.block_tube(now, CoinType::of(2), true));
    let change = change_of_sale(b);
    let text = format!("change {}", b.show(change));
    Ok(Seen::judge(change == Money(35), text))
}

fn no_bill(b: &mut BoardBench) -> Run {
    b.ready();
    b.bill(0);
    b.secs(12);
    let kept = b.sum(|p| matches!(p, Place::Stacker(_) | Place::Escrow(_)));
    Ok(Seen::judge(
        kept.is_zero(),
        format!("{} kept", b.show(kept)),
    ))
}

fn bills_again(b: &mut BoardBench) -> Run {
    let from = b.ready();
    for _ in 0..4 {
        for coin in [2, 2, 1, 0] {
            b.coin(coin);
            b.secs(1);
        }
        b.select(11);
        b.secs(5);
    }
    let last = b
        .since(from)
        .filter(|l| l.is(crate::board::bench::BILL, "BILL TYPE"))
        .last();
    let enabled = last.is_some_and(|l| l.bytes.get(2).is_some_and(|bits| bits & 1 != 0));
    let sold = b.delivered().len();
    let text = format!(
        "after {sold} with coins 1.00 is {}",
        if enabled { "enabled" } else { "still off" },
        sold = words::count(sold, "sale")
    );
    Ok(Seen::judge(enabled, text))
}

fn light(b: &mut BoardBench) -> Run {
    b.ready();
    let on = b.exact_change();
    let text = format!("the light is {}", if on { "on" } else { "off" });
    Ok(Seen::judge(on, text))
}

fn failed_vend(b: &mut BoardBench) -> Run {
    b.ready();
    b.block_motor(11);
    b.coin(3);
    b.secs(2);
    b.select(11);
    b.secs(5);
    // Some boards pay back at once, others wait for the return.
    b.press_return();
    b.secs(10);
    let back = b.customer().saturating_add(Money(100));
    let text = format!("{} of 1.00 came back", b.show(back));
    Ok(Seen::judge(back == Money(100), text))
}

fn no_gift(b: &mut BoardBench) -> Run {
    b.ready();
    b.coin(2);
    b.wait(Micros::ms(600));
    b.board_power(false);
    b.secs(2);
    b.board_power(true);
    b.secs(20);
    for _ in 0..2 {
        b.changer_do(|c, now| c.reset_itself(now));
        b.secs(10);
    }
    let gained = b.customer();
    let text = match gained {
        Money::ZERO => "the customer has as much as before".to_owned(),
        more if more > Money::ZERO => format!("the customer has {} more than before", b.show(more)),
        less => format!("the customer has {} less than before", b.show(-less)),
    };
    Ok(Seen::judge(gained <= Money::ZERO, text))
}
