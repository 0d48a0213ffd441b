//! Times on the wire: pauses in commands, acknowledgments, polling.

use super::common::{answers, behave};
use crate::board::bad_habit::Said;
use crate::board::bench::BoardBench;
use crate::board::heard::{BILL, CHANGER, HeardBlock, READER, What};
use crate::board::kit::CoinFor;
use crate::board::table::BoardCheck;
use crate::check::{Quirk, Run, Seen, Timed, Weight};
use crate::device::habit::Habits;
use payrig_mdb::changer::Report;
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::board) const CHECKS: &[BoardCheck] = &[
    BoardCheck {
        id: "command-byte-gaps",
        title: "Pauses at most 1 ms between bytes",
        expected: "no pause inside a command longer than 1.0 ms",
        section: "3.2",
        advice: "Peripherals lose commands: send without pauses.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| byte_gaps(b, Micros::ms(1)),
        quirk: Quirk::new("slow-commands", "pauses 1.5 ms between bytes", |s| {
            s.board.timing.gap = Micros(1_500)
        }),
    },
    BoardCheck {
        id: "command-byte-margin",
        title: "Pauses at most 0.8 ms between bytes",
        expected: "no pause inside a command longer than 0.8 ms",
        section: "Appendix 3, section 2",
        advice: "Within the limit, without the margin.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| byte_gaps(b, Micros(800)),
        quirk: Quirk::new("rather-slow-commands", "pauses 0.9 ms between bytes", |s| {
            s.board.timing.gap = Micros(880)
        }),
    },
    BoardCheck {
        id: "acknowledges-in-time",
        title: "Acknowledges within 5 ms",
        expected: "ACK at most 5.0 ms after data",
        section: "3.2",
        advice: "Peripherals repeat their reports: answer sooner.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| ack_times(b, Micros::ms(5)),
        quirk: Quirk::new("late-acks", "acknowledges after 6 ms", |s| {
            s.board.timing.turnaround = Micros::ms(6)
        }),
    },
    BoardCheck {
        id: "acknowledges-with-margin",
        title: "Acknowledges within 4 ms",
        expected: "ACK at most 4.0 ms after data",
        section: "Appendix 3, section 2",
        advice: "Within the limit, without the margin.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| ack_times(b, Micros::ms(4)),
        quirk: Quirk::new("rather-late-acks", "acknowledges after 4.5 ms", |s| {
            s.board.timing.turnaround = Micros(4_500)
        }),
    },
    BoardCheck {
        id: "polls-often-enough",
        title: "Speaks to each peripheral every 200 ms",
        expected: "no longer pause in 20 s at rest",
        section: "2.4.3",
        advice: "Coins and bills are taken slowly: poll every 125 to 200 ms.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let mut all = intervals(b, HeardBlock::is_command);
            if all.is_empty() {
                let (time, off) = (Micros::secs(20), Micros::ZERO);
                all.push(Timed { time, off });
            }
            let longest = all.iter().max().copied().unwrap_or_default();
            let text = format!("longest pause {}", longest.time);
            Ok(Seen::at_most(&all, Micros::ms(200), text))
        },
        quirk: Quirk::new("polls-rarely", "polls every 400 ms", |s| {
            s.board.poll_every = Micros::ms(400)
        }),
    },
    BoardCheck {
        id: "polls-not-too-often",
        title: "Leaves each peripheral 25 ms",
        expected: "no POLL sooner after an answered one",
        section: "2.4.3",
        advice: "Peripherals are kept from their work: poll every 125 to 200 ms.",
        weight: Weight::Rule,
        arrange: None,
        run: |b| {
            let all = intervals(b, |block| block.is(What::Poll(block.address)));
            let Some(shortest) = all.iter().min() else {
                return Ok(Seen::cannot_tell("nothing was polled"));
            };
            let text = format!("shortest interval {}", shortest.time);
            Ok(Seen::at_least(&all, Micros::ms(25), text))
        },
        quirk: Quirk::new("polls-madly", "polls every 10 ms", |s| {
            s.board.poll_every = Micros::ms(10)
        }),
    },
    BoardCheck {
        id: "polls-as-recommended",
        title: "Polls every 125 to 200 ms",
        expected: "most POLLs in that range",
        section: "Appendix 3, section 2",
        advice: "Allowed, but readers are slowed down: poll at leisure.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            let all = intervals(b, |block| block.is(What::Poll(block.address)));
            let good = all
                .iter()
                .filter(|i| (Micros::ms(125)..=Micros::ms(200)).contains(&i.time))
                .count();
            let text = format!(
                "{good} of {} within 125 to 200 ms",
                words::count(all.len(), "interval")
            );
            Ok(Seen::judge(good * 2 > all.len(), text))
        },
        quirk: Quirk::new("polls-fast", "polls every 60 ms", |s| {
            s.board.poll_every = Micros::ms(60)
        }),
    },
    BoardCheck {
        id: "polls-again-after-credit",
        title: "Polls again soon after a coin",
        expected: "a POLL 15 to 60 ms after a coin was reported",
        section: "Appendix 3, section 3, condition 2",
        advice: "A lost ACK cannot be told from a second coin: POLL once more after 20 ms.",
        weight: Weight::Advice,
        arrange: None,
        run: |b| {
            let from = b.ready_or_not();
            b.coin(CoinFor::Tube);
            b.secs(3);
            let mut own = b.since(from).filter(|block| block.address == CHANGER);
            let coin = |report: &Report| matches!(report, Report::CoinsDeposited { .. });
            let Some(coin) = own.find(|block| block.changer_reports().first().is_some_and(coin))
            else {
                return Ok(Seen::cannot_tell("no coin was reported"));
            };
            let next = own.find(|block| block.is(What::Poll(CHANGER)));
            Ok(match next.map(|poll| poll.at.since(coin.end)) {
                None => Seen::fail("no POLL after it"),
                Some(after) => Seen::judge(
                    (Micros::ms(15)..=Micros::ms(60)).contains(&after),
                    format!("the next POLL {after} after the report"),
                ),
            })
        },
        quirk: Quirk::new(
            "no-poll-after-credit",
            "leaves out the POLL after a coin",
            |s| {
                s.bad.says = Some(|m, c| {
                    let coin = |d: &Vec<u8>| matches!(d.first(), Some(0x40..=0x5F));
                    if c == [0x0B] && m.last_data.get(&CHANGER).is_some_and(coin) {
                        m.last_data.remove(&CHANGER);
                        return Said::Nothing;
                    }
                    Said::AsIs
                })
            },
        ),
    },
    BoardCheck {
        id: "waits-after-nak",
        title: "Waits out the time-out after a NAK",
        expected: "no command within 5 ms of a NAK",
        section: "Appendix 3, section 3",
        advice: "Late answers of others collide with the next command: wait as after silence.",
        weight: Weight::Advice,
        arrange: Some(|s| {
            let habits = Habits {
                nak_for_ack: Some(3),
                ..Habits::default()
            };
            behave(s, &[CHANGER, BILL, READER], &habits);
        }),
        run: |b| {
            b.ready_or_not();
            let pairs = b.blocks().iter().zip(b.blocks().iter().skip(1));
            let naks = pairs.filter(|(nak, next)| !nak.board && nak.is_nak() && next.is_command());
            let pauses: Vec<Micros> = naks.map(|(nak, next)| next.at.since(nak.end)).collect();
            let Some(least) = pauses.iter().min() else {
                return Ok(Seen::cannot_tell("no NAK was sent"));
            };
            let text = format!(
                "{}, the next command after {least} at the least",
                words::count(pauses.len(), "NAK")
            );
            Ok(Seen::judge(*least >= Micros::ms(5), text))
        },
        quirk: Quirk::new(
            "takes-nak-for-ack",
            "takes NAK for ACK and goes on at once",
            |s| s.bad.nak_is_ack = true,
        ),
    },
];

fn byte_gaps(b: &mut BoardBench, limit: Micros) -> Run {
    b.ready_or_not();
    let pauses = b.pauses();
    let longest = pauses.iter().max().copied().unwrap_or_default();
    let text = format!("longest pause {}", longest.time);
    Ok(Seen::at_most(&pauses, limit, text))
}

fn ack_times(b: &mut BoardBench, limit: Micros) -> Run {
    b.ready_or_not();
    let times = answers(b).into_iter().filter_map(|(data, next)| {
        let verdict = next.filter(|next| next.is_verdict() && b.looked(data.at, next.end))?;
        Some(verdict.began().since(data.ended()))
    });
    let times: Vec<Timed> = times.collect();
    let Some(longest) = times.iter().max() else {
        return Ok(Seen::cannot_tell("nothing was acknowledged"));
    };
    let text = format!(
        "{}, the latest after {}",
        words::count(times.len(), "acknowledgment"),
        longest.time
    );
    Ok(Seen::at_most(&times, limit, text))
}

/// From each command of a kind to the next of it, of every peripheral in 20 s at rest.
fn intervals(b: &mut BoardBench, of: impl Fn(&HeardBlock) -> bool) -> Vec<Timed> {
    b.ready_or_not();
    b.secs(3);
    let from = b.rest();
    b.secs(20);
    let mut all = Vec::new();
    for address in [CHANGER, BILL, READER] {
        let commands = b.since(from).filter(|block| block.is_command_to(address));
        all.extend(b.intervals(commands.filter(|c| of(c))));
    }
    all
}

#[cfg(test)]
mod tests {
    #[test]
    fn each_check_passes_a_good_board_and_catches_its_quirk() {
        crate::board::tests::prove(super::CHECKS);
    }
}
