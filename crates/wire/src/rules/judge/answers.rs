//! Answers: what a block answers, how late, and what it leaves unanswered (sections 2.2 and 3.2).

use super::{Judge, Waiting, end_uncertainty, say, start_uncertainty};
use crate::rules::table::{RESPONSE, RESPONSE_MARGIN, RESPONSE_TOLERATED};
use crate::rules::{BusRule, Certainty, Finding, Party};
use crate::{Source, WireBlock};
use payrig_mdb::{NAK, RET};

impl Judge {
    /// What this block answers, and how late; and what it leaves unanswered.
    pub(super) fn answer(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
        let waiting = self.waiting.take();
        let known = !std::mem::take(&mut self.asleep.after);
        let is_answer = match (block.source, waiting) {
            (Source::Peripheral, Some(w)) => w.source == Source::Master,
            (Source::Master, Some(w)) => {
                w.source == Source::Peripheral
                    && block.words.len() == 1
                    && block.address().is_none()
            }
            (_, None) => false,
        };
        match waiting {
            Some(waiting) if is_answer => self.response(waiting, block, found),
            Some(waiting) => self.unanswered(waiting),
            None => {}
        }
        let one = block.words.len() == 1;
        if known && !is_answer && block.source == Source::Peripheral && self.seen == [true, true] {
            let who = self.who(block);
            let what = "spoke without having been asked";
            self.advice
                .count(BusRule::Unasked, &who, block.start, None, what);
        }
        let lone = block.source == Source::Master && one && block.address().is_none();
        if known && !is_answer && lone {
            let what = "sent a lone ACK, NAK or RET with no data before it";
            self.advice
                .count(BusRule::Unasked, &Party::Master, block.start, None, what);
        }
        let first = block.words.first().map(|w| w.word);
        if one && first.is_some_and(|w| w.byte == NAK) && block.address().is_none() {
            let who = self.who(block);
            self.advice
                .count(BusRule::Nak, &who, block.start, None, "answered NAK");
        }
        let uncertainty = end_uncertainty(block);
        let expects = Waiting {
            source: block.source,
            start: block.start,
            end: block.end,
            uncertainty,
            address_byte: None,
        };
        self.waiting = match block.source {
            Source::Peripheral => (!one).then_some(expects),
            Source::Master => match (block.address(), first) {
                (Some(address), Some(first)) => {
                    self.address = Some(address);
                    self.advice.command(address, first.byte, block.start);
                    Some(Waiting {
                        address_byte: Some(first.byte),
                        ..expects
                    })
                }
                (_, Some(first)) if first.byte == RET && is_answer => Some(expects),
                _ => None,
            },
        };
    }

    fn response(&mut self, waiting: Waiting, block: &WireBlock, found: &mut Vec<Finding>) {
        let who = self.who(block);
        if let (Some(address), Some(byte)) = (self.address, waiting.address_byte) {
            self.advice.answered(address, byte, waiting.start);
        }
        let both = waiting.uncertainty + start_uncertainty(block);
        if block.start + both < waiting.end {
            let what = "spoke while the other side was still speaking";
            self.advice
                .count(BusRule::Collision, &who, block.start, None, what);
            return;
        }
        let measured = block.start.since(waiting.end);
        match Certainty::at_most(measured, RESPONSE, both) {
            Certainty::Pass => {
                let margin = Certainty::at_most(measured, RESPONSE_MARGIN, both);
                if margin == Certainty::Fail {
                    let worst = Some((measured, both));
                    let what = "took longer than 4 ms to answer";
                    self.advice
                        .count(BusRule::ResponseMargin, &who, waiting.start, worst, what);
                }
            }
            Certainty::Fail => {
                let what = format!("{who} answered after {measured}");
                found.push(
                    Finding::limit(
                        BusRule::Response,
                        waiting.start,
                        say(BusRule::Response, &what),
                    )
                    .measured(measured, both)
                    .peer_tolerates(RESPONSE_TOLERATED)
                    .of(who),
                );
            }
            Certainty::CannotTell => {
                self.close_call(BusRule::Response, &who, waiting.start, measured, both);
            }
        }
    }

    pub(super) fn unanswered(&mut self, waiting: Waiting) {
        match waiting.source {
            Source::Master => {
                self.given_up += 1;
                let who = self.address.map_or(Party::Peripheral, Party::Device);
                let asked = |(address, from, until): &(_, _, _)| {
                    self.address == Some(*address) && (*from..=*until).contains(&waiting.start)
                };
                if self.silenced.iter().any(asked) {
                    self.advice.as_asked(&who, waiting.start);
                    return;
                }
                let what = "did not answer a command";
                self.advice
                    .count(BusRule::Silent, &who, waiting.start, None, what);
            }
            Source::Peripheral => {
                let what = "did not acknowledge data";
                self.advice.count(
                    BusRule::Unacknowledged,
                    &Party::Master,
                    waiting.start,
                    None,
                    what,
                );
            }
        }
    }
}
