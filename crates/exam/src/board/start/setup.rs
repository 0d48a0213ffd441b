//! The bus reset, the set-up of each peripheral, and what must not be said to older ones.

use super::super::bench::{BILL, BoardBench, CHANGER, Line, READER};
use super::super::habit::Said;
use super::super::{Entry, entry};
use super::{changer_initialised, initialised};
use crate::check::{Run, Seen};
use payrig_mdb::cashless::Level;
use payrig_mdb::changer::Features;
use payrig_units::{Micros, words};

/// The table.
pub(in crate::board) const ENTRIES: &[Entry] = &[
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
];

fn level_2(s: &mut crate::board::BoardSetup) {
    s.changer.level = 2;
    s.changer.features = Features::NONE;
}

fn level_1(s: &mut crate::board::BoardSetup) {
    s.cashless.level = Level::ONE;
}

fn reset_length(b: &mut BoardBench) -> Run {
    b.secs(3);
    Ok(match b.breaks().first() {
        None => Seen::fail("no bus reset"),
        Some((from, to)) => {
            let length = to.since(*from);
            let text = format!("held for {length}");
            Seen::at_least(length, Micros::ms(100), b.break_uncertainty(), text)
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
    let text = format!("first command after {pause}");
    Ok(Seen::at_least(pause, least, b.break_uncertainty(), text))
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
    b.ready_or_not();
    let times = b.count(from, READER, "READER ENABLE");
    Ok(Seen::judge(
        times > 0,
        format!("READER ENABLE {times}", times = words::times(times)),
    ))
}

fn price_range(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let told = b
        .lines()
        .iter()
        .find(|l| l.is(READER, "SETUP MAX/MIN PRICES"));
    let Some(told) = told.map(|l| l.bytes.clone()) else {
        return Ok(Seen::fail("the reader is never told"));
    };
    // In steps of 0.05: 25 and 13.
    let good = told.get(2..6) == Some(&[0, 25, 0, 13]);
    let text = match told.get(2..6) {
        Some(&[a, b, c, d]) => format!(
            "at most {} and at least {} of 0.05",
            words::count(u16::from_be_bytes([a, b]), "count"),
            words::count(u16::from_be_bytes([c, d]), "count"),
        ),
        _ => "fewer bytes than two prices take".to_owned(),
    };
    Ok(Seen::judge(good, text))
}

fn tube_status_late(b: &mut BoardBench) -> Run {
    b.ready_or_not();
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
    b.ready_or_not();
    let expansion = |l: &&Line| l.is_command() && l.bytes.first() == Some(&0x0F);
    let sent = b.lines().iter().filter(expansion).count();
    Ok(Seen::judge(
        sent == 0,
        words::count(sent, "EXPANSION command"),
    ))
}

fn level_1_reader(b: &mut BoardBench) -> Run {
    b.ready_or_not();
    let options = |l: &&Line| l.is_command() && l.bytes.starts_with(&[0x17, 0x04]);
    let sent = b.lines().iter().filter(options).count();
    Ok(Seen::judge(
        sent == 0,
        format!(
            "{} to enable optional features",
            words::count(sent, "command")
        ),
    ))
}
