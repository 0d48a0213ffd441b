//! Checks of how a board repeats a command that was not answered: for as long as the non-response
//! time, in turn with POLL.

use super::bench::{BILL, BoardBench, CHANGER, READER};
use super::habit::Said;
use super::{BoardSetup, Entry, entry};
use crate::check::{Run, Seen};
use crate::device::habit::Habits;
use payrig_units::{Micros, words};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "coin-type-in-turn-with-poll",
        "Repeats COIN TYPE in turn with POLL",
        "a changer deaf to COIN TYPE hears it again, with a POLL between",
        "5.4, Appendix 3, section 3",
        "One lost command leaves coins off, or blocks the changer: repeat it in turn with POLL.",
        Rule,
        |b| at_start(b, CHANGER, "COIN TYPE", Micros::secs(2)),
        Some(deaf_changer),
        "repeats-without-poll",
        "repeats COIN TYPE without a POLL between",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0C, ..] => {
                m.kept = c.to_vec();
                Said::AsIs
            }
            [0x0B] if m.unanswered && !m.kept.is_empty() => Said::Instead(m.kept.clone()),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "bill-type-in-turn-with-poll",
        "Repeats BILL TYPE in turn with POLL",
        "a validator deaf to BILL TYPE hears it again, with a POLL between",
        "6.4, Appendix 3, section 3",
        "One lost command leaves bills off for ever: repeat it in turn with POLL.",
        Rule,
        |b| at_start(b, BILL, "BILL TYPE", Micros::secs(5)),
        Some(deaf_validator),
        "says-bill-type-once",
        "gives BILL TYPE up after one try",
        |s| s.habits.says = Some(|m, c| match c {
            [0x34, ..] if m.commands.contains_key(&0x34) => Said::Instead(vec![0x33]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "reader-enable-in-turn-with-poll",
        "Repeats READER ENABLE in turn with POLL",
        "a reader deaf to READER ENABLE hears it again, with a POLL between",
        "7.5, Appendix 3, section 3",
        "One lost command leaves cards off, or blocks the reader: repeat it in turn with POLL.",
        Rule,
        |b| at_start(b, READER, "READER ENABLE", Micros::secs(5)),
        Some(deaf_reader),
        "enables-without-poll",
        "repeats READER ENABLE without a POLL between",
        |s| s.habits.says = Some(|m, c| match c {
            [0x14, 0x01] => {
                m.count = 1;
                Said::AsIs
            }
            [0x12] if m.count == 1 && m.unanswered => Said::Instead(vec![0x14, 0x01]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "vend-request-in-turn-with-poll",
        "Repeats VEND REQUEST in turn with POLL",
        "a reader deaf to VEND REQUEST hears it again, with a POLL between",
        "7.5, Appendix 3, section 3",
        "One lost request and the customer waits for nothing: repeat it in turn with POLL.",
        Rule,
        vend_request,
        Some(deaf_to_requests),
        "asks-for-a-vend-once",
        "gives VEND REQUEST up after one try",
        |s| s.habits.says = Some(|m, c| match c {
            [0x13, 0x00, ..] if m.commands.contains_key(&0x13) => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
];

fn deaf(s: &mut BoardSetup, address: u8, to: fn(&[u8]) -> bool) {
    let deaf_to = Some(to);
    let habits = Habits {
        deaf_to,
        ..Habits::default()
    };
    s.device_habits.insert(address, habits);
}

fn deaf_changer(s: &mut BoardSetup) {
    deaf(s, CHANGER, |c| matches!(c, [0x0C, ..]));
}

fn deaf_validator(s: &mut BoardSetup) {
    deaf(s, BILL, |c| matches!(c, [0x34, ..]));
}

fn deaf_reader(s: &mut BoardSetup) {
    deaf(s, READER, |c| matches!(c, [0x14, 0x01]));
}

fn deaf_to_requests(s: &mut BoardSetup) {
    deaf(s, READER, |c| matches!(c, [0x13, 0x00, ..]));
}

fn at_start(b: &mut BoardBench, address: u8, name: &str, time: Micros) -> Run {
    let from = b.now();
    b.until_so(Micros::secs(30), |b| b.count(from, address, name) > 0);
    b.wait(time);
    in_turn(b, from, address, name, time)
}

fn vend_request(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.card(Some(1_000));
    b.secs(2);
    b.select(11);
    b.secs(6);
    in_turn(b, from, READER, "VEND REQUEST", Micros::secs(5))
}

/// In the non-response time after the first: given at least twice, and never twice in a row.
fn in_turn(b: &BoardBench, from: Micros, address: u8, name: &str, time: Micros) -> Run {
    let own = |b: &BoardBench| -> Vec<(Micros, bool)> {
        let commands = b.since(from);
        let commands = commands.filter(|l| l.is_command() && l.address == address);
        commands.map(|l| (l.at, l.name == name)).collect()
    };
    let commands = own(b);
    let Some((first, _)) = commands.iter().find(|(_, is)| *is).copied() else {
        return Ok(Seen::fail(format!("{name} was never given")));
    };
    let within = |(at, _): &&(Micros, bool)| *at >= first && *at < first + time;
    let given: Vec<bool> = commands.iter().filter(within).map(|(_, is)| *is).collect();
    let times = given.iter().filter(|is| **is).count();
    let pairs = given.iter().zip(given.iter().skip(1));
    let in_a_row = pairs.filter(|(a, b)| **a && **b).count();
    let text = format!(
        "{name} {times} in {seconds} s, {in_a_row} without a POLL between",
        times = words::times(times),
        seconds = time.as_us() / 1_000_000,
        in_a_row = words::times(in_a_row)
    );
    Ok(Seen::judge(times >= 2 && in_a_row == 0, text))
}
