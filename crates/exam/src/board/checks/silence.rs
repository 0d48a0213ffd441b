//! What a board does while a peripheral does not answer: it repeats, it resets, it goes on with the
//! others.

use super::common::{deaf, given, times};
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, READER, What};
use crate::board::kit::Pick;
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Run, Seen, Weight};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "keeps-asking",
        title: "Goes on asking a silent peripheral",
        expected: "at least five commands in the 2 s of its non-response time",
        section: "Appendix 3, section 3",
        advice: "One disturbed answer loses a peripheral: repeat.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready();
            b.power(CHANGER, false);
            b.secs(2);
            let asked = b.since(from).filter(|c| c.is_command_to(CHANGER)).count();
            Ok(Seen::judge(
                asked >= 5,
                format!(
                    "{asked} in 2 s of silence",
                    asked = words::count(asked, "command")
                ),
            ))
        },
        quirk: Quirk::new(
            "gives-up-at-once",
            "polls the changer no more after its first silence",
            |s| {
                s.bad.says = Some(|m, c| {
                    let silent = m.silences.get(&CHANGER).is_some_and(|n| *n >= 1);
                    if silent && c == [0x0B] {
                        Said::Nothing
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "silence-brings-reset",
        title: "Sends RESET after the non-response time",
        expected: "RESET to the changer within 15 s of silence",
        section: "2.4.3, 2.5 F",
        advice: "A hung peripheral stays hung: send RESET.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let from = b.ready();
            b.power(CHANGER, false);
            b.secs(15);
            let first = b.since(from).find(|c| c.is(What::Reset(CHANGER)));
            Ok(match first {
                Some(reset) => Seen::pass(format!("RESET after {}", reset.at.since(from))),
                None => Seen::fail("no RESET in 15 s"),
            })
        },
        quirk: Quirk::new("never-resets", "never sends the changer RESET", |s| {
            s.bad.says = Some(|_, c| match c {
                [0x08] => Said::Nothing,
                _ => Said::AsIs,
            })
        }),
    },
    BoardCheck {
        id: "reset-every-ten-seconds",
        title: "Repeats RESET about every ten seconds",
        expected: "five to eight RESETs in a minute",
        section: "2.4.3, 2.5 G",
        advice: "A peripheral comes back late, or the bus is flooded.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            b.power(CHANGER, false);
            b.secs(20);
            let from = b.now();
            b.secs(60);
            let resets = b.count(from, What::Reset(CHANGER));
            Ok(Seen::judge(
                (5..=8).contains(&resets),
                format!(
                    "{resets} in a minute",
                    resets = words::count(resets, "RESET")
                ),
            ))
        },
        quirk: Quirk::new(
            "resets-rarely",
            "sends the changer every third RESET only",
            |s| {
                s.bad.says = Some(|m, c| match c {
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
            },
        ),
    },
    BoardCheck {
        id: "others-go-on",
        title: "Goes on with the others",
        expected: "the bill validator polled while the changer is away",
        section: "Appendix 3, section 2",
        advice: "One dead peripheral stops the machine: poll the others.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.fit(&[CHANGER, BILL])?;
            b.ready();
            b.power(CHANGER, false);
            b.secs(5);
            let from = b.now();
            b.secs(10);
            let polls = b.count(from, What::Poll(BILL));
            Ok(Seen::judge(
                polls >= 40,
                format!(
                    "{polls} to the bill validator in 10 s",
                    polls = words::count(polls, "POLL")
                ),
            ))
        },
        quirk: Quirk::new(
            "stops-for-one",
            "does not poll the validator while the changer is silent",
            |s| {
                s.bad.says = Some(|m, c| {
                    let silent = m.silences.get(&CHANGER).is_some_and(|n| *n >= 1);
                    if silent && c == [0x33] {
                        Said::Nothing
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "found-again",
        title: "Finds a peripheral that comes back",
        expected: "COIN TYPE within 20 s of its return",
        section: "2.4.3, Appendix 3, section 3",
        advice: "Somebody must switch the machine off and on: keep trying.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            b.ready();
            b.power(CHANGER, false);
            b.secs(15);
            let from = b.now();
            b.power(CHANGER, true);
            b.secs(20);
            given(b, from, What::CoinType)
        },
        quirk: Quirk::new(
            "forgets-the-lost",
            "never speaks to the changer again once RESET did not help",
            |s| {
                s.bad.says = Some(|m, c| {
                    // Once RESET did not help either.
                    let silent = m.silences.get(&CHANGER).is_some_and(|n| *n >= 3);
                    if silent && m.commands.contains_key(&0x08) {
                        m.count = 1;
                    }
                    let changer = c.first().is_some_and(|b| (0x08..0x10).contains(b));
                    if m.count == 1 && changer {
                        Said::Nothing
                    } else {
                        Said::AsIs
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "coin-type-in-turn-with-poll",
        title: "Repeats COIN TYPE in turn with POLL",
        expected: "a changer deaf to COIN TYPE hears it again, with a POLL between",
        section: "5.4, Appendix 3, section 3",
        advice: "One lost command leaves coins off, or blocks the changer: repeat it in turn with POLL.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            deaf(s, CHANGER, |c| matches!(c, [0x0C, ..]));
        }),
        run: |b| at_start(b, What::CoinType, Micros::secs(2)),
        quirk: Quirk::new(
            "repeats-without-poll",
            "repeats COIN TYPE without a POLL between",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x0C, ..] => {
                        m.kept = c.to_vec();
                        Said::AsIs
                    }
                    [0x0B] if m.unanswered && !m.kept.is_empty() => Said::Instead(m.kept.clone()),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    // vmc.py of ../shared/peers has this as `gives-up-at-once`: it resets, and so repeats after all.
    BoardCheck {
        id: "repeats-before-reset",
        title: "Repeats a command before it sends RESET",
        expected: "a changer deaf to SETUP is asked again, and not reset within its non-response time",
        section: "5.4, Appendix 3, section 3",
        advice: "One lost block interrupts sales: repeat a command for the non-response time first.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            deaf(s, CHANGER, |c| matches!(c, [0x09, ..]));
        }),
        run: |b| {
            b.fit(&[CHANGER])?;
            let from = b.now();
            let setup = What::Setup(CHANGER);
            b.until_so(Micros::secs(30), |b| b.count(from, setup) > 0);
            b.secs(2);
            let Some(first) = b.since(from).find(|block| block.is(setup)) else {
                return Ok(Seen::fail("SETUP was never given"));
            };
            let (at, until) = (first.at, first.at + Micros::ms(1_900));
            let mut after = b.since(at).take_while(|block| block.at < until);
            let reset = after.find(|block| block.is(What::Reset(CHANGER)));
            Ok(match reset {
                Some(reset) => {
                    let after = reset.at.since(at);
                    Seen::fail(format!("RESET {after} after the first SETUP"))
                }
                None => {
                    let text = times(b, at, setup);
                    Seen::judge(b.count(at, setup) > 1, format!("no RESET, {text} in 2 s"))
                }
            })
        },
        quirk: Quirk::new(
            "resets-at-first-silence",
            "sends RESET where SETUP was not answered once",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x09] if m.count == 0 => {
                        m.count = 1;
                        Said::AsIs
                    }
                    [0x0B] if m.unanswered && m.count == 1 => {
                        m.count = 2;
                        Said::Instead(vec![0x08])
                    }
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "bill-type-in-turn-with-poll",
        title: "Repeats BILL TYPE in turn with POLL",
        expected: "a validator deaf to BILL TYPE hears it again, with a POLL between",
        section: "6.4, Appendix 3, section 3",
        advice: "One lost command leaves bills off for ever: repeat it in turn with POLL.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            deaf(s, BILL, |c| matches!(c, [0x34, ..]));
        }),
        run: |b| at_start(b, What::BillType, Micros::secs(5)),
        quirk: Quirk::new(
            "says-bill-type-once",
            "gives BILL TYPE up after one try",
            |s| {
                s.bad.says = Some(|m, c| {
                    if m.unanswered && m.before.first() == Some(&0x34) {
                        m.count = 1;
                    }
                    match c {
                        [0x34, ..] if m.count == 1 => Said::Instead(vec![0x33]),
                        _ => Said::AsIs,
                    }
                })
            },
        ),
    },
    BoardCheck {
        id: "reader-enable-in-turn-with-poll",
        title: "Repeats READER ENABLE in turn with POLL",
        expected: "a reader deaf to READER ENABLE hears it again, with a POLL between",
        section: "7.5, Appendix 3, section 3",
        advice: "One lost command leaves cards off, or blocks the reader: repeat it in turn with POLL.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            deaf(s, READER, |c| matches!(c, [0x14, 0x01]));
        }),
        run: |b| at_start(b, What::ReaderEnable, Micros::secs(5)),
        quirk: Quirk::new(
            "enables-without-poll",
            "repeats READER ENABLE without a POLL between",
            |s| {
                s.bad.says = Some(|m, c| match c {
                    [0x14, 0x01] => {
                        m.count = 1;
                        Said::AsIs
                    }
                    [0x12] if m.count == 1 && m.unanswered => Said::Instead(vec![0x14, 0x01]),
                    _ => Said::AsIs,
                })
            },
        ),
    },
    BoardCheck {
        id: "vend-request-in-turn-with-poll",
        title: "Repeats VEND REQUEST in turn with POLL",
        expected: "a reader deaf to VEND REQUEST hears it again, with a POLL between",
        section: "7.5, Appendix 3, section 3",
        advice: "One lost request and the customer waits for nothing: repeat it in turn with POLL.",
        weight: Weight::Rule,
        arrange: Some(|s| {
            deaf(s, READER, |c| matches!(c, [0x13, 0x00, ..]));
        }),
        run: |b| {
            let from = b.ready();
            b.rich_card();
            b.secs(2);
            b.select(Pick::Cheap);
            b.secs(6);
            in_turn(b, from, What::VendRequest, Micros::secs(5))
        },
        quirk: Quirk::new(
            "asks-for-a-vend-once",
            "gives VEND REQUEST up after one try",
            |s| {
                s.bad.says = Some(|m, c| {
                    if m.unanswered && matches!(m.before.as_slice(), [0x13, 0x00, ..]) {
                        m.count = 1;
                    }
                    match c {
                        [0x13, 0x00, ..] if m.count == 1 => Said::Instead(vec![0x12]),
                        _ => Said::AsIs,
                    }
                })
            },
        ),
    },
];

/// Waits for the first of a command at the start, which has to be repeated.
fn at_start(b: &mut BoardBench, what: What, time: Micros) -> Run {
    b.fit(&[what.address()])?;
    let from = b.now();
    b.until_so(Micros::secs(30), |b| b.count(from, what) > 0);
    b.wait(time);
    in_turn(b, from, what, time)
}

/// In the non-response time after the first: given at least twice, and never twice in a row.
fn in_turn(b: &BoardBench, from: Micros, what: What, time: Micros) -> Run {
    let name = what.name();
    let Some(first) = b.since(from).find(|block| block.is(what)) else {
        return Ok(Seen::fail(format!("{name} was never given")));
    };
    let until = first.at + time;
    let commands = b.since(first.at).take_while(|block| block.at < until);
    let own = commands.filter(|block| block.is_command_to(what.address()));
    let given: Vec<bool> = own.map(|block| block.is(what)).collect();
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

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
