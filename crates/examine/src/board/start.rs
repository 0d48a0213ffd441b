//! Checks of a board's start and of its times and blocks on the wire.

use super::bench::{BILL, BoardBench, CHANGER, Line, READER};
use super::habit::Said;
use super::{Entry, entry};
use crate::check::{Run, Seen};
use crate::device::habit::Habits;
use payrig_mdb::Block;
use payrig_mdb::cashless::Level;
use payrig_mdb::changer::Features;
use payrig_units::Micros;

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "bus-reset-length",
        "Resets the bus at power-up",
        "the line held for at least 100 ms",
        "2.2, 3.2",
        "Peripherals may not start afresh: lengthen the bus reset.",
        Rule,
        reset_length,
        None,
        "short-bus-reset",
        "holds the line for 60 ms only",
        |s| s.board.timing.bus_reset = Micros::ms(60)
    ),
    entry!(
        "bus-reset-pause",
        "Waits after a bus reset",
        "at least 200 ms of silence",
        "3.2",
        "Peripherals are not ready yet: wait longer.",
        Rule,
        |b| reset_pause(b, Micros::ms(200)),
        None,
        "no-pause-after-reset",
        "waits 100 ms only",
        |s| s.board.timing.setup = Micros::ms(100)
    ),
    entry!(
        "bus-reset-margin",
        "Waits long enough for old peripherals",
        "at least 500 ms of silence after a bus reset",
        "Appendix 3, section 2",
        "Old peripherals need 500 ms: wait longer.",
        Advice,
        |b| reset_pause(b, Micros::ms(500)),
        None,
        "short-pause-after-reset",
        "waits 300 ms",
        |s| s.board.timing.setup = Micros::ms(300)
    ),
    entry!(
        "finds-every-peripheral",
        "Speaks to every peripheral",
        "commands to 08H, 10H and 30H within 10 s",
        "2.3, 2.4.3",
        "A peripheral is never used: see the board's settings.",
        Rule,
        finds_all,
        None,
        "ignores-bill-validator",
        "never speaks to 30H",
        |s| s.habits.says = Some(|_, c| match c {
            [0x30..=0x37, ..] => Said::Nothing,
            _ => Said::AsIs,
        })
    ),
    entry!(
        "first-command",
        "Begins with POLL or RESET",
        "no other command before JUST RESET was asked for",
        "5.3, 6.3, 7.4.1",
        "Older peripherals do not answer before: start with POLL.",
        Rule,
        first_command,
        None,
        "asks-setup-first",
        "sends SETUP before POLL",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if !m.commands.contains_key(&0x0B) => Said::Instead(vec![0x09]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "changer-initialised",
        "Sets a changer up",
        "SETUP, TUBE STATUS and COIN TYPE, in this order",
        "5.3",
        "Coins are refused: the start sequence is not whole.",
        Rule,
        changer_initialised,
        None,
        "no-coin-type",
        "never sends COIN TYPE",
        |s| s.habits.says = Some(|_, c| match c {
            [0x0C, ..] => Said::Instead(vec![0x0B]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "bill-validator-initialised",
        "Sets a bill validator up",
        "SETUP, then BILL TYPE",
        "6.3",
        "Bills are refused: the start sequence is not whole.",
        Rule,
        bill_initialised,
        None,
        "no-bill-type",
        "never sends BILL TYPE",
        |s| s.habits.says = Some(|_, c| match c {
            [0x34, ..] => Said::Instead(vec![0x33]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "reader-initialised",
        "Sets a card reader up",
        "CONFIG DATA, MAX/MIN PRICES, REQUEST ID, READER ENABLE in this order",
        "7.4.1, Appendix 3, section 4",
        "Readers stay off or misbehave: send all of the sequence.",
        Rule,
        reader_initialised,
        None,
        "no-prices",
        "never tells MAX/MIN PRICES",
        |s| s.habits.says = Some(|_, c| match c {
            [0x11, 0x01, ..] => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "reader-enabled",
        "Enables a card reader",
        "READER ENABLE after the set-up",
        "7.4.13",
        "Cards are refused: enable the reader.",
        Rule,
        reader_enabled,
        None,
        "no-reader-enable",
        "never sends READER ENABLE",
        |s| s.habits.says = Some(|_, c| match c {
            [0x14, 0x01] => Said::Instead(vec![0x12]),
            _ => Said::AsIs,
        })
    ),
    entry!(
        "price-range",
        "Tells a card reader its prices",
        "0.65 and 1.25 in the reader's scaling",
        "7.4.2",
        "Readers refuse or mislead: send the real range.",
        Rule,
        price_range,
        None,
        "wrong-price-range",
        "tells half the highest price",
        |s| s.habits.says = Some(|_, c| match c {
            [0x11, 0x01, h, l, rest @ ..] => {
                let mut out = vec![0x11, 0x01, *h, l / 2];
                out.extend(rest);
                Said::Changed(out)
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "tube-status-late",
        "Asks for tubes 500 ms after a reset",
        "no TUBE STATUS earlier than 500 ms after JUST RESET",
        "5.3, RESET, note 1",
        "Older changers tell empty tubes: ask later.",
        Advice,
        tube_status_late,
        None,
        "asks-tubes-early",
        "sends TUBE STATUS at once",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if m.commands.contains_key(&0x09) && m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x0A])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "level-2-changer",
        "Speaks level 2 to a level 2 changer",
        "no EXPANSION command",
        "2.4.4, Appendix 3, section 4",
        "Old changers hang: go down to their level.",
        Rule,
        level_2_changer,
        Some(level_2),
        "expansion-to-level-2",
        "sends EXPANSION to a level 2 changer",
        |s| s.habits.says = Some(|m, c| match c {
            [0x0B] if m.commands.contains_key(&0x0C) && m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x0F, 0x00])
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "level-1-reader",
        "Speaks level 1 to a level 1 reader",
        "no optional feature enabled",
        "2.4.4, Appendix 3, section 4",
        "Old readers hang: go down to their level.",
        Rule,
        level_1_reader,
        Some(level_1),
        "options-to-level-1",
        "enables options of a level 1 reader",
        |s| s.habits.says = Some(|m, c| match c {
            [0x12] if m.commands.contains_key(&0x14) && m.count == 0 => {
                m.count = 1;
                Said::Instead(vec![0x17, 0x04, 0, 0, 0, 2])
            }
            _ => Said::AsIs,
        })
    ),
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

fn level_2(s: &mut super::BoardSetup) {
    s.changer.level = 2;
    s.changer.features = Features::NONE;
}

fn level_1(s: &mut super::BoardSetup) {
    s.cashless.level = Level::ONE;
}

fn late_changer(s: &mut super::BoardSetup) {
    let late = Some((1, Micros::ms(11)));
    s.device_habits.insert(
        CHANGER,
        Habits {
            late,
            ..Habits::default()
        },
    );
}

fn slow_changer(s: &mut super::BoardSetup) {
    let gap = Some(Micros::ms(4));
    s.device_habits.insert(
        CHANGER,
        Habits {
            gap,
            ..Habits::default()
        },
    );
}

fn reset_length(b: &mut BoardBench) -> Run {
    b.secs(3);
    Ok(match b.breaks().first() {
        None => Seen::fail("no bus reset"),
        Some((from, to)) => {
            let length = to.since(*from);
            Seen::judge(length >= Micros::ms(100), format!("held for {length}"))
        }
    })
}

fn reset_pause(b: &mut BoardBench, least: Micros) -> Run {
    b.secs(3);
    let Some((_, end)) = b.breaks().first().copied() else {
        return Ok(Seen::cannot_tell("no bus reset"));
    };
    let Some(first) = b.since(end).find(|l| l.is_command()) else {
        return Ok(Seen::cannot_tell("no command followed"));
    };
    let pause = first.at.since(end);
    Ok(Seen::judge(
        pause >= least,
        format!("first command after {pause}"),
    ))
}

fn finds_all(b: &mut BoardBench) -> Run {
    b.secs(10);
    let known = [
        (CHANGER, "changer"),
        (BILL, "bill validator"),
        (READER, "card reader"),
    ];
    let spoken = |a: u8| b.lines().iter().any(|l| l.is_command() && l.address == a);
    let missing: Vec<&str> = known
        .into_iter()
        .filter(|(a, _)| !spoken(*a))
        .map(|(_, n)| n)
        .collect();
    let text = match missing.is_empty() {
        true => "all are spoken to".to_owned(),
        false => format!("never spoken to: {}", missing.join(", ")),
    };
    Ok(Seen::judge(missing.is_empty(), text))
}

fn first_command(b: &mut BoardBench) -> Run {
    b.secs(5);
    let mut firsts = Vec::new();
    for address in [CHANGER, BILL, READER] {
        let first = b
            .lines()
            .iter()
            .find(|l| l.is_command() && l.address == address);
        firsts.extend(first.map(|l| l.name.clone()));
    }
    let good = firsts.iter().all(|n| n == "POLL" || n == "RESET");
    Ok(Seen::judge(good && !firsts.is_empty(), firsts.join(", ")))
}

/// True when these commands were given to an address in this order.
fn in_order(b: &BoardBench, address: u8, names: &[&str]) -> bool {
    let mut wanted = names.iter().peekable();
    for line in b.lines() {
        if wanted.peek().is_some_and(|name| line.is(address, name)) {
            wanted.next();
        }
    }
    wanted.peek().is_none()
}

fn initialised(b: &mut BoardBench, address: u8, names: &[&str]) -> Run {
    b.ready();
    let good = in_order(b, address, names);
    let mut given: Vec<&str> = Vec::new();
    let commands = b
        .lines()
        .iter()
        .filter(|l| l.is_command() && l.address == address);
    for line in commands.filter(|l| l.name != "POLL") {
        if !given.contains(&line.name.as_str()) {
            given.push(&line.name);
        }
    }
    Ok(Seen::judge(good, format!("given: {}", given.join(", "))))
}

fn changer_initialised(b: &mut BoardBench) -> Run {
    initialised(b, CHANGER, &["SETUP", "TUBE STATUS", "COIN TYPE"])
}

fn bill_initialised(b: &mut BoardBench) -> Run {
    initialised(b, BILL, &["SETUP", "BILL TYPE"])
}

fn reader_initialised(b: &mut BoardBench) -> Run {
    let names = [
        "SETUP CONFIG DATA",
        "SETUP MAX/MIN PRICES",
        "EXPANSION REQUEST ID",
        "READER ENABLE",
    ];
    initialised(b, READER, &names)
}

fn reader_enabled(b: &mut BoardBench) -> Run {
    let from = b.now();
    b.ready();
    let times = b.count(from, READER, "READER ENABLE");
    Ok(Seen::judge(
        times > 0,
        format!("READER ENABLE {times} times"),
    ))
}

fn price_range(b: &mut BoardBench) -> Run {
    b.ready();
    let told = b
        .lines()
        .iter()
        .find(|l| l.is(READER, "SETUP MAX/MIN PRICES"));
    let Some(told) = told.map(|l| l.bytes.clone()) else {
        return Ok(Seen::fail("the reader is never told"));
    };
    // In steps of 0.05: 25 and 13.
    let good = told.get(2..6) == Some(&[0, 25, 0, 13]);
    let text = format!(
        "max and min {:?} counts of 0.05",
        told.get(2..6).unwrap_or(&[])
    );
    Ok(Seen::judge(good, text))
}

fn tube_status_late(b: &mut BoardBench) -> Run {
    b.ready();
    let reset = b
        .lines()
        .iter()
        .find(|l| !l.board && l.address == CHANGER && l.name == "JUST RESET");
    let asked = b.lines().iter().find(|l| l.is(CHANGER, "TUBE STATUS"));
    let (Some(reset), Some(asked)) = (reset, asked) else {
        return Ok(Seen::cannot_tell("JUST RESET or TUBE STATUS was not seen"));
    };
    let after = asked.at.since(reset.end);
    Ok(Seen::judge(
        after >= Micros::ms(490),
        format!("asked after {after}"),
    ))
}

fn level_2_changer(b: &mut BoardBench) -> Run {
    b.ready();
    let expansion = |l: &&Line| l.is_command() && l.bytes.first() == Some(&0x0F);
    let sent = b.lines().iter().filter(expansion).count();
    Ok(Seen::judge(sent == 0, format!("{sent} EXPANSION commands")))
}

fn level_1_reader(b: &mut BoardBench) -> Run {
    b.ready();
    let options = |l: &&Line| l.is_command() && l.bytes.starts_with(&[0x17, 0x04]);
    let sent = b.lines().iter().filter(options).count();
    Ok(Seen::judge(
        sent == 0,
        format!("optional features enabled {sent} times"),
    ))
}

fn byte_gaps(b: &mut BoardBench, limit: Micros) -> Run {
    b.ready();
    let commands = b.lines().iter().filter(|l| l.is_command());
    let longest = commands.map(|l| l.pause).max().unwrap_or_default();
    Ok(Seen::judge(
        longest <= limit,
        format!("longest pause {longest}"),
    ))
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
    b.ready();
    let times = answers(b)
        .into_iter()
        .filter_map(|(data, next)| next.filter(|n| is_verdict(n)).map(|n| n.at.since(data.end)));
    let times: Vec<Micros> = times.collect();
    let Some(longest) = times.iter().max() else {
        return Ok(Seen::cannot_tell("nothing was acknowledged"));
    };
    let text = format!(
        "{} acknowledgments, the latest after {longest}",
        times.len()
    );
    Ok(Seen::judge(*longest <= limit, text))
}

fn acknowledged(b: &mut BoardBench) -> Run {
    b.ready();
    let all = answers(b);
    let without = all
        .iter()
        .filter(|(_, n)| !n.is_some_and(is_verdict))
        .count();
    let text = format!("{} answers, {without} not acknowledged", all.len());
    Ok(Seen::judge(without == 0 && !all.is_empty(), text))
}

fn accepted(b: &mut BoardBench) -> Run {
    b.ready();
    let all = answers(b);
    let naked = |n: &Line| is_verdict(n) && n.bytes.first() == Some(&0xFF);
    let refused = all.iter().filter(|(_, n)| n.is_some_and(naked)).count();
    let text = format!("{} answers, {refused} refused", all.len());
    Ok(Seen::judge(refused == 0, text))
}

/// Starts of the commands to an address in 20 s at rest.
fn at_rest(b: &mut BoardBench, name: Option<&str>) -> Vec<Vec<Micros>> {
    b.ready();
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
    Ok(Seen::judge(
        longest <= Micros::ms(200),
        format!("longest pause {longest}"),
    ))
}

fn not_too_often(b: &mut BoardBench) -> Run {
    let Some(shortest) = intervals(b, Some("POLL")).into_iter().min() else {
        return Ok(Seen::cannot_tell("nothing was polled"));
    };
    Ok(Seen::judge(
        shortest >= Micros::ms(25),
        format!("shortest interval {shortest}"),
    ))
}

fn as_recommended(b: &mut BoardBench) -> Run {
    let all = intervals(b, Some("POLL"));
    let good = all
        .iter()
        .filter(|i| (Micros::ms(125)..=Micros::ms(200)).contains(*i))
        .count();
    let text = format!("{good} of {} intervals within 125 to 200 ms", all.len());
    Ok(Seen::judge(good * 2 > all.len(), text))
}

fn checksums(b: &mut BoardBench) -> Run {
    b.ready();
    let commands: Vec<&Line> = b.lines().iter().filter(|l| l.is_command()).collect();
    let wrong = commands
        .iter()
        .filter(|l| Block::from_wire(&l.bytes).is_err())
        .count();
    let text = format!("{} commands, {wrong} with a wrong CHK", commands.len());
    Ok(Seen::judge(wrong == 0, text))
}

fn mode_bits(b: &mut BoardBench) -> Run {
    b.ready();
    let commands: Vec<&Line> = b.lines().iter().filter(|l| l.is_command()).collect();
    let right = |l: &&&Line| l.modes.iter().enumerate().all(|(i, m)| *m == (i == 0));
    let wrong = commands.len() - commands.iter().filter(right).count();
    let text = format!("{} commands, {wrong} marked wrongly", commands.len());
    Ok(Seen::judge(wrong == 0, text))
}
