//! Set-up and sessions.

use super::super::bench::{Act, Bench, Close, POLL_EVERY};
use super::super::common::until_just_reset;
use super::super::setup::Setup;
use super::{BALANCE, Talk, is_begin, never, none_began, sessions_in, texts};
use crate::check::{Check, Run, Seen, Weight};
use payrig_mdb::cashless::{Kind, Level};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "reader-configuration",
        title: "Says its level, scaling and options",
        expected: "level 1 to 3, a scale factor, a maximum response time",
        section: "7.4.2",
        advice: "Boards ask for wrong prices. Check its configuration.",
        weight: Weight::Rule,
        quirk: "scaling-zero",
        arrange: None,
        run: reader_configuration,
    },
    Check {
        id: "level-respected",
        title: "Speaks no higher level than the board",
        expected: "to a level 1 board: BEGIN SESSION and VEND messages of level 1 length",
        section: "2.4.4, Appendix 3, section 4",
        advice: "Old boards misread amounts. Do not install it on those.",
        weight: Weight::Rule,
        quirk: "responds-above-vmc-level",
        arrange: Some(level_3),
        run: level_respected,
    },
    Check {
        id: "no-session-while-disabled",
        title: "Begins no session while it is disabled",
        expected: "no BEGIN SESSION before READER ENABLE",
        section: "7.2.2, 7.4.12",
        advice: "Customers are charged while the machine cannot sell. Do not install it.",
        weight: Weight::Rule,
        quirk: "session-while-disabled",
        arrange: None,
        run: no_session_while_disabled,
    },
    Check {
        id: "disable-obeyed",
        title: "Begins no session after READER DISABLE",
        expected: "no BEGIN SESSION until it is enabled again",
        section: "7.4.12",
        advice: "The board cannot hold it off. Do not install it.",
        weight: Weight::Rule,
        quirk: "shrugs-disable",
        arrange: None,
        run: disable_obeyed,
    },
    Check {
        id: "session-begins-once",
        title: "Begins one session per card",
        expected: "BEGIN SESSION once, acknowledged",
        section: "7.4.4",
        advice: "Boards may show a balance twice or begin again. Update its software.",
        weight: Weight::Rule,
        quirk: "begin-session-repeated",
        arrange: None,
        run: session_begins_once,
    },
    Check {
        id: "session-repeated-after-lost-ack",
        title: "Repeats BEGIN SESSION until it is acknowledged",
        expected: "the same report at the next POLL after a lost ACK",
        section: "2.2",
        advice: "Cards are ignored on a noisy bus. Replace it.",
        weight: Weight::Rule,
        quirk: "forgets-unacknowledged",
        arrange: None,
        run: session_repeated,
    },
];

fn level_3(setup: &mut Setup) {
    setup.cashless.level = Level::THREE;
}

fn reader_configuration(b: &mut Bench) -> Run {
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
}

fn level_respected(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.start(Level::ONE)?;
    t.order(Kind::ReaderEnable)?;
    t.bench.act_unasked(Act::Card(BALANCE))?;
    let by = t.bench.now() + Micros::secs(10);
    while t.bench.now() < by {
        let (answer, _) = t.send(Kind::Poll, Close::Ack);
        if let Some(data) = answer.data().filter(|d| d.first() == Some(&0x03)) {
            let text = format!(
                "BEGIN SESSION of {} to a level 1 board",
                words::count(data.len(), "byte")
            );
            return Ok(Seen::judge(data.len() == 3, text));
        }
        t.bench.wait(POLL_EVERY);
    }
    Ok(Seen::cannot_tell("no session began"))
}

fn no_session_while_disabled(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.start(Level::THREE)?;
    let begun = sessions_in(&mut t)?;
    none_began(begun)
}

fn disable_obeyed(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    t.order(Kind::ReaderDisable)?;
    let begun = sessions_in(&mut t)?;
    none_began(begun)
}

fn session_begins_once(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.session()?;
    let more = t.watch(Micros::secs(5), never);
    let more = more.iter().filter(|r| is_begin(r)).count();
    let text = format!("BEGIN SESSION {}", words::times(more + 1));
    Ok(Seen::judge(more == 0, text))
}

fn session_repeated(b: &mut Bench) -> Run {
    let mut t = Talk::new(b);
    t.enabled()?;
    t.bench.act_unasked(Act::Card(BALANCE))?;
    let by = t.bench.now() + Micros::secs(10);
    while t.bench.now() < by {
        let (_, reports) = t.send(Kind::Poll, Close::Silence);
        if reports.iter().any(is_begin) {
            let (_, again) = t.send(Kind::Poll, Close::Ack);
            let text = format!("after the lost ACK: {}", texts(&again));
            return Ok(Seen::judge(again.iter().any(is_begin), text));
        }
        t.bench.wait(POLL_EVERY);
    }
    Ok(Seen::cannot_tell("no session began"))
}
