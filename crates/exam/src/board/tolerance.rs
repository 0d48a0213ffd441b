//! Checks of what a board must bear: answers as late and words as slow as the standard allows, and
//! as older peripherals are, payouts and decisions that take their time.

use super::bench::{BILL, BoardBench, CHANGER, READER};
use super::habit::Said;
use super::{BoardSetup, Entry, entry};
use crate::check::{Run, Seen};
use crate::device::habit::Habits;
use payrig_units::{Micros, Money, words};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "accepts-answers-at-5-ms",
        "Accepts answers that come after 4.9 ms",
        "changer, validator and reader that slow are set up",
        "3.2",
        "Good peripherals are taken for dead: wait at least 5 ms for an answer.",
        Rule,
        all_set_up,
        Some(|s| all(s, Some(Micros(3_900)), None)),
        "waits-3-ms",
        "waits 3 ms for an answer",
        |s| s.board.timing.answer_borne = Micros::ms(3)
    ),
    entry!(
        "accepts-pauses-of-1-ms",
        "Accepts pauses of 1 ms inside answers",
        "changer, validator and reader that slow are set up",
        "3.2",
        "Good peripherals are not understood: bear pauses of at least 1 ms.",
        Rule,
        all_set_up,
        Some(|s| all(s, None, Some(Micros::ms(1)))),
        "bears-half-a-millisecond",
        "bears a pause of 0.5 ms",
        |s| s.board.timing.gap_borne = Micros(500)
    ),
    entry!(
        "bears-answers-at-18-ms",
        "Bears answers that come after 18 ms",
        "changer, validator and reader that slow are set up",
        "Appendix 3, section 2",
        "Old peripherals are not found: wait 20 ms.",
        Advice,
        all_set_up,
        Some(|s| all(s, Some(Micros::ms(17)), None)),
        "waits-15-ms",
        "waits 15 ms for an answer",
        |s| s.board.timing.answer_borne = Micros::ms(15)
    ),
    entry!(
        "waits-for-slow-payout",
        "Waits for a payout that takes long",
        "a changer busy for 16 s with four coins is not reset, and 1.00 comes back",
        "5.3, DISPENSE, Appendix 3, section 2",
        "Change is paid in part or twice: wait while CHANGER PAYOUT BUSY is said.",
        Rule,
        slow_payout,
        Some(|s| s.changer.payout_time = Micros::secs(4)),
        "resets-slow-payout",
        "sends RESET when a payout takes longer than 5 s",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0D, ..] => {
                m.count = 1;
                Said::AsIs
            }
            [0x0B] if m.count > 0 => {
                m.count += 1;
                if m.count == 35 {
                    Said::Instead(vec![0x08])
                } else {
                    Said::AsIs
                }
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "waits-for-slow-decision",
        "Waits for a card as long as its reader says",
        "a reader that says 30 s and takes 20 s sells",
        "7.4.2, 7.5, Appendix 3, section 2",
        "Online cards cannot buy: wait for the reader's maximum response time.",
        Rule,
        slow_decision,
        Some(patient),
        "knows-no-response-time",
        "takes every response time for 5 s",
        |s| s.habits.hears = Some(|_, _, d| {
            if let [0x01, _, _, _, _, _, time, _] = d.as_mut_slice() {
                *time = 5;
            }
        })
    ),
    entry!(
        "polls-again-after-credit",
        "Polls again soon after a coin",
        "a POLL 15 to 60 ms after a coin was reported",
        "Appendix 3, section 3, condition 2",
        "A lost ACK cannot be told from a second coin: POLL once more after 20 ms.",
        Advice,
        polls_again,
        None,
        "no-poll-after-credit",
        "leaves out the POLL after a coin",
        |s| s.habits.says = Some(|m, c| {
            let coin = |d: &Vec<u8>| matches!(d.first(), Some(0x40..=0x5F));
            if c == [0x0B] && m.last_data.get(&CHANGER).is_some_and(coin) {
                m.last_data.remove(&CHANGER);
                return Said::Nothing;
            }
            Said::AsIs
        })
    ),
    entry!(
        "waits-after-nak",
        "Waits out the time-out after a NAK",
        "no command within 5 ms of a NAK",
        "Appendix 3, section 3",
        "Late answers of others collide with the next command: wait as after silence.",
        Advice,
        waits_after_nak,
        Some(naking_changer),
        "takes-nak-for-ack",
        "takes NAK for ACK and goes on at once",
        |s| s.habits.nak_is_ack = true
    ),
];

fn naking_changer(s: &mut BoardSetup) {
    let nak_for_ack = Some(3);
    for address in [CHANGER, BILL, READER] {
        let habits = Habits {
            nak_for_ack,
            ..Habits::default()
        };
        s.device_habits.insert(address, habits);
    }
}

fn waits_after_nak(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let pairs = b.lines().iter().zip(b.lines().iter().skip(1));
    let naks = pairs.filter(|(l, next)| !l.board && l.bytes == [0xFF] && next.is_command());
    let pauses: Vec<Micros> = naks.map(|(l, next)| next.at.since(l.end)).collect();
    let Some(least) = pauses.iter().min() else {
        return Ok(Seen::cannot_tell("no NAK was sent"));
    };
    let text = format!(
        "{}, the next command after {least} at the least",
        words::count(pauses.len(), "NAK")
    );
    Ok(Seen::judge(*least >= Micros::ms(5), text))
}

fn all(s: &mut BoardSetup, late: Option<Micros>, gap: Option<Micros>) {
    for address in [CHANGER, BILL, READER] {
        let habits = Habits {
            late: late.map(|by| (1, by)),
            gap,
            ..Habits::default()
        };
        s.device_habits.insert(address, habits);
    }
}

fn patient(s: &mut BoardSetup) {
    s.cashless.response_time = 30;
    s.cashless.approve_delay = Micros::secs(20);
}

fn all_set_up(b: &mut BoardBench) -> Run {
    let from = b.now();
    b.ready_or_not();
    let last = [
        (CHANGER, "COIN TYPE", "changer"),
        (BILL, "BILL TYPE", "validator"),
        (READER, "READER ENABLE", "reader"),
    ];
    let without = |(address, name, _): &&(u8, &str, &str)| b.count(from, *address, name) == 0;
    let missing: Vec<&str> = last.iter().filter(without).map(|(.., who)| *who).collect();
    let text = match missing.is_empty() {
        true => "all are set up".to_owned(),
        false => format!("never set up: {}", missing.join(", ")),
    };
    Ok(Seen::judge(missing.is_empty(), text))
}

fn slow_payout(b: &mut BoardBench) -> Run {
    let from = b.ready_or_not();
    b.coin(3);
    b.secs(2);
    b.press_return();
    b.secs(40);
    let resets = b.count(from, CHANGER, "RESET");
    let text = format!(
        "{} of 1.00 missing after 40 s, RESET {resets}",
        b.show(-b.customer()),
        resets = words::times(resets)
    );
    Ok(Seen::judge(
        b.customer() == Money::ZERO && resets == 0,
        text,
    ))
}

fn slow_decision(b: &mut BoardBench) -> Run {
    let from = b.ready_or_not();
    b.card(Some(1_000));
    b.secs(2);
    b.select(11);
    b.secs(35);
    let sold = b.delivered().len();
    let cancelled = b.count(from, READER, "VEND CANCEL");
    let text = format!(
        "{sold} sold, VEND CANCEL {cancelled}",
        cancelled = words::times(cancelled)
    );
    Ok(Seen::judge(sold == 1 && cancelled == 0, text))
}

fn polls_again(b: &mut BoardBench) -> Run {
    let from = b.ready_or_not();
    b.coin(2);
    b.secs(3);
    let own: Vec<_> = b.since(from).filter(|l| l.address == CHANGER).collect();
    let coin = |l: &super::Line| !l.board && matches!(l.bytes.first(), Some(0x40..=0x5F));
    let Some(at) = own.iter().position(|l| coin(l)) else {
        return Ok(Seen::cannot_tell("no coin was reported"));
    };
    let after = own.iter().skip(at);
    let end = own.get(at).map_or(Micros::ZERO, |l| l.end);
    let next = after
        .filter(|l| l.is(CHANGER, "POLL"))
        .map(|l| l.at.since(end))
        .next();
    Ok(match next {
        None => Seen::fail("no POLL after it"),
        Some(after) => Seen::judge(
            (Micros::ms(15)..=Micros::ms(60)).contains(&after),
            format!("the next POLL {after} after the report"),
        ),
    })
}
