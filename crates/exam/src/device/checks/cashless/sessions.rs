//! Set-up and sessions.

use super::{BALANCE, Talk, is_begin, never, none_began, sessions_in, texts};
use crate::check::{Check, Quirk, Seen, Weight};
use crate::device::checks::common::until_just_reset;
use crate::device::habit::Context;
use crate::device::presumptions::Leeway;
use crate::device::typed::Command;
use crate::device::{Close, DeviceCheck, POLL_EVERY, altered};
use payrig_mdb::cashless::{Kind, Level, Report};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "reader-configuration",
        title: "Says its level, scaling and options",
        expected: "level 1 to 3, a scale factor, a maximum response time",
        section: "7.4.2",
        advice: "Boards ask for wrong prices. Check its configuration.",
        weight: Weight::Money,
        quirk: Quirk::new("scaling-zero", "a scale factor of 0", |s| {
            s.habits.rewrite = Some(scaling_zero)
        }),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.bench.bus_reset();
            until_just_reset(t.bench);
            let config = t.setup(Level::THREE)?;
            let good = (1..=3).contains(&config.level.0) && config.scale > 0;
            let text = format!(
                "level {}, scale factor {}, {} decimals, response time {} s",
                config.level.0,
                config.scale,
                config.decimals,
                config.non_response_seconds()
            );
            Ok(Seen::judge(good, text))
        },
    },
    Check {
        id: "level-respected",
        title: "Speaks no higher level than the board",
        expected: "to a level 1 board: BEGIN SESSION and VEND messages of level 1 length",
        section: "2.4.4, Appendix 3, section 4",
        advice: "Old boards misread amounts. Do not install it on those.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "responds-above-vmc-level",
            "speaks its own level to an old board",
            |s| s.cashless.quirks.responds_above_vmc_level = true,
        ),
        arrange: Some(|setup| setup.cashless.level = Level::THREE),
        run: |b| {
            let mut t = Talk::new(b);
            t.bench.works_from(Leeway::Level);
            t.start(Level::ONE)?;
            t.order(Kind::ReaderEnable)?;
            // What is still to be said of the set-up is not to come with the session.
            t.watch(Micros::ms(500), never);
            t.bench.act_unasked(t.bench.card(BALANCE))?;
            let by = t.bench.now() + Micros::secs(10);
            while t.bench.now() < by {
                let (answer, reports) = t.send(Kind::Poll, Close::Ack);
                if reports.iter().any(is_begin) {
                    let length = answer.length();
                    let text = format!(
                        "BEGIN SESSION of {} to a level 1 board",
                        words::count(length, "byte")
                    );
                    // Among other reports the length of the answer says nothing (section 7.4.4).
                    let plain = |r: &Report| match r {
                        Report::BeginSession(begin) => {
                            begin.media.is_none() && begin.user.is_none()
                        }
                        _ => true,
                    };
                    let good = match reports.as_slice() {
                        [_] => length == 3,
                        many => many.iter().all(plain),
                    };
                    return Ok(Seen::judge(good, text));
                }
                t.bench.wait(POLL_EVERY);
            }
            Ok(Seen::cannot_tell("no session began"))
        },
    },
    Check {
        id: "no-session-while-disabled",
        title: "Begins no session while it is disabled",
        expected: "no BEGIN SESSION before READER ENABLE",
        section: "7.2.2, 7.4.12",
        advice: "Customers are charged while the machine cannot sell. Do not install it.",
        weight: Weight::Rule,
        quirk: Quirk {
            name: "session-while-disabled",
            about: "takes cards while it is disabled",
            caught_by: &["disable-obeyed"],
            apply: |s| s.cashless.quirks.session_while_disabled = true,
        },
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.start(Level::THREE)?;
            let begun = sessions_in(&mut t)?;
            none_began(begun)
        },
    },
    Check {
        id: "disable-obeyed",
        title: "Begins no session after READER DISABLE",
        expected: "no BEGIN SESSION until it is enabled again",
        section: "7.4.12",
        advice: "The board cannot hold it off. Do not install it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "shrugs-disable",
            "acknowledges READER DISABLE and does nothing",
            |s| s.habits.acknowledges_only = Some(is_disable),
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.enabled()?;
            t.order(Kind::ReaderDisable)?;
            let begun = sessions_in(&mut t)?;
            none_began(begun)
        },
    },
    Check {
        id: "session-begins-once",
        title: "Begins one session per card",
        expected: "BEGIN SESSION once, acknowledged",
        section: "7.4.4",
        advice: "Boards may show a balance twice or begin again. Update its software.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "begin-session-repeated",
            "BEGIN SESSION at every POLL",
            |s| s.cashless.quirks.begin_session_repeated = true,
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.session()?;
            let more = t.watch(Micros::secs(5), never);
            let more = more.iter().filter(|r| is_begin(r)).count();
            let text = format!("BEGIN SESSION {}", words::times(more + 1));
            Ok(Seen::judge(more == 0, text))
        },
    },
    Check {
        id: "session-repeated-after-lost-ack",
        title: "Repeats BEGIN SESSION until it is acknowledged",
        expected: "the same report at the next POLL after a lost ACK",
        section: "2.2",
        advice: "Cards are ignored on a noisy bus. Replace it.",
        weight: Weight::Money,
        quirk: Quirk::new(
            "forgets-unacknowledged",
            "forgets a session whose beginning was not acknowledged",
            |s| s.habits.silence_is_ack_of = Some(|data| data.first() == Some(&0x03)),
        ),
        arrange: None,
        run: |b| {
            let mut t = Talk::new(b);
            t.enabled()?;
            t.watch(Micros::ms(500), never);
            t.bench.act_unasked(t.bench.card(BALANCE))?;
            let by = t.bench.now() + Micros::secs(10);
            while t.bench.now() < by {
                let (_, reports) = t.send(Kind::Poll, Close::Silence);
                if reports.iter().any(is_begin) {
                    let again = t.order(Kind::Poll)?;
                    let text = format!("after the lost ACK: {}", texts(&again));
                    return Ok(Seen::judge(again.iter().any(is_begin), text));
                }
                t.bench.wait(POLL_EVERY);
            }
            Ok(Seen::cannot_tell("no session began"))
        },
    },
];

fn is_disable(command: &[u8]) -> bool {
    let command = Command::parse(command);
    matches!(command, Some(Command::Reader(c)) if c.kind == Kind::ReaderDisable)
}

fn scaling_zero(context: &Context<'_>, bytes: &mut Vec<u8>) {
    altered::reader(context, bytes, |reports| {
        for report in reports {
            if let Report::ReaderConfig(config) = report {
                config.scale = 0;
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
