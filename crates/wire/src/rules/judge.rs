//! The judge: sees blocks and breaks in order of time and says which rules they break.

use super::advice::{Advice, capital};
use super::table::{
    BREAK, INTER_BYTE, INTER_BYTE_MARGIN, INTER_BYTE_TOLERATED, RESPONSE, RESPONSE_MARGIN,
    RESPONSE_TOLERATED, SETUP, rule,
};
use super::{Certainty, Finding};
use crate::{BusEvent, FINISHED_PAUSE, Source, WireBlock};
use payrig_mdb::{ACK, Address, MAX_BLOCK, NAK, RET, chk};
use payrig_units::Micros;

/// A block that waits for its answer.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    source: Source,
    start: Micros,
    end: Micros,
    uncertainty: Micros,
    address_byte: Option<u8>,
}

/// Judges a bus. Feed it every event and every block in order of time; limits come out at once,
/// advice at the end, gathered.
#[derive(Clone, Debug, Default)]
pub struct Judge {
    capture_start: Option<Micros>,
    seen: [bool; 2],
    waiting: Option<Waiting>,
    /// Whose answer is awaited or came last.
    address: Option<Address>,
    reset_end: Option<(Micros, Micros)>,
    garbled: Vec<(Micros, Micros, Source)>,
    advice: Advice,
    limits: u64,
}

impl Judge {
    /// A judge that sees the bus from its first word.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A judge of a capture that starts at `start`, perhaps in the middle of a block.
    #[must_use]
    pub fn of_capture(start: Micros) -> Self {
        Self {
            capture_start: Some(start),
            ..Self::default()
        }
    }

    /// How many limits were broken so far.
    #[must_use]
    pub fn limits_broken(&self) -> u64 {
        self.limits
    }

    /// Takes a break or a garbled word; words are judged with their block.
    pub fn event(&mut self, event: &BusEvent) -> Vec<Finding> {
        let mut found = Vec::new();
        match event {
            BusEvent::Word(_) => {}
            BusEvent::Garbled { start, end, source } => {
                // Told at the end, when it is known whether the capture was cut there.
                self.garbled.push((*start, *end, *source));
            }
            BusEvent::Break {
                start,
                end,
                source,
                uncertainty,
            } => self.line_break(*start, *end, *source, *uncertainty, &mut found),
        }
        self.tell(found)
    }

    /// Takes a block.
    pub fn block(&mut self, block: &WireBlock) -> Vec<Finding> {
        let mut found = Vec::new();
        let slot = usize::from(block.source == Source::Peripheral);
        let first = !self.seen.get(slot).copied().unwrap_or(true);
        if let Some(seen) = self.seen.get_mut(slot) {
            *seen = true;
        }
        let cut = first
            && self
                .capture_start
                .is_some_and(|s| block.start.since(s) < FINISHED_PAUSE);
        if block.source == Source::Master {
            self.setup(block, &mut found);
        }
        self.answer(block, &mut found);
        self.pauses(block, &mut found);
        if block.words.len() > MAX_BLOCK {
            found.push(
                Finding::limit(
                    "block-length",
                    block.start,
                    say(
                        "block-length",
                        &format!(
                            "the block has {} bytes with CHK, 36 are allowed",
                            block.words.len()
                        ),
                    ),
                )
                .of(self.who(block)),
            );
        }
        if cut {
            self.cut(block.start);
        } else if block.garbled.is_empty() {
            self.modes(block, &mut found);
            self.checksum(block, &mut found);
        }
        self.tell(found)
    }

    /// A block that the end of a capture cut short: its times are judged, its content is not.
    pub(crate) fn cut_block(&mut self, block: &WireBlock) -> Vec<Finding> {
        let mut found = Vec::new();
        if block.source == Source::Master {
            self.setup(block, &mut found);
        }
        self.answer(block, &mut found);
        self.waiting = None;
        self.pauses(block, &mut found);
        self.cut(block.start);
        self.tell(found)
    }

    /// The end of the capture or of the bench, at `end`: what was garbled, and the advice.
    pub fn finish(&mut self, end: Micros) -> Vec<Finding> {
        let mut found = Vec::new();
        for (start, stop, source) in std::mem::take(&mut self.garbled) {
            if stop >= end || self.capture_start.is_some_and(|s| start <= s) {
                self.cut(start);
                continue;
            }
            let what = "a word without a stop bit";
            found.push(
                Finding::limit("word-format", start, say("word-format", what)).of(name_of(source)),
            );
        }
        if let Some(waiting) = self.waiting.take() {
            // The capture may have ended before the answer was due.
            if end.since(waiting.end) > RESPONSE_TOLERATED {
                self.unanswered(waiting);
            }
        }
        found.extend(self.advice.take());
        self.tell(found)
    }

    fn tell(&mut self, found: Vec<Finding>) -> Vec<Finding> {
        self.limits += found.iter().filter(|f| f.is_limit()).count() as u64;
        found
    }

    fn cut(&mut self, at: Micros) {
        self.advice
            .count("cut", "capture", at, None, "starts or ends in mid block");
    }

    fn who(&self, block: &WireBlock) -> String {
        match (block.source, self.address) {
            (Source::Master, _) => "master".into(),
            (Source::Peripheral, Some(address)) => address.to_string(),
            (Source::Peripheral, None) => "peripheral".into(),
        }
    }

    fn line_break(
        &mut self,
        start: Micros,
        end: Micros,
        source: Source,
        uncertainty: Micros,
        found: &mut Vec<Finding>,
    ) {
        let length = end.since(start);
        let both = uncertainty * 2;
        if source == Source::Peripheral {
            let what = format!("the peripherals' line was held active for {length}");
            found.push(
                Finding::limit("word-format", start, say("word-format", &what))
                    .measured(length, both)
                    .of("peripheral"),
            );
            return;
        }
        self.waiting = None;
        self.advice.reset();
        match Certainty::at_least(length, BREAK, both) {
            Certainty::Pass => {}
            Certainty::Fail => {
                let what = format!("the line was held active for only {length}");
                found.push(
                    Finding::limit("break", start, say("break", &what))
                        .measured(length, both)
                        .of("master"),
                );
                return;
            }
            Certainty::CannotTell => self.close_call("break", "master", start, length, both),
        }
        self.reset_end = Some((end, uncertainty));
    }

    fn setup(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
        let Some((end, uncertainty)) = self.reset_end.take() else {
            return;
        };
        let measured = block.start.since(end);
        let both = uncertainty + start_uncertainty(block);
        match Certainty::at_least(measured, SETUP, both) {
            Certainty::Pass => {}
            Certainty::Fail => {
                let what = format!("the master spoke {measured} after the bus reset");
                let mut finding = Finding::limit("setup", end, say("setup", &what))
                    .measured(measured, both)
                    .of("master");
                finding.tolerant_peer_copes = Some(false);
                found.push(finding);
            }
            Certainty::CannotTell => self.close_call("setup", "master", end, measured, both),
        }
    }

    /// What this block answers, and how late; and what it leaves unanswered.
    fn answer(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
        let waiting = self.waiting.take();
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
        if !is_answer && block.source == Source::Peripheral && self.seen == [true, true] {
            let who = self.who(block);
            let what = "spoke without having been asked";
            self.advice.count("unasked", &who, block.start, None, what);
        }
        if !is_answer && block.source == Source::Master && one && block.address().is_none() {
            let what = "sent a lone ACK, NAK or RET with no data before it";
            self.advice
                .count("unasked", "master", block.start, None, what);
        }
        let first = block.words.first().map(|w| w.word);
        if one && first.is_some_and(|w| w.byte == NAK) && block.address().is_none() {
            let who = self.who(block);
            self.advice
                .count("nak", &who, block.start, None, "answered NAK");
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
                .count("collision", &who, block.start, None, what);
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
                        .count("response-margin", &who, waiting.start, worst, what);
                }
            }
            Certainty::Fail => {
                let what = format!("{who} answered after {measured}");
                found.push(
                    Finding::limit("response", waiting.start, say("response", &what))
                        .measured(measured, both)
                        .peer_bears(RESPONSE_TOLERATED)
                        .of(who),
                );
            }
            Certainty::CannotTell => {
                self.close_call("response", &who, waiting.start, measured, both);
            }
        }
    }

    fn unanswered(&mut self, waiting: Waiting) {
        match waiting.source {
            Source::Master => {
                let who = self
                    .address
                    .map_or_else(|| "peripheral".to_owned(), |a| a.to_string());
                let what = "did not answer a command";
                self.advice.count("silent", &who, waiting.start, None, what);
            }
            Source::Peripheral => {
                let what = "did not acknowledge data";
                self.advice
                    .count("unacknowledged", "master", waiting.start, None, what);
            }
        }
    }

    fn pauses(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
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
                        .count("inter-byte-margin", &who, block.start, worst, what);
                }
            }
            Certainty::Fail => {
                let what = format!(
                    "{who} paused {pause} after byte {} of {}",
                    after + 1,
                    block.words.len()
                );
                found.push(
                    Finding::limit("inter-byte", block.start, say("inter-byte", &what))
                        .measured(pause, both)
                        .peer_bears(INTER_BYTE_TOLERATED)
                        .of(who),
                );
            }
            Certainty::CannotTell => self.close_call("inter-byte", &who, block.start, pause, both),
        }
    }

    fn modes(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
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
            Finding::limit("mode-bit", block.start, say("mode-bit", &what)).of(self.who(block)),
        );
    }

    fn checksum(&mut self, block: &WireBlock, found: &mut Vec<Finding>) {
        let bytes = block.bytes();
        let what = match bytes.as_slice() {
            [] => return,
            [one] => {
                let master = block.source == Source::Master;
                let marked = block.words.first().is_some_and(|w| w.word.mode);
                match *one {
                    _ if master && marked => "the command has no CHK".to_owned(),
                    ACK | NAK => return,
                    RET if master => return,
                    RET => "a peripheral sent RET, which only the master may".to_owned(),
                    other => format!("a lone byte {other:02X}H is no answer of the standard"),
                }
            }
            [data @ .., received] => {
                let right = chk(data);
                if right == *received {
                    return;
                }
                format!("the CHK is {received:02X}H, the bytes before it add up to {right:02X}H")
            }
        };
        found.push(
            Finding::limit("checksum", block.start, say("checksum", &what)).of(self.who(block)),
        );
    }

    fn close_call(
        &mut self,
        name: &'static str,
        who: &str,
        at: Micros,
        measured: Micros,
        uncertainty: Micros,
    ) {
        let what = format!("is so close to the limit of \"{name}\" that this link cannot tell");
        self.advice.count(
            "too-close-to-tell",
            who,
            at,
            Some((measured, uncertainty)),
            &what,
        );
    }
}

/// What is wrong, then what to do.
fn say(name: &str, what: &str) -> String {
    match rule(name) {
        Some(rule) => format!("{what}. {}", capital(rule.action)),
        None => what.to_owned(),
    }
}

fn name_of(source: Source) -> &'static str {
    match source {
        Source::Master => "master",
        Source::Peripheral => "peripheral",
    }
}

fn start_uncertainty(block: &WireBlock) -> Micros {
    block.words.first().map_or(Micros::ZERO, |w| w.uncertainty)
}

fn end_uncertainty(block: &WireBlock) -> Micros {
    block.words.last().map_or(Micros::ZERO, |w| w.uncertainty)
}
