//! Times and blocks on the wire.

use super::super::bench::{BILL, BoardBench, CHANGER, Line, READER};
use super::super::{Entry, entry};
use super::changer_initialised;
use crate::check::{Run, Seen};
use crate::device::habit::Habits;
use payrig_mdb::Block;
use payrig_units::{Micros, words};

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
    entry!(
        "command-byte-gaps",
        "Pauses at most 1 ms between bytes",
        "no pause inside a command longer than 1.0 ms",
        "3.2",
        "Peripherals lose commands: send without pauses.",
        Rule,
        |b| byte_gaps(b, Micros::ms(1)),
        None,
        "slow-commands",
        "pauses 1.5 ms between bytes",
        |s| s.board.timing.gap = Micros(1_500)
    ),
    entry!(
        "command-byte-margin",
        "Pauses at most 0.8 ms between bytes",
        "no pause inside a command longer than 0.8 ms",
        "Appendix 3, section 2",
        "Within the limit, without the margin.",
        Advice,
        |b| byte_gaps(b, Micros(800)),
        None,
        "rather-slow-commands",
        "pauses 0.9 ms between bytes",
        |s| s.board.timing.gap = Micros(880)
    ),
    entry!(
        "acknowledges-in-time",
        "Acknowledges within 5 ms",
        "ACK at most 5.0 ms after data",
        "3.2",
        "Peripherals repeat their reports: answer sooner.",
        Rule,
        |b| ack_times(b, Micros::ms(5)),
        None,
        "late-acks",
        "acknowledges after 6 ms",
        |s| s.board.timing.turnaround = Micros::ms(6)
    ),
    entry!(
        "acknowledges-with-margin",
        "Acknowledges within 4 ms",
        "ACK at most 4.0 ms after data",
        "Appendix 3, section 2",
        "Within the limit, without the margin.",
        Advice,
        |b| ack_times(b, Micros::ms(4)),
        None,
        "rather-late-acks",
        "acknowledges after 4.5 ms",
        |s| s.board.timing.turnaround = Micros(4_500)
    ),
    entry!(
        "polls-often-enough",
        "Speaks to each peripheral every 200 ms",
        "no longer pause in 20 s at rest",
        "2.4.3",
        "Coins and bills are taken slowly: poll every 125 to 200 ms.",
        Rule,
        often_enough,
        None,
        "polls-rarely",
        "polls every 400 ms",
        |s| s.board.poll_every = Micros::ms(400)
    ),
    entry!(
        "polls-not-too-often",
        "Leaves each peripheral 25 ms",
        "no POLL sooner after an answered one",
        "2.4.3",
        "Peripherals are kept from their work: poll every 125 to 200 ms.",
        Rule,
        not_too_often,
        None,
        "polls-madly",
        "polls every 10 ms",
        |s| s.board.poll_every = Micros::ms(10)
    ),
    entry!(
        "polls-as-recommended",
        "Polls every 125 to 200 ms",
        "most POLLs in that range",
        "Appendix 3, section 2",
        "Allowed, but readers are slowed down: poll at leisure.",
        Advice,
        as_recommended,
        None,
        "polls-fast",
        "polls every 60 ms",
        |s| s.board.poll_every = Micros::ms(60)
    ),
    entry!(
        "command-checksums",
        "Sends right checksums",
        "every command ends with its CHK",
        "2.2",
        "Peripherals do not answer: correct the sum.",
        Rule,
        checksums,
        None,
        "wrong-checksums",
        "every fifth command has a wrong CHK",
        |s| s.habits.wrong_chk = true
    ),
    entry!(
        "address-mode-bit",
        "Marks address bytes",
        "the mode bit set on the first byte of a command, and only there",
        "2.2",
        "Peripherals do not hear it: check the serial driver.",
        Rule,
        mode_bits,
        None,
        "no-mode-bits",
        "every fifth address byte is not marked",
        |s| s.habits.no_mode_bit = true
    ),
    entry!(
        "data-acknowledged",
        "Acknowledges data",
        "ACK, NAK or RET after every answer with data",
        "2.2",
        "Peripherals repeat for ever: acknowledge.",
        Rule,
        acknowledged,
        None,
        "never-acknowledges",
        "sends no ACK",
        |s| s.habits.never_acks = true
    ),
    entry!(
        "good-data-accepted",
        "Accepts good data",
        "ACK, not NAK, after data with a right CHK",
        "2.2",
        "Nothing is ever heard: check the sum of answers.",
        Rule,
        accepted,
        None,
        "naks-good-data",
        "answers data with NAK",
        |s| s.habits.naks_data = true
    ),
    entry!(
        "bears-late-answers",
        "Bears answers after 12 ms",
        "a changer that slow is set up",
        "Appendix 3, section 2",
        "Old peripherals are not found: wait 20 ms.",
        Advice,
        changer_initialised,
        Some(late_changer),
        "waits-5-ms",
        "waits 5 ms for an answer",
        |s| s.board.timing.answer_borne = Micros::ms(5)
    ),
    entry!(
        "bears-slow-answers",
        "Bears pauses of 4 ms inside answers",
        "a changer that slow is set up",
        "Appendix 3, section 2",
        "Old peripherals are not understood: bear 5 ms.",
        Advice,
        changer_initialised,
        Some(slow_changer),
        "bears-1-ms",
        "bears a pause of 1 ms",
        |s| s.board.timing.gap_borne = Micros::ms(1)
    ),
];

fn late_changer(s: &mut crate::board::BoardSetup) {
    let late = Some((1, Micros::ms(11)));
    s.device_habits.insert(
        CHANGER,
        Habits {
            late,
            ..Habits::default()
        },
    );
}

fn slow_changer(s: &mut crate::board::BoardSetup) {
    let gap = Some(Micros::ms(4));
    s.device_habits.insert(
        CHANGER,
        Habits {
            gap,
            ..Habits::default()
        },
    );
}

fn byte_gaps(b: &mut BoardBench, limit: Micros) -> Run {
    b.ready_or_not();
    let commands = b.lines().iter().filter(|l| l.is_command());
    let longest = commands.map(|l| l.pause).max().unwrap_or_default();
    let text = format!("longest pause {longest}");
    Ok(Seen::at_most(&[longest], limit, b.uncertainty(), text))
}

/// Every data answer of a peripheral with the block that follows it.
fn answers(b: &BoardBench) -> Vec<(&Line, Option<&Line>)> {
    let lines = b.lines();
    let next = lines.iter().skip(1).map(Some).chain([None]);
    let data = |(l, _): &(&Line, Option<&Line>)| !l.board && l.bytes.len() > 1;
    // The last may not be answered yet.
    let mut all: Vec<_> = lines.iter().zip(next).filter(data).collect();
    all.retain(|(l, n)| n.is_some() || l.end + Micros::ms(50) < b.now());
    all
}

fn is_verdict(line: &Line) -> bool {
    line.board && line.bytes.len() == 1
}

fn ack_times(b: &mut BoardBench, limit: Micros) -> Run {
    b.ready_or_not();
    let times = answers(b)
        .into_iter()
        .filter_map(|(data, next)| next.filter(|n| is_verdict(n)).map(|n| n.at.since(data.end)));
    let times: Vec<Micros> = times.collect();
    let Some(longest) = times.iter().max() else {
        return Ok(Seen::cannot_tell("nothing was acknowledged"));
    };
    let text = format!(
        "{}, the latest after {longest}",
        words::count(times.len(), "acknowledgment")
    );
    Ok(Seen::at_most(&[*longest], limit, b.uncertainty(), text))
}

fn acknowledged(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let all = answers(b);
    let without = all
        .iter()
        .filter(|(_, n)| !n.is_some_and(is_verdict))
        .count();
    let text = format!(
        "{}, {without} not acknowledged",
        words::count(all.len(), "answer")
    );
    Ok(Seen::judge(without == 0 && !all.is_empty(), text))
}

fn accepted(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let all = answers(b);
    let naked = |n: &Line| is_verdict(n) && n.bytes.first() == Some(&0xFF);
    let refused = all.iter().filter(|(_, n)| n.is_some_and(naked)).count();
    let text = format!("{}, {refused} refused", words::count(all.len(), "answer"));
    Ok(Seen::judge(refused == 0, text))
}

/// Starts of the commands to an address in 20 s at rest.
fn at_rest(b: &mut BoardBench, name: Option<&str>) -> Vec<Vec<Micros>> {
    b.ready_or_not();
    b.secs(3);
    let from = b.rest();
    b.secs(20);
    let starts = |address| {
        let commands = b
            .since(from)
            .filter(|l| l.is_command() && l.address == address);
        let meant = commands.filter(|l| name.is_none_or(|name| name == l.name));
        meant.map(|l| l.at).collect()
    };
    [CHANGER, BILL, READER].map(starts).into()
}

fn intervals(b: &mut BoardBench, name: Option<&str>) -> Vec<Micros> {
    let mut all = Vec::new();
    for starts in at_rest(b, name) {
        let pairs = starts.iter().zip(starts.iter().skip(1));
        all.extend(pairs.map(|(a, b)| b.since(*a)));
    }
    all
}

fn often_enough(b: &mut BoardBench) -> Run {
    let longest = intervals(b, None)
        .into_iter()
        .max()
        .unwrap_or(Micros::secs(20));
    let text = format!("longest pause {longest}");
    let limit = Micros::ms(200);
    Ok(Seen::at_most(&[longest], limit, b.uncertainty(), text))
}

fn not_too_often(b: &mut BoardBench) -> Run {
    let Some(shortest) = intervals(b, Some("POLL")).into_iter().min() else {
        return Ok(Seen::cannot_tell("nothing was polled"));
    };
    let text = format!("shortest interval {shortest}");
    Ok(Seen::at_least(
        shortest,
        Micros::ms(25),
        b.uncertainty(),
        text,
    ))
}

fn as_recommended(b: &mut BoardBench) -> Run {
    let all = intervals(b, Some("POLL"));
    let good = all
        .iter()
        .filter(|i| (Micros::ms(125)..=Micros::ms(200)).contains(*i))
        .count();
    let text = format!(
        "{good} of {} within 125 to 200 ms",
        words::count(all.len(), "interval")
    );
    Ok(Seen::judge(good * 2 > all.len(), text))
}

fn checksums(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let commands: Vec<&Line> = b.lines().iter().filter(|l| l.is_command()).collect();
    let wrong = commands
        .iter()
        .filter(|l| Block::from_wire(&l.bytes).is_err())
        .count();
    let text = format!(
        "{}, {wrong} with a wrong CHK",
        words::count(commands.len(), "command")
    );
    Ok(Seen::judge(wrong == 0, text))
}

fn mode_bits(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let commands: Vec<&Line> = b.lines().iter().filter(|l| l.is_command()).collect();
    let right = |l: &&&Line| l.modes.iter().enumerate().all(|(i, m)| *m == (i == 0));
    let wrong = commands.len() - commands.iter().filter(right).count();
    let text = format!(
        "{}, {wrong} marked wrongly",
        words::count(commands.len(), "command")
    );
    Ok(Seen::judge(wrong == 0, text))
}
