//! Checks every device on the bus must pass: timing, acknowledgment, checksums, resets, identity.

use super::bench::{Answer, Bench, Close, POLL_EVERY};
use super::setup::{Kind, Setup};
use crate::check::{COMMON_PRACTICE, Check, Run, Seen, Weight};
use payrig_mdb::{Block, CurrencyCode, RET, Word};
use payrig_units::Micros;

/// The commands every device has.
#[derive(Clone, Copy, Debug)]
struct Bytes {
    poll: u8,
    reset: u8,
    setup: &'static [u8],
    identification: &'static [u8],
    just_reset: u8,
    non_response: Micros,
}

/// SETUP - Config Data of a level 3 VMC without a display (7.4.2).
const CASHLESS_SETUP: &[u8] = &[0x11, 0x00, 0x03, 0x00, 0x00, 0x00];

/// EXPANSION - Request ID of the maker `ZZZ` (7.4.20).
const CASHLESS_ID: &[u8] = b"\x17\x00ZZZ000000000001PAYRIG BENCH\x01\x00";

const fn bytes(kind: Kind) -> Bytes {
    match kind {
        Kind::BillValidator | Kind::BillRecycler => Bytes {
            poll: 0x33,
            reset: 0x30,
            setup: &[0x31],
            identification: &[0x37, 0x00],
            just_reset: 0x06,
            non_response: Micros::secs(5),
        },
        Kind::Cashless => Bytes {
            poll: 0x12,
            reset: 0x10,
            setup: CASHLESS_SETUP,
            identification: CASHLESS_ID,
            just_reset: 0x00,
            non_response: Micros::secs(5),
        },
        // The changer's; a device on pulse lines is never asked.
        _ => Bytes {
            poll: 0x0B,
            reset: 0x08,
            setup: &[0x09],
            identification: &[0x0F, 0x00],
            just_reset: 0x0B,
            non_response: Micros::secs(2),
        },
    }
}

/// One POLL.
pub(super) fn poll(bench: &mut Bench) -> Answer {
    let poll = bytes(bench.kind()).poll;
    bench.ask(&[poll])
}

fn says_just_reset(bench: &Bench, answer: &Answer) -> bool {
    let code = bytes(bench.kind()).just_reset;
    answer.data().is_some_and(|d| d.contains(&code))
}

/// POLLs until JUST RESET is heard and acknowledged; how long that took, `None` when it did not
/// come within the non-response time and one polling interval.
pub(super) fn until_just_reset(bench: &mut Bench) -> Option<Micros> {
    let from = bench.now();
    let by = from + bytes(bench.kind()).non_response + Micros::ms(500);
    while bench.now() < by {
        let answer = poll(bench);
        if says_just_reset(bench, &answer) {
            return Some(bench.now().since(from));
        }
        bench.wait(POLL_EVERY);
    }
    None
}

/// Resets the bus and POLLs until the device is there. Some other check says when it is not.
pub(super) fn found(bench: &mut Bench) {
    bench.bus_reset();
    until_just_reset(bench);
}

/// Asks for something that is answered with data, at once or at a later POLL (section 2.5).
pub(super) fn data(bench: &mut Bench, command: &[u8], name: &str) -> Result<Vec<u8>, Seen> {
    let by = bench.now() + bytes(bench.kind()).non_response;
    let mut answer = bench.ask(command);
    while bench.now() < by {
        match answer {
            Answer::Data(data) => return Ok(data),
            Answer::Ack => {
                bench.wait(POLL_EVERY);
                answer = poll(bench);
            }
            _ => {
                bench.wait(POLL_EVERY);
                poll(bench);
                answer = bench.ask(command);
            }
        }
    }
    Err(Seen::fail(format!("{name} brought {}", answer.text())))
}

/// Gives an order that is answered with ACK.
pub(super) fn order(bench: &mut Bench, command: &[u8], name: &str) -> Result<(), Seen> {
    match bench.ask(command) {
        Answer::Ack => Ok(()),
        other => Err(Seen::fail(format!("{name} brought {}", other.text()))),
    }
}

/// What is left of an order that may be answered by nothing while the device is busy.
pub(super) fn patient_order(bench: &mut Bench, command: &[u8], name: &str) -> Result<(), Seen> {
    for _ in 0..40 {
        match bench.ask(command) {
            Answer::Silence => {
                bench.wait(Micros::ms(50));
            }
            Answer::Ack => return Ok(()),
            other => return Err(Seen::fail(format!("{name} brought {}", other.text()))),
        }
    }
    Err(Seen::fail(format!("{name} is not answered")))
}

/// The checks, for every kind on the bus.
pub(super) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "answers-after-bus-reset",
        title: "Answers POLL after a bus reset",
        expected: "an answer within the non-response time",
        section: "2.2, 5.4, 6.4, 7.5",
        advice: "Check power, plug and address; a device that needs longer is missed by boards.",
        weight: Weight::Rule,
        quirk: "slow-start",
        arrange: None,
        run: answers_after_bus_reset,
    },
    Check {
        id: "just-reset-said",
        title: "Says JUST RESET after a bus reset",
        expected: "JUST RESET at one of the first POLLs",
        section: "2.2, 2.4.4",
        advice: "A board may never set this device up. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: "no-just-reset",
        arrange: None,
        run: just_reset_said,
    },
    Check {
        id: "just-reset-once",
        title: "Says JUST RESET once",
        expected: "no JUST RESET once it was acknowledged",
        section: "2.2",
        advice: "A board sets the device up again and again. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: "reports-again",
        arrange: None,
        run: just_reset_once,
    },
    Check {
        id: "just-reset-until-acknowledged",
        title: "Repeats JUST RESET until it is acknowledged",
        expected: "JUST RESET again after a lost ACK",
        section: "2.2",
        advice: "A board that missed it does not set the device up. Replace the device.",
        weight: Weight::Rule,
        quirk: "silence-is-ack",
        arrange: None,
        run: just_reset_until_acknowledged,
    },
    Check {
        id: "nak-repeats",
        title: "Repeats a report that was answered with NAK",
        expected: "the same data at the next POLL",
        section: "2.2",
        advice: "Reports are lost on a noisy bus. Replace the device.",
        weight: Weight::Rule,
        quirk: "nak-is-ack",
        arrange: None,
        run: nak_repeats,
    },
    Check {
        id: "reset-obeyed",
        title: "Obeys RESET",
        expected: "ACK, and then JUST RESET",
        section: "5.3, 6.3, 7.4.1",
        advice: "A board cannot bring this device into a known state. Replace it.",
        weight: Weight::Rule,
        quirk: "shrugs-reset",
        arrange: None,
        run: reset_obeyed,
    },
    Check {
        id: "bus-reset-obeyed",
        title: "Obeys a bus reset of 110 ms",
        expected: "JUST RESET after it",
        section: "2.2, 3.2",
        advice: "Check the receive line of the device; a board relies on the bus reset.",
        weight: Weight::Rule,
        quirk: "ignores-bus-reset",
        arrange: None,
        run: bus_reset_obeyed,
    },
    Check {
        id: "answer-time",
        title: "Answers within 5 ms, over two thousand POLLs",
        expected: "no answer later than 5.0 ms",
        section: "3.2",
        advice: "Old boards give up after 5 ms and lose reports. Do not install it on those.",
        weight: Weight::Rule,
        quirk: "late-answers",
        arrange: None,
        run: answer_time,
    },
    Check {
        id: "answer-time-margin",
        title: "Answers within 4 ms",
        expected: "no answer later than 4.0 ms",
        section: "Appendix 3, section 2",
        advice: "It keeps the limit, without the margin that is recommended.",
        weight: Weight::Advice,
        quirk: "hardly-in-time",
        arrange: None,
        run: answer_time_margin,
    },
    Check {
        id: "inter-byte-time",
        title: "Pauses at most 1 ms between bytes",
        expected: "no pause inside an answer longer than 1.0 ms",
        section: "3.2",
        advice: "Boards take the answer for ended and lose it. Do not install it.",
        weight: Weight::Rule,
        quirk: "slow-bytes",
        arrange: None,
        run: inter_byte_time,
    },
    Check {
        id: "inter-byte-margin",
        title: "Pauses at most 0.8 ms between bytes",
        expected: "no pause inside an answer longer than 0.8 ms",
        section: "Appendix 3, section 2",
        advice: "It keeps the limit, without the margin that is recommended.",
        weight: Weight::Advice,
        quirk: "rather-slow-bytes",
        arrange: None,
        run: inter_byte_margin,
    },
    Check {
        id: "checksum-right",
        title: "Sends a right checksum",
        expected: "every answer with data ends with its CHK",
        section: "2.2",
        advice: "Every board refuses its answers. Replace it.",
        weight: Weight::Rule,
        quirk: "wrong-chk",
        arrange: None,
        run: checksum_right,
    },
    Check {
        id: "mode-bit-on-last",
        title: "Marks the last byte of an answer",
        expected: "the mode bit set on the last byte, and only there",
        section: "2.2",
        advice: "Boards cannot tell where its answers end. Check the adapter, then replace it.",
        weight: Weight::Rule,
        quirk: "no-mode-bit",
        arrange: None,
        run: mode_bit_on_last,
    },
    Check {
        id: "bad-checksum-not-acted-on",
        title: "Does not act on a command with a wrong checksum",
        expected: "no reset after a RESET with a wrong CHK",
        section: "2.2",
        advice: "Noise on the bus makes it do things nobody ordered. Do not install it.",
        weight: Weight::Rule,
        quirk: "acts-on-bad-checksum",
        arrange: None,
        run: bad_checksum_not_acted_on,
    },
    Check {
        id: "never-naks",
        title: "Answers a wrong checksum with silence, not NAK",
        expected: "nothing on the wire",
        section: "Appendix 3, section 3",
        advice: "Its NAK collides with answers of others when an address byte is disturbed.",
        weight: Weight::Advice,
        quirk: "naks",
        arrange: None,
        run: never_naks,
    },
    Check {
        id: "other-address-not-answered",
        title: "Does not answer other addresses",
        expected: "silence at every address but its own",
        section: "2.3",
        advice: "It disturbs other devices. Check its address switches.",
        weight: Weight::Rule,
        quirk: "answers-other-address",
        arrange: None,
        run: other_address_not_answered,
    },
    Check {
        id: "ret-same-data",
        title: "Sends the same data again on RET",
        expected: "exactly the answer before",
        section: "2.2",
        advice: "A board that asks again is misled. Replace the device.",
        weight: Weight::Rule,
        quirk: "ret-other-data",
        arrange: None,
        run: ret_same_data,
    },
    Check {
        id: "ret-answered",
        title: "Answers RET",
        expected: "an answer within 5 ms",
        section: "2.2",
        advice: "A board that asks again hears nothing; data may be lost on a noisy bus.",
        weight: Weight::Rule,
        quirk: "ret-ignored",
        arrange: None,
        run: ret_answered,
    },
    Check {
        id: "silent-unless-asked",
        title: "Speaks only when it is asked",
        expected: "nothing on the wire during 3 s without a command",
        section: "2.2",
        advice: "It disturbs the whole bus. Replace it.",
        weight: Weight::Rule,
        quirk: "speaks-unasked",
        arrange: None,
        run: silent_unless_asked,
    },
    Check {
        id: "bears-slow-commands",
        title: "Bears pauses of 4 ms inside a command",
        expected: "an answer all the same",
        section: "Appendix 3, section 2",
        advice: "It may not work with old boards.",
        weight: Weight::Advice,
        quirk: "impatient",
        arrange: None,
        run: bears_slow_commands,
    },
    Check {
        id: "never-away",
        title: "Is never away for longer than its non-response time",
        expected: "an answer at least every non-response time, over two minutes",
        section: "5.4, 6.4, 7.5",
        advice: "Boards take it for gone and reset it. Check power and cabling, then replace it.",
        weight: Weight::Rule,
        quirk: "goes-away",
        arrange: None,
        run: never_away,
    },
    Check {
        id: "unknown-command-survived",
        title: "Survives a command it does not know",
        expected: "POLL is answered afterwards",
        section: "2.4.4, Appendix 3, section 4",
        advice: "A newer board can hang it. Update its software or replace it.",
        weight: Weight::Rule,
        quirk: "hangs-on-unknown",
        arrange: None,
        run: unknown_command_survived,
    },
    Check {
        id: "identity-readable",
        title: "Says who it is",
        expected: "maker code, serial and model number in printable characters",
        section: "5.3, 6.3, 7.4.20",
        advice: "A shop cannot tell units apart; telemetry reports nonsense.",
        weight: Weight::Advice,
        quirk: "unprintable-identity",
        arrange: None,
        run: identity_readable,
    },
    Check {
        id: "currency-known",
        title: "Says a country or currency code that exists",
        expected: "ISO 4217 with a leading 1, or a telephone code",
        section: "5.3, 6.3, 7.4.2",
        advice: "Some boards refuse the device. Check its configuration.",
        weight: Weight::Advice,
        quirk: "nonsense-currency",
        arrange: None,
        run: currency_known,
    },
    Check {
        id: "setup-stays",
        title: "Says the same at every SETUP",
        expected: "the same answer before and after RESET",
        section: COMMON_PRACTICE,
        advice: "Its memory is unsafe: values may change in the field. Replace it.",
        weight: Weight::Rule,
        quirk: "setup-changes",
        arrange: None,
        run: setup_stays,
    },
    Check {
        id: "power-cut-survived",
        title: "Starts again after a power cut",
        expected: "JUST RESET within the non-response time",
        section: "2.2, 3.2",
        advice: "It must be started by hand after every power cut. Replace it.",
        weight: Weight::Rule,
        quirk: "dead-after-power-cut",
        arrange: None,
        run: power_cut_survived,
    },
];

fn answers_after_bus_reset(b: &mut Bench) -> Run {
    b.bus_reset();
    let from = b.now();
    let limit = bytes(b.kind()).non_response;
    while b.now() < from + limit + Micros::ms(500) {
        let answer = poll(b);
        if answer != Answer::Silence {
            let took = b.now().since(from);
            let text = format!("{} after {took}", answer.text());
            return Ok(Seen::pass(text));
        }
        b.wait(POLL_EVERY);
    }
    Ok(Seen::fail(format!("silence for {limit}")))
}

fn just_reset_said(b: &mut Bench) -> Run {
    b.bus_reset();
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("JUST RESET after {took}")),
        None => Seen::fail("no JUST RESET"),
    })
}

fn just_reset_once(b: &mut Bench) -> Run {
    found(b);
    let mut again = 0;
    for _ in 0..40 {
        b.wait(POLL_EVERY);
        let answer = poll(b);
        again += u32::from(says_just_reset(b, &answer));
    }
    let text = format!("{again} times more in 40 POLLs");
    Ok(Seen::judge(again == 0, text))
}

fn first_report(b: &mut Bench, close: Close) -> Result<Answer, Seen> {
    b.bus_reset();
    let poll = bytes(b.kind()).poll;
    for _ in 0..60 {
        let answer = b.exchange(&[poll], close);
        if answer.data().is_some() {
            return Ok(answer);
        }
        b.wait(POLL_EVERY);
    }
    Err(Seen::cannot_tell("it reported nothing to be repeated"))
}

fn repeated(b: &mut Bench, first: &Answer) -> Run {
    let again = poll(b);
    let same = again.data().is_some() && again.data() == first.data();
    let text = format!("first {}, then {}", first.text(), again.text());
    Ok(Seen::judge(same, text))
}

fn just_reset_until_acknowledged(b: &mut Bench) -> Run {
    let first = first_report(b, Close::Silence)?;
    repeated(b, &first)
}

fn nak_repeats(b: &mut Bench) -> Run {
    let first = first_report(b, Close::Nak)?;
    repeated(b, &first)
}

fn reset_obeyed(b: &mut Bench) -> Run {
    found(b);
    let reset = bytes(b.kind()).reset;
    order(b, &[reset], "RESET")?;
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("ACK, then JUST RESET after {took}")),
        None => Seen::fail("ACK, but no JUST RESET"),
    })
}

fn bus_reset_obeyed(b: &mut Bench) -> Run {
    found(b);
    b.hold(Micros::ms(110));
    b.wait(Micros::ms(500));
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("JUST RESET after {took}")),
        None => Seen::fail("the bus reset is not noticed"),
    })
}

fn many_polls(b: &mut Bench, count: u32) {
    found(b);
    for _ in 0..count {
        poll(b);
        b.wait(Micros::ms(20));
    }
}

fn spread(times: &[Micros]) -> Option<(Micros, Micros, usize)> {
    let least = times.iter().min()?;
    Some((*least, *times.iter().max()?, times.len()))
}

fn times_within(times: &[Micros], limit: Micros, what: &str) -> Run {
    let Some((least, most, count)) = spread(times) else {
        return Ok(Seen::cannot_tell("it answered nothing that could be timed"));
    };
    let late = times.iter().filter(|t| **t > limit).count();
    let text = format!("{count} {what}: {least} to {most}, {late} over {limit}");
    Ok(Seen::judge(late == 0, text))
}

fn answer_time(b: &mut Bench) -> Run {
    many_polls(b, 2_000);
    times_within(b.answer_times(), Micros::ms(5), "answers")
}

fn answer_time_margin(b: &mut Bench) -> Run {
    many_polls(b, 200);
    times_within(b.answer_times(), Micros::ms(4), "answers")
}

fn long_answers(b: &mut Bench) {
    found(b);
    for _ in 0..50 {
        let setup = bytes(b.kind()).setup;
        b.ask(setup);
        b.wait(Micros::ms(20));
        poll(b);
    }
}

fn inter_byte_time(b: &mut Bench) -> Run {
    long_answers(b);
    times_within(b.gaps(), Micros::ms(1), "pauses")
}

fn inter_byte_margin(b: &mut Bench) -> Run {
    long_answers(b);
    times_within(b.gaps(), Micros(800), "pauses")
}

fn checksum_right(b: &mut Bench) -> Run {
    b.bus_reset();
    let Bytes { poll, setup, .. } = bytes(b.kind());
    let (mut good, mut bad) = (0, 0);
    for command in [&[poll][..], setup].into_iter().cycle().take(60) {
        match b.ask(command) {
            Answer::Data(_) => good += 1,
            Answer::Bad(bytes) if bytes.len() > 1 => bad += 1,
            _ => {}
        }
        b.wait(POLL_EVERY);
    }
    if good + bad == 0 {
        return Ok(Seen::cannot_tell("it sent no data"));
    }
    let text = format!("{good} answers right, {bad} wrong");
    Ok(Seen::judge(bad == 0, text))
}

fn mode_bit_on_last(b: &mut Bench) -> Run {
    b.bus_reset();
    let Bytes { poll, setup, .. } = bytes(b.kind());
    let (mut closed, mut open) = (0, 0);
    for command in [&[poll][..], setup].into_iter().cycle().take(60) {
        match b.ask(command) {
            Answer::Data(_) => closed += 1,
            // A block that is right but for its end: the bit is missing.
            Answer::Bad(bytes) if Block::from_wire(&bytes).is_ok() => open += 1,
            _ => {}
        }
        b.wait(POLL_EVERY);
    }
    if closed + open == 0 {
        return Ok(Seen::cannot_tell("it sent no data"));
    }
    let text = format!("{closed} answers marked, {open} not");
    Ok(Seen::judge(open == 0, text))
}

fn bad_reset(b: &Bench) -> Vec<Word> {
    let reset = bytes(b.kind()).reset;
    vec![Word::marked(reset), Word::plain(reset ^ 0x10)]
}

fn bad_checksum_not_acted_on(b: &mut Bench) -> Run {
    found(b);
    let words = bad_reset(b);
    let answer = b.exchange_words(words, Micros(60), Close::Ack);
    let reset = until_just_reset(b).is_some();
    let text = match (reset, &answer) {
        (true, _) => "it was reset by a damaged RESET".to_owned(),
        (false, Answer::Ack | Answer::Data(_)) => format!("it answered {}", answer.text()),
        (false, _) => "nothing happened".to_owned(),
    };
    let good = !reset && !matches!(answer, Answer::Ack | Answer::Data(_));
    Ok(Seen::judge(good, text))
}

fn never_naks(b: &mut Bench) -> Run {
    found(b);
    let words = bad_reset(b);
    let answer = b.exchange_words(words, Micros(60), Close::Ack);
    Ok(Seen::judge(answer != Answer::Nak, answer.text()))
}

fn other_address_not_answered(b: &mut Bench) -> Run {
    found(b);
    let own = b.kind().address().map_or(0, |a| a.byte());
    let mut answered = Vec::new();
    for address in (0x08..=0xF8).step_by(8).filter(|a| *a != own) {
        // RESET, POLL of a changer or validator, POLL of a card reader.
        for command in [0, 2, 3] {
            if b.ask(&[address | command]) != Answer::Silence {
                answered.push(format!("{:02X}H", address | command));
            }
        }
    }
    let text = match answered.is_empty() {
        true => "90 commands to 30 other addresses: silence".to_owned(),
        false => format!("it answered {}", answered.join(", ")),
    };
    Ok(Seen::judge(answered.is_empty(), text))
}

/// A POLL, its answer, RET, its answer.
fn asked_again(b: &mut Bench) -> Result<(Answer, Answer), Seen> {
    b.bus_reset();
    for _ in 0..60 {
        let poll = bytes(b.kind()).poll;
        let words = Block::truncated(&[poll]).master_words().collect();
        let end = b.send(words, Micros(60));
        b.until(end);
        let first = b.listen(end);
        if first.data().is_some() {
            let end = b.say(RET);
            let again = b.listen(end);
            if again.data().is_some() {
                b.say(payrig_mdb::ACK);
            }
            return Ok((first, again));
        }
        b.wait(POLL_EVERY);
    }
    Err(Seen::cannot_tell("it sent no data to be asked for again"))
}

fn ret_same_data(b: &mut Bench) -> Run {
    let (first, again) = asked_again(b)?;
    if again == Answer::Silence {
        return Ok(Seen::cannot_tell("RET was not answered"));
    }
    let text = format!("first {}, after RET {}", first.text(), again.text());
    Ok(Seen::judge(first == again, text))
}

fn ret_answered(b: &mut Bench) -> Run {
    let (_, again) = asked_again(b)?;
    Ok(Seen::judge(again != Answer::Silence, again.text()))
}

fn silent_unless_asked(b: &mut Bench) -> Run {
    found(b);
    poll(b);
    b.wait(Micros::ms(50));
    b.take_unasked();
    b.wait(Micros::secs(3));
    let unasked = b.take_unasked().len();
    Ok(Seen::judge(unasked == 0, format!("{unasked} bytes in 3 s")))
}

fn bears_slow_commands(b: &mut Bench) -> Run {
    found(b);
    let poll = bytes(b.kind()).poll;
    let words: Vec<Word> = Block::truncated(&[poll]).master_words().collect();
    let mut answered = 0;
    for _ in 0..10 {
        let answer = b.exchange_words(words.clone(), Micros::ms(4), Close::Ack);
        answered += u32::from(answer != Answer::Silence);
        b.wait(POLL_EVERY);
    }
    let text = format!("{answered} of 10 commands with a pause of 4 ms answered");
    Ok(Seen::judge(answered == 10, text))
}

fn never_away(b: &mut Bench) -> Run {
    found(b);
    let limit = bytes(b.kind()).non_response + POLL_EVERY;
    let (from, mut last, mut longest) = (b.now(), b.now(), Micros::ZERO);
    while b.now() < from + Micros::secs(120) {
        if poll(b) != Answer::Silence {
            longest = longest.max(b.now().since(last));
            last = b.now();
        }
        b.wait(POLL_EVERY);
    }
    longest = longest.max(b.now().since(last));
    let text = format!("longest without an answer {longest}, allowed {limit}");
    Ok(Seen::judge(longest <= limit, text))
}

fn unknown_command_survived(b: &mut Bench) -> Run {
    found(b);
    let expansion = bytes(b.kind()).identification.first().copied();
    let unknown = b.ask(&[expansion.unwrap_or(0x0F), 0x55]);
    let mut answered = false;
    for _ in 0..60 {
        b.wait(POLL_EVERY);
        answered |= poll(b) != Answer::Silence;
    }
    let text = match answered {
        true => format!("the command brought {}, POLL is answered", unknown.text()),
        false => "POLL is not answered any more".to_owned(),
    };
    Ok(Seen::judge(answered, text))
}

fn setup_data(b: &mut Bench) -> Result<Vec<u8>, Seen> {
    let setup = bytes(b.kind()).setup;
    data(b, setup, "SETUP")
}

fn identity_readable(b: &mut Bench) -> Run {
    found(b);
    let level = setup_data(b)?;
    if b.kind() == Kind::Changer && level.first().is_some_and(|l| *l < 3) {
        return Ok(Seen::skipped("a changer of level 2 has no identification"));
    }
    let command = bytes(b.kind()).identification;
    let data = data(b, command, "IDENTIFICATION")?;
    let skip = usize::from(b.kind() == Kind::Cashless);
    let id: Vec<u8> = data.iter().copied().skip(skip).take(27).collect();
    let good = id.len() == 27 && id.iter().all(|c| (0x20..0x7F).contains(c));
    let text = |from: usize, n: usize| -> String {
        let part = id.iter().skip(from).take(n);
        let shown = part.map(|c| match c {
            0x20..0x7F => char::from(*c),
            _ => '?',
        });
        shown.collect()
    };
    let text = format!(
        "maker {}, serial {}, model {}",
        text(0, 3),
        text(3, 12),
        text(15, 12)
    );
    Ok(Seen::judge(good, text))
}

fn currency_known(b: &mut Bench) -> Run {
    found(b);
    let setup = setup_data(b)?;
    let skip = if b.kind() == Kind::Cashless { 2 } else { 1 };
    let code: Vec<u8> = setup.iter().copied().skip(skip).take(2).collect();
    let Ok(code) = <[u8; 2]>::try_from(code.as_slice()) else {
        return Ok(Seen::fail("SETUP is too short for a currency code"));
    };
    let code = CurrencyCode(code);
    let known = code.letters().is_some() || code.telephone().is_some_and(|t| t > 0);
    Ok(Seen::judge(known, code.to_string()))
}

fn setup_stays(b: &mut Bench) -> Run {
    found(b);
    let first = setup_data(b)?;
    let reset = bytes(b.kind()).reset;
    order(b, &[reset], "RESET")?;
    until_just_reset(b);
    let second = setup_data(b)?;
    let third = setup_data(b)?;
    let same = first == second && second == third;
    let text = match same {
        true => format!("three times the same {} bytes", first.len()),
        false => format!(
            "first {}, after RESET {}, then {}",
            Answer::Data(first).text(),
            Answer::Data(second).text(),
            Answer::Data(third).text()
        ),
    };
    Ok(Seen::judge(same, text))
}

fn power_cut_survived(b: &mut Bench) -> Run {
    found(b);
    b.act(super::bench::Act::Power(false))?;
    b.wait(Micros::secs(2));
    b.act(super::bench::Act::Power(true))?;
    Ok(match until_just_reset(b) {
        Some(took) => Seen::pass(format!("JUST RESET {took} after power came back")),
        None => Seen::fail("no JUST RESET after power came back"),
    })
}
