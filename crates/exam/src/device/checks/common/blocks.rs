//! Blocks on the wire: checksums, mode bits, addresses, RET, silence.

use super::{found, found_anew, poll, polls_just_reset, until_just_reset};
use crate::check::{Check, Quirk, Seen, Weight};
use crate::device::typed::{Common, Request};
use crate::device::{Answer, Bench, Close, DeviceCheck, POLL_EVERY};
use payrig_mdb::{Address, Block, RET, Word};
use payrig_units::{Micros, words};

/// The checks.
pub(in crate::device) const CHECKS: &[DeviceCheck] = &[
    Check {
        id: "checksum-right",
        title: "Sends a right checksum",
        expected: "every answer with data ends with its CHK",
        section: "2.2",
        advice: "Boards refuse such answers. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("wrong-chk", "sends a wrong CHK", |s| {
            s.habits.wrong_chk = true
        }),
        arrange: None,
        run: |b| {
            b.bus_reset();
            let asked = [Common::Poll, Common::Setup].map(|common| common.at(b).block());
            let (mut good, mut bad) = (0, 0);
            for block in asked.iter().cycle().take(60) {
                match b.ask(block.bytes()) {
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
        },
    },
    Check {
        id: "mode-bit-on-last",
        title: "Marks the last byte of an answer",
        expected: "the mode bit set on the last byte, and only there",
        section: "2.2",
        advice: "Boards cannot tell where its answers end. Check the adapter. If that does not \
                 help, replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("no-mode-bit", "sends no mode bit on the last byte", |s| {
            s.habits.no_mode_bit = true
        }),
        arrange: None,
        run: |b| {
            b.bus_reset();
            let asked = [Common::Poll, Common::Setup].map(|common| common.at(b).block());
            let (mut closed, mut open) = (0, 0);
            for block in asked.iter().cycle().take(60) {
                match b.ask(block.bytes()) {
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
        },
    },
    Check {
        id: "mode-bit-on-no-other",
        title: "Marks no other byte of an answer",
        expected: "the mode bit set on the last byte alone",
        section: "2.1, 2.2",
        advice: "Boards take its answers for ended after their first byte. Check the adapter. If that \
                 does not help, replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "mode-bit-on-every-byte",
            "sets the mode bit on every byte of an answer",
            |s| s.habits.mode_bits_everywhere = true,
        ),
        arrange: None,
        run: |b| {
            found(b);
            let asked = [Common::Poll, Common::Setup].map(|common| common.at(b).block());
            let (mut right, mut early) = (0, 0);
            for block in asked.iter().cycle().take(20) {
                b.take_unasked();
                let end = b.send(block.master_words().collect(), Micros(60));
                b.until(end);
                let words = b.hear_out(end);
                if let [first @ .., _] = words.as_slice()
                    && !first.is_empty()
                {
                    match first.iter().any(|word| word.word.mode) {
                        true => early += 1,
                        false => right += 1,
                    }
                }
                b.wait(POLL_EVERY);
            }
            if right + early == 0 {
                return Ok(Seen::cannot_tell("it sent no data"));
            }
            let text = format!(
                "{right} marked at the end alone, {early} before it",
                right = words::count(right, "answer")
            );
            Ok(Seen::judge(early == 0, text))
        },
    },
    Check {
        id: "bad-checksum-not-acted-on",
        title: "Does not act on a command with a wrong checksum",
        expected: "no reset after a RESET with a wrong CHK",
        section: "2.2",
        advice: "Noise on the bus makes it do things nobody ordered. Do not install it.",
        weight: Weight::Rule,
        quirk: Quirk::new(
            "acts-on-bad-checksum",
            "takes a damaged command for good",
            |s| s.habits.acts_on_bad_checksum = true,
        ),
        arrange: None,
        run: |b| {
            // A reset is seen by JUST RESET.
            found_anew(b)?;
            // One that says it again by itself would be taken for obeying.
            for _ in 0..4 {
                b.wait(POLL_EVERY);
                if polls_just_reset(b) {
                    let text =
                        "it says JUST RESET again by itself: whether it was reset cannot be seen";
                    return Ok(Seen::cannot_tell(text));
                }
            }
            let words = damaged_reset(b);
            let answer = b.exchange_words(words, Micros(60), Close::Ack);
            let reset = until_just_reset(b).is_some();
            let text = match (reset, &answer) {
                (true, _) => "it was reset by a damaged RESET".to_owned(),
                (false, Answer::Ack | Answer::Data(_)) => format!("it answered {}", answer.text()),
                (false, _) => "nothing happened".to_owned(),
            };
            let good = !reset && !matches!(answer, Answer::Ack | Answer::Data(_));
            Ok(Seen::judge(good, text))
        },
    },
    Check {
        id: "never-naks",
        title: "Answers a wrong checksum with silence, not NAK",
        expected: "nothing on the wire",
        section: "Appendix 3, section 3",
        advice: "Its NAK collides with answers of others when an address byte is disturbed.",
        weight: Weight::Advice,
        quirk: Quirk::new("naks", "answers a damaged command with NAK", |s| {
            s.habits.naks = true
        }),
        arrange: None,
        run: |b| {
            found(b);
            let words = damaged_reset(b);
            let answer = b.exchange_words(words, Micros(60), Close::Ack);
            Ok(Seen::judge(answer != Answer::Nak, answer.text()))
        },
    },
    Check {
        id: "other-address-not-answered",
        title: "Does not answer other addresses",
        expected: "silence at every address but its own",
        section: "2.3",
        advice: "It disturbs other devices. Check its address switches.",
        weight: Weight::Rule,
        quirk: Quirk::new("answers-other-address", "answers at 70H too", |s| {
            s.habits.answers_other_address = true
        }),
        arrange: None,
        run: |b| {
            found(b);
            let own = Address::of(Common::Reset.at(b).block().first()).byte();
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
        },
    },
    Check {
        id: "ret-same-data",
        title: "Sends the same data again on RET",
        expected: "exactly the answer before",
        section: "2.2",
        advice: "A board that asks again is misled. Replace the device.",
        weight: Weight::Rule,
        quirk: Quirk::new("ret-other-data", "answers RET with other data", |s| {
            s.habits.ret_other_data = true
        }),
        arrange: None,
        run: |b| {
            let (first, again) = asked_again(b)?;
            if again == Answer::Silence {
                return Ok(Seen::cannot_tell("RET was not answered"));
            }
            let text = format!("first {}, after RET {}", first.text(), again.text());
            Ok(Seen::judge(first == again, text))
        },
    },
    Check {
        id: "ret-answered",
        title: "Answers RET",
        expected: "an answer within 5 ms",
        section: "2.2",
        advice: "A board that asks again hears nothing; data may be lost on a noisy bus.",
        weight: Weight::Rule,
        quirk: Quirk::new("ret-ignored", "does not answer RET", |s| {
            s.habits.ret_ignored = true
        }),
        arrange: None,
        run: |b| {
            let (_, again) = asked_again(b)?;
            Ok(Seen::judge(again != Answer::Silence, again.text()))
        },
    },
    Check {
        id: "silent-unless-asked",
        title: "Speaks only when it is asked",
        expected: "nothing on the wire during 3 s without a command",
        section: "2.2",
        advice: "It disturbs the whole bus. Replace it.",
        weight: Weight::Rule,
        quirk: Quirk::new("speaks-unasked", "sends a byte nobody asked for", |s| {
            s.habits.speaks_at = Some(Micros::ms(2_500))
        }),
        arrange: None,
        run: |b| {
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
        },
    },
    Check {
        id: "bears-slow-commands",
        title: "Tolerates pauses of 4 ms inside a command",
        expected: "an answer all the same",
        section: "Appendix 3, section 2",
        advice: "It may not work with old boards.",
        weight: Weight::Advice,
        quirk: Quirk::new(
            "impatient",
            "gives up a command with a pause of more than 1.2 ms",
            |s| s.habits.longest_gap = Some(Micros(1_200)),
        ),
        arrange: None,
        run: |b| {
            found(b);
            let words: Vec<Word> = Common::Poll.at(b).block().master_words().collect();
            let mut answered = 0;
            for _ in 0..10 {
                // It may be busy for a moment: what it does not answer is said again (2.2).
                let heard = (0..3).any(|_| {
                    let answer = b.exchange_words(words.clone(), Micros::ms(4), Close::Ack);
                    b.wait(POLL_EVERY);
                    answer != Answer::Silence
                });
                answered += u32::from(heard);
            }
            let text = format!("{answered} of 10 commands with a pause of 4 ms answered");
            Ok(Seen::judge(answered == 10, text))
        },
    },
];

/// RESET with a wrong CHK.
fn damaged_reset(b: &Bench) -> Vec<Word> {
    let mut words: Vec<Word> = Common::Reset.at(b).block().master_words().collect();
    if let Some(chk) = words.last_mut() {
        chk.byte ^= 0x10;
    }
    words
}

/// A POLL, its answer, RET, its answer; anew where RET brings nothing, as any command may be missed.
fn asked_again(b: &mut Bench) -> Result<(Answer, Answer), Seen> {
    let mut last = asked_once_more(b)?;
    for _ in 1..3 {
        if last.1 != Answer::Silence {
            break;
        }
        last = asked_once_more(b)?;
    }
    Ok(last)
}

fn asked_once_more(b: &mut Bench) -> Result<(Answer, Answer), Seen> {
    b.bus_reset();
    for _ in 0..60 {
        let words = Common::Poll.at(b).block().master_words().collect();
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_passes_on_a_good_device_and_fails_with_its_quirk() {
        crate::device::proof::of(CHECKS);
    }
}
