//! Checks of what a board does when a peripheral, or its own power, goes and comes.

use super::bench::{BILL, BoardBench, CHANGER, READER};
use super::habit::Said;
use super::{Entry, entry, refunds};
use crate::check::{Run, Seen};
use crate::device::habit::Habits;
use payrig_units::{Micros, words};

/// The table.
pub(super) const ENTRIES: &[Entry] = &[
    entry!(
        "just-reset-sets-up",
        "Sets a changer up again after JUST RESET",
        "SETUP and COIN TYPE within 5 s",
        "Appendix 3, section 4",
        "Coins are refused after a brown-out: set up again.",
        Rule,
        changer_again,
        None,
        "ignores-just-reset",
        "takes no notice of JUST RESET",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x0B] && *d == [0x0B] && m.commands.contains_key(&0x0C) {
                d.clear();
            }
        })
    ),
    entry!(
        "just-reset-without-reset",
        "Answers JUST RESET without RESET",
        "set-up, and no RESET",
        "Appendix 3, section 4",
        "The peripheral is reset again and again: do not send RESET.",
        Rule,
        no_reset,
        None,
        "resets-on-just-reset",
        "sends RESET on JUST RESET",
        |s| s.habits.says = Some(|m, c| {
            let told = m
                .last_data
                .get(&CHANGER)
                .is_some_and(|d| *d == [0x0B, 0x0B]);
            if told && c.first().is_some_and(|b| (0x08..0x10).contains(b)) {
                Said::Instead(vec![0x08])
            } else {
                Said::AsIs
            }
        })
    ),
    entry!(
        "bill-validator-set-up-again",
        "Sets a bill validator up again after JUST RESET",
        "BILL TYPE within 10 s",
        "Appendix 3, section 4",
        "Bills are refused after a brown-out: set up again.",
        Rule,
        bill_again,
        None,
        "ignores-bill-just-reset",
        "takes no notice of the validator's JUST RESET",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x33] && m.commands.contains_key(&0x34) {
                d.retain(|b| *b != 0x06);
            }
        })
    ),
    entry!(
        "reader-set-up-again",
        "Sets a card reader up again after JUST RESET",
        "READER ENABLE within 10 s",
        "Appendix 3, section 4",
        "Cards are refused after a brown-out: set up again.",
        Rule,
        reader_again,
        None,
        "ignores-reader-just-reset",
        "takes no notice of the reader's JUST RESET",
        |s| s.habits.hears = Some(|m, c, d| {
            if c == [0x12] && *d == [0x00] && m.commands.contains_key(&0x14) {
                d.clear();
            }
        })
    ),
    entry!(
        "keeps-asking",
        "Goes on asking a silent peripheral",
        "at least five commands in the 2 s of its non-response time",
        "Appendix 3, section 3",
        "One disturbed answer loses a peripheral: repeat.",
        Rule,
        keeps_asking,
        None,
        "gives-up-at-once",
        "gives up at the first silence",
        |s| s.habits.says = Some(|m, c| {
            let silent = m.silences.get(&CHANGER).is_some_and(|n| *n >= 1);
            if silent && c == [0x0B] {
                Said::Nothing
            } else {
                Said::AsIs
            }
        })
    ),
    entry!(
        "silence-brings-reset",
        "Sends RESET after the non-response time",
        "RESET to the changer within 15 s of silence",
        "2.4.3, 2.5 F",
        "A hung peripheral stays hung: send RESET.",
        Rule,
        silence_resets,
        None,
        "never-resets",
        "never sends RESET",
        |s| s.habits.says = Some(|_, c| match c {
            [0x08] => Said::Nothing,
            _ => Said::AsIs,
        })
    ),
    entry!(
        "reset-every-ten-seconds",
        "Repeats RESET about every ten seconds",
        "five to eight RESETs in a minute",
        "2.4.3, 2.5 G",
        "A peripheral comes back late, or the bus is flooded.",
        Rule,
        reset_rhythm,
        None,
        "resets-rarely",
        "sends every third RESET only",
        |s| s.habits.says = Some(|m, c| match c {
            [0x08] => {
                m.count += 1;
                if m.count % 3 == 1 {
                    Said::AsIs
                } else {
                    Said::Nothing
                }
            }
            _ => Said::AsIs,
        })
    ),
    entry!(
        "others-go-on",
        "Goes on with the others",
        "the bill validator polled while the changer is away",
        "Appendix 3, section 2",
        "One dead peripheral stops the machine: poll the others.",
        Rule,
        others_go_on,
        None,
        "stops-for-one",
        "polls nobody while the changer is away",
        |s| s.habits.says = Some(|m, c| {
            let silent = m.silences.get(&CHANGER).is_some_and(|n| *n >= 1);
            if silent && c == [0x33] {
                Said::Nothing
            } else {
                Said::AsIs
            }
        })
    ),
    entry!(
        "found-again",
        "Finds a peripheral that comes back",
        "COIN TYPE within 20 s of its return",
        "2.4.3, Appendix 3, section 3",
        "Somebody must switch the machine off and on: keep trying.",
        Rule,
        found_again,
        None,
        "forgets-the-lost",
        "never speaks to a lost peripheral again",
        |s| s.habits.says = Some(|m, c| {
            if m.silences.get(&CHANGER).is_some_and(|n| *n >= 3) {
                m.count = 1;
            }
            let changer = c.first().is_some_and(|b| (0x08..0x10).contains(b));
            if m.count == 1 && changer {
                Said::Nothing
            } else {
                Said::AsIs
            }
        })
    ),
    entry!(
        "power-cut-resets-bus",
        "Resets the bus after a power cut",
        "a bus reset, and everything set up again",
        "2.2",
        "Peripherals keep an old state: reset the bus at power-up.",
        Rule,
        power_cut,
        None,
        "no-reset-after-cut",
        "does not reset the bus after a power cut",
        |s| s.habits.no_bus_reset = true
    ),
    entry!(
        "unknown-code-borne",
        "Bears a status code nobody knows",
        "a coin reported behind it is credited",
        "2.4.4, Appendix 3, section 4",
        "A newer peripheral loses money: skip what is unknown.",
        Rule,
        unknown_code,
        Some(unknown_codes),
        "chokes-on-unknown",
        "drops an answer with an unknown code",
        |s| s.habits.hears = Some(|_, c, d| {
            if c == [0x0B] && d.first() == Some(&0x0F) {
                d.clear();
            }
        })
    ),
];

fn unknown_codes(s: &mut super::BoardSetup) {
    let rewrite = Some(crate::device::habit::Rewrite::from(
        |context: &crate::device::habit::Context<'_>, data: &mut Vec<u8>| {
            if context.command == [0x0B] && matches!(data.as_slice(), [0x40..=0x5F, _]) {
                data.insert(0, 0x0F);
            }
        },
    ));
    s.device_habits.insert(
        CHANGER,
        Habits {
            rewrite,
            ..Habits::default()
        },
    );
}

fn given_again(b: &BoardBench, from: Micros, address: u8, name: &str) -> Run {
    let times = b.count(from, address, name);
    Ok(Seen::judge(
        times > 0,
        format!("{name} {times}", times = words::times(times)),
    ))
}

fn changer_again(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.changer_do(|c, now| c.reset_itself(now));
    b.secs(5);
    given_again(b, from, CHANGER, "COIN TYPE")
}

fn no_reset(b: &mut BoardBench) -> Run {
    let from = b.ready_or_not();
    b.changer_do(|c, now| c.reset_itself(now));
    b.secs(8);
    let resets = b.count(from, CHANGER, "RESET");
    Ok(Seen::judge(
        resets == 0,
        format!("RESET {resets}", resets = words::times(resets)),
    ))
}

fn blink(b: &mut BoardBench, address: u8) {
    b.power(address, false);
    b.wait(Micros::ms(300));
    b.power(address, true);
    b.secs(10);
}

fn bill_again(b: &mut BoardBench) -> Run {
    let from = b.ready();
    blink(b, BILL);
    given_again(b, from, BILL, "BILL TYPE")
}

fn reader_again(b: &mut BoardBench) -> Run {
    let from = b.ready();
    blink(b, READER);
    given_again(b, from, READER, "READER ENABLE")
}

fn keeps_asking(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.power(CHANGER, false);
    b.secs(2);
    let asked = b
        .since(from)
        .filter(|l| l.is_command() && l.address == CHANGER)
        .count();
    Ok(Seen::judge(
        asked >= 5,
        format!(
            "{asked} in 2 s of silence",
            asked = words::count(asked, "command")
        ),
    ))
}

fn silence_resets(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.power(CHANGER, false);
    b.secs(15);
    let first = b.since(from).find(|l| l.is(CHANGER, "RESET"));
    Ok(match first {
        Some(line) => Seen::pass(format!("RESET after {}", line.at.since(from))),
        None => Seen::fail("no RESET in 15 s"),
    })
}

fn reset_rhythm(b: &mut BoardBench) -> Run {
    b.ready();
    b.power(CHANGER, false);
    b.secs(20);
    let from = b.now();
    b.secs(60);
    let resets = b.count(from, CHANGER, "RESET");
    Ok(Seen::judge(
        (5..=8).contains(&resets),
        format!(
            "{resets} in a minute",
            resets = words::count(resets, "RESET")
        ),
    ))
}

fn others_go_on(b: &mut BoardBench) -> Run {
    b.ready();
    b.power(CHANGER, false);
    b.secs(5);
    let from = b.now();
    b.secs(10);
    let polls = b.count(from, BILL, "POLL");
    Ok(Seen::judge(
        polls >= 40,
        format!(
            "{polls} to the bill validator in 10 s",
            polls = words::count(polls, "POLL")
        ),
    ))
}

fn found_again(b: &mut BoardBench) -> Run {
    b.ready();
    b.power(CHANGER, false);
    b.secs(15);
    let from = b.now();
    b.power(CHANGER, true);
    b.secs(20);
    given_again(b, from, CHANGER, "COIN TYPE")
}

fn power_cut(b: &mut BoardBench) -> Run {
    let from = b.ready();
    b.board_power(false);
    b.secs(2);
    b.board_power(true);
    b.secs(10);
    let resets = b.breaks().iter().filter(|(at, _)| *at >= from).count();
    let enabled = b.count(from, CHANGER, "COIN TYPE");
    let text = format!(
        "{resets}, COIN TYPE {enabled}",
        resets = words::count(resets, "bus reset"),
        enabled = words::times(enabled)
    );
    Ok(Seen::judge(resets > 0 && enabled > 0, text))
}

fn unknown_code(b: &mut BoardBench) -> Run {
    b.ready();
    b.coin(2);
    b.secs(3);
    refunds(b, 25)
}
