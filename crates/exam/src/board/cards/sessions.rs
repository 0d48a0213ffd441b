//! Sessions: cancelled, balances, several vends, out of step, idle, power cuts.

use super::super::bench::{BoardBench, CHANGER, READER};
use super::super::habit::Said;
use super::super::{BoardSetup, Entry, entry};
use super::{after_vend, card_sale, said};
use crate::check::{COMMON_PRACTICE, Run, Seen};
use crate::device::habit::{Context, Habits};
use payrig_units::{Micros, words};

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
    entry!(
        "cancel-ends-session",
        "Ends the session when the reader asks",
        "SESSION COMPLETE after SESSION CANCEL REQUEST",
        "7.4.4, 04H",
        "Cards are held: answer the request.",
        Rule,
        cancel,
        None,
        "ignores-cancel",
        "takes no notice of SESSION CANCEL REQUEST",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x12] && *d == [0x04] {
                d.clear();
            }
        })
    ),
    entry!(
        "unknown-balance-asked",
        "Asks a card whose balance is not known",
        "VEND REQUEST after BEGIN SESSION with FFFFH",
        "Appendix 3, section 4",
        "Such cards cannot buy: the balance is for display only.",
        Rule,
        |b| asked_with(b, None),
        None,
        "wants-a-balance",
        "asks nothing of a card without a balance",
        |s| {
            s.habits.hears = Some(|m, _, d| {
                if matches!(d.as_slice(), [0x03, 0xFF, 0xFF, ..]) {
                    m.count = 1;
                }
            });
            s.habits.says = Some(no_request);
        }
    ),
    entry!(
        "low-balance-asked",
        "Asks a card with too small a balance",
        "VEND REQUEST though the balance is below the price",
        "Appendix 3, section 4",
        "Discounts and credit are refused: the balance is for display only.",
        Rule,
        |b| asked_with(b, Some(10)),
        None,
        "judges-the-balance",
        "asks nothing of a card with too little",
        |s| {
            s.habits.hears = Some(|m, _, d| {
                if matches!(d.as_slice(), [0x03, 0x00, 0..=12, ..]) {
                    m.count = 1;
                }
            });
            s.habits.says = Some(no_request);
        }
    ),
    entry!(
        "multi-vend-only-where-allowed",
        "Sells once where a reader allows one vend",
        "SESSION COMPLETE after the first vend",
        "Appendix 3, section 4",
        "Readers fall out of step: see bit b1 of their options.",
        Rule,
        |b| after_vend(b, "SESSION COMPLETE"),
        Some(single),
        "multi-vend-everywhere",
        "goes on with the session whatever the reader allows",
        |s| s.habits.hears = Some(|_, _, d| {
            if let [0x01, _, _, _, _, _, _, misc] = d.as_mut_slice() {
                *misc |= 2;
            }
        })
    ),
    entry!(
        "multi-vend",
        "Sells twice in a session where that is allowed",
        "two VEND REQUESTs, one BEGIN SESSION",
        "Appendix 3, section 4",
        "Allowed, but customers must present their card again.",
        Advice,
        multi,
        Some(multiple),
        "never-multi-vend",
        "ends every session after one vend",
        |s| s.habits.hears = Some(|_, _, d| {
            if let [0x01, _, _, _, _, _, _, misc] = d.as_mut_slice() {
                *misc &= !2;
            }
        })
    ),
    entry!(
        "out-of-sequence-resets",
        "Resets a reader that is out of step",
        "RESET after COMMAND OUT OF SEQUENCE",
        "Appendix 3, section 3",
        "Both sides stay out of step: send RESET.",
        Rule,
        out_of_sequence,
        Some(out_of_step),
        "ignores-out-of-sequence",
        "takes COMMAND OUT OF SEQUENCE for a denial",
        |s| s.habits.hears = Some(|_, _, d| {
            if matches!(d.as_slice(), [0x0B, ..]) && d.len() <= 2 {
                *d = vec![0x06];
            }
        })
    ),
    entry!(
        "not-disabled-in-session",
        "Does not disable a reader in a session",
        "no READER DISABLE between BEGIN and END SESSION",
        "Appendix 3, section 4",
        "Old readers end the session: leave them enabled.",
        Advice,
        not_disabled,
        None,
        "disables-in-session",
        "sends READER DISABLE in a session",
        |s| {
            s.habits.hears = Some(|m, _, d| {
                if d.len() > 2 && d.first() == Some(&0x03) {
                    m.count = 1;
                }
            });
            s.habits.says = Some(|m, c| match c {
                [0x12] if m.count == 1 => {
                    m.count = 2;
                    Said::Instead(vec![0x14, 0x00])
                }
                _ => Said::AsIs,
            });
        }
    ),
    entry!(
        "idle-session-ends",
        "Ends a session nobody uses",
        "SESSION COMPLETE within 90 s",
        COMMON_PRACTICE,
        "The card of one customer pays for the next: end idle sessions.",
        Rule,
        idle,
        None,
        "endless-sessions",
        "lets an idle session go on for an hour",
        |s| s.board.session_timeout = Micros::secs(3_600)
    ),
    entry!(
        "session-repeated-once",
        "Bears BEGIN SESSION said again",
        "one vend, one VEND SUCCESS",
        "2.2, Appendix 3, section 3",
        "A repetition upsets the board: one session is one.",
        Rule,
        one_sale,
        Some(repeats),
        "sells-twice",
        "asks again for the same item",
        |s| s.habits.says = Some(|m, c| match c {
            [0x13, 0x04] if m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x13, 0x00, 0x00, 0x0D, 0x00, 0x0B])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "reader-back-after-power-cut",
        "Sets the reader up after a power cut in a vend",
        "READER ENABLE again, and no coins paid",
        "7.4.1, 7.4.7",
        "Cards are refused after a power cut: set up again.",
        Rule,
        power_cut,
        None,
        "reader-off-after-cut",
        "does not enable the reader again",
        |s| s.habits.says = Some(|m, c| match c {
            [0x14, 0x01] if m.commands.contains_key(&0x14) => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "return-and-card-at-once",
        "Bears a card taken out just as the return is pressed",
        "no coin, and the next card can buy",
        "Appendix 3, section 4",
        "Board and reader wait for each other: accept END SESSION whenever it comes.",
        Rule,
        at_once,
        None,
        "knows-one-session",
        "hears of no card after its first session",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x12] && matches!(d.as_slice(), [0x03, ..]) {
                m.count += 1;
                if m.count > 1 {
                    d.clear();
                }
            }
        })
    ),
];

fn no_request(m: &mut crate::board::habit::Memory, command: &[u8]) -> Said {
    match command {
        [0x13, 0x00, ..] if m.count == 1 => Said::Instead(vec![0x12]),
        _ => Said::AsIs,
    }
}

fn single(s: &mut BoardSetup) {
    (s.board.multi_vend, s.cashless.multivend) = (true, false);
}

fn multiple(s: &mut BoardSetup) {
    (s.board.multi_vend, s.cashless.multivend) = (true, true);
}

fn repeats(s: &mut BoardSetup) {
    s.cashless.quirks.begin_session_repeated = true;
}

fn says_out_of_sequence(_: &Context<'_>, data: &mut Vec<u8>) {
    if data.first() == Some(&0x05) && data.len() == 3 {
        *data = vec![0x0B, 0x03];
    }
}

fn out_of_step(s: &mut BoardSetup) {
    let rewrite = Some(says_out_of_sequence as crate::device::habit::Rewrite);
    s.device_habits.insert(
        READER,
        Habits {
            rewrite,
            ..Habits::default()
        },
    );
}

fn asked_with(b: &mut BoardBench, balance: Option<i64>) -> Run {
    let from = card_sale(b, balance, 11);
    said(b, from, "VEND REQUEST")
}

fn multi(b: &mut BoardBench) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    b.select(12);
    b.secs(8);
    let asked = b.count(from, READER, "VEND REQUEST");
    Ok(Seen::judge(
        asked == 2,
        format!(
            "VEND REQUEST {asked} in one session",
            asked = words::times(asked)
        ),
    ))
}

fn out_of_sequence(b: &mut BoardBench) -> Run {
    card_sale(b, Some(1_000), 11);
    let told = b
        .lines()
        .iter()
        .find(|l| !l.board && l.address == READER && l.bytes.starts_with(&[0x0B, 0x03]));
    let Some(told) = told.map(|l| l.at) else {
        return Ok(Seen::cannot_tell("no vend was asked for"));
    };
    let reset = b
        .since(told)
        .find(|l| l.is(READER, "RESET"))
        .map(|l| l.at.since(told));
    let text = match reset {
        Some(after) => format!("RESET after {after}"),
        None => "no RESET".to_owned(),
    };
    Ok(Seen::judge(
        reset.is_some_and(|after| after < Micros::secs(2)),
        text,
    ))
}

fn not_disabled(b: &mut BoardBench) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    let times = b.count(from, READER, "READER DISABLE");
    Ok(Seen::judge(
        times == 0,
        format!("READER DISABLE {times}", times = words::times(times)),
    ))
}

fn idle(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.card(Some(1_000));
    b.secs(90);
    said(b, from, "SESSION COMPLETE")
}

fn one_sale(b: &mut BoardBench) -> Run {
    let from = card_sale(b, Some(1_000), 11);
    let asked = b.count(from, READER, "VEND REQUEST");
    let success = b.count(from, READER, "VEND SUCCESS");
    let text = format!(
        "VEND REQUEST {asked}, VEND SUCCESS {success}",
        asked = words::times(asked),
        success = words::times(success)
    );
    Ok(Seen::judge(asked == 1 && success == 1, text))
}

fn power_cut(b: &mut BoardBench) -> Run {
    b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.select(11);
    b.wait(Micros::ms(1_200));
    b.board_power(false);
    b.secs(3);
    let from = b.now();
    b.board_power(true);
    b.secs(20);
    let enabled = b.count(from, READER, "READER ENABLE");
    let paid = b.count(from, CHANGER, "DISPENSE");
    let text = format!(
        "READER ENABLE {enabled}, DISPENSE {paid}",
        enabled = words::times(enabled),
        paid = words::times(paid)
    );
    Ok(Seen::judge(enabled > 0 && paid == 0, text))
}

fn cancel(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.reader_do(|r, now| r.press_cancel(now));
    b.secs(5);
    said(b, from, "SESSION COMPLETE")
}

fn at_once(b: &mut BoardBench) -> Run {
    b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.take_card();
    b.press_return();
    b.secs(12);
    let coins = b.customer();
    b.card(Some(1_000));
    b.secs(2);
    b.select(11);
    b.secs(10);
    let sold = b.delivered().len();
    let text = format!(
        "{} in coins; the next card buys {sold}",
        b.show(coins),
        sold = words::count(sold, "item")
    );
    Ok(Seen::judge(coins.is_zero() && sold == 1, text))
}
