//! What is in a block: its pauses, its mode bits, its sum (sections 2.1, 2.2 and 3.2).

use super::{Judge, say, start_uncertainty};
use crate::rules::table::{INTER_BYTE, INTER_BYTE_MARGIN, INTER_BYTE_TOLERATED};
use crate::rules::{BusRule, Certainty, Finding};
use crate::{Source, TimedWord, WireBlock};
use payrig_mdb::{ACK, NAK, RET, chk};

impl Judge {
    pub(super) fn pauses(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
        let Some((pause, after)) = block.longest_pause() else {
            return;
        };
        let both = start_uncertainty(block) * 2;
        let who = self.who(block);
        match Certainty::at_most(pause, INTER_BYTE, both) {
            Certainty::Pass => {
                if Certainty::at_most(pause, INTER_BYTE_MARGIN, both) == Certainty::Fail {
                    let worst = Some((pause, both));
                    let what = "paused longer than 0.8 ms within a block";
                    self.advice
                        .count(BusRule::InterByteMargin, &who, block.start, worst, what);
                }
            }
            Certainty::Fail => {
                let what = format!(
                    "{who} paused {pause} after byte {} of {}",
                    after + 1,
                    block.words.len()
                );
                found.push(
                    Finding::limit(
                        BusRule::InterByte,
                        block.start,
                        say(BusRule::InterByte, &what),
                    )
                    .measured(pause, both)
                    .peer_tolerates(INTER_BYTE_TOLERATED)
                    .of(who),
                );
            }
            Certainty::CannotTell => {
                self.close_call(BusRule::InterByte, &who, block.start, pause, both)
            }
        }
    }

    /// Answers to commands that were given up came late, and one ran into the next: each is whole by
    /// itself, with its mode bit on its last byte, and there are no more of them than are owed.
    pub(super) fn run_together(&self, block: &WireBlock) -> bool {
        let answers = block.words.split_inclusive(|word| word.word.mode);
        let several = (2..=self.given_up + 1).contains(&answers.clone().count());
        block.source == Source::Peripheral && several && answers.into_iter().all(is_answer)
    }

    pub(super) fn modes(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
        let last = block.words.len().saturating_sub(1);
        let lone = block.source == Source::Master && block.words.len() == 1;
        let mut wrong = block.words.iter().enumerate().filter(|(i, w)| {
            let set = match block.source {
                // A lone word without mode bit is an answer; one with it a cut command.
                Source::Master if lone => w.word.mode,
                Source::Master => *i == 0,
                Source::Peripheral => *i == last,
            };
            w.word.mode != set
        });
        let Some((i, word)) = wrong.next() else {
            return;
        };
        let more = wrong.count();
        let state = if word.word.mode { "set" } else { "not set" };
        let mut what = format!(
            "the mode bit is {state} on byte {} of {} ({:02X}H)",
            i + 1,
            last + 1,
            word.word.byte
        );
        if more > 0 {
            what.push_str(&format!(" and wrong on {more} more"));
        }
        found.push(
            Finding::limit(BusRule::ModeBit, block.start, say(BusRule::ModeBit, &what))
                .of(self.who(block)),
        );
    }

    pub(super) fn checksum(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
        let Some(what) = block.with_bytes(|bytes| sum_wrong(block, bytes)) else {
            return;
        };
        found.push(
            Finding::limit(
                BusRule::Checksum,
                block.start,
                say(BusRule::Checksum, &what),
            )
            .of(self.who(block)),
        );
    }
}

/// True for the words of one whole answer: ACK, NAK, or data with their CHK.
fn is_answer(words: &[TimedWord]) -> bool {
    let bytes: Vec<u8> = words.iter().map(|word| word.word.byte).collect();
    let marked = words.last().is_some_and(|word| word.word.mode);
    let whole = match bytes.as_slice() {
        [one] => matches!(*one, ACK | NAK),
        [data @ .., received] => chk(data) == *received,
        [] => false,
    };
    marked && whole
}

/// What is wrong with the sum of a block of these bytes.
fn sum_wrong(block: &WireBlock, bytes: &[u8]) -> Option<String> {
    Some(match bytes {
        [] => return None,
        [one] => {
            let master = block.source == Source::Master;
            let marked = block.words.first().is_some_and(|w| w.word.mode);
            match *one {
                _ if master && marked => "the command has no CHK".to_owned(),
                ACK | NAK => return None,
                RET if master => return None,
                RET => "a peripheral sent RET, which only the master may".to_owned(),
                other => format!("a lone byte {other:02X}H is no answer of the standard"),
            }
        }
        [data @ .., received] => {
            let right = chk(data);
            if right == *received {
                return None;
            }
            format!("the CHK is {received:02X}H, the bytes before it add up to {right:02X}H")
        }
    })
}
