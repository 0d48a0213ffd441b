//! Blocks on the wire: checksums, mode bits, addresses, RET, silence.

use super::super::bench::{Answer, Bench, Close, POLL_EVERY};
use super::super::setup::Setup;
use super::{Bytes, bytes, found, found_anew, poll, says_just_reset, until_just_reset};
use crate::check::{Check, Run, Seen, Weight};
use payrig_mdb::{Address, Block, RET, Word};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[Check<Bench, Setup>] = &[
    Check {
        id: "checksum-right",
        title: "Sends a right checksum",
        expected: "every answer with data ends with its CHK",
        section: "2.2",
        advice: "Boards refuse such answers. Replace it.",
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
        advice: "Boards cannot tell where its answers end. Check the adapter. If that does not help, replace it.",
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
];

fn checksum_right(b: &mut Bench) -> Run {
    b.bus_reset();
    let Bytes { poll, setup, .. } = bytes(b);
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
    let text = format!(
        "{good} right, {bad} wrong",
        good = words::count(good, "answer")
    );
    Ok(Seen::judge(bad == 0, text))
}

fn mode_bit_on_last(b: &mut Bench) -> Run {
    b.bus_reset();
    let Bytes { poll, setup, .. } = bytes(b);
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
    let text = format!(
        "{closed} marked, {open} not",
        closed = words::count(closed, "answer")
    );
    Ok(Seen::judge(open == 0, text))
}

fn bad_reset(b: &Bench) -> Vec<Word> {
    let reset = bytes(b).reset;
    vec![Word::marked(reset), Word::plain(reset ^ 0x10)]
}

fn bad_checksum_not_acted_on(b: &mut Bench) -> Run {
    // A reset is seen by JUST RESET.
    found_anew(b)?;
    // One that says it again by itself would be taken for obeying.
    for _ in 0..4 {
        b.wait(POLL_EVERY);
        let answer = poll(b);
        if says_just_reset(b, &answer) {
            let text = "it says JUST RESET again by itself: whether it was reset cannot be seen";
            return Ok(Seen::cannot_tell(text));
        }
    }
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
    let own = Address::of(bytes(b).reset).byte();
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
        let poll = bytes(b).poll;
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
    Ok(Seen::judge(
        unasked == 0,
        format!("{unasked} in 3 s", unasked = words::count(unasked, "byte")),
    ))
}

fn bears_slow_commands(b: &mut Bench) -> Run {
    found(b);
    let poll = bytes(b).poll;
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
