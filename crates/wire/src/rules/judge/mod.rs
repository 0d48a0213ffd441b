//! The judge: sees blocks and breaks in order of time and says which rules they break.

mod answers;
mod asleep;
mod content;
mod spoken_over;

use asleep::Asleep;
use spoken_over::{Over, SpokenOver};

use crate::rules::advice::{Advice, capital};
use crate::rules::table::{BREAK, RESPONSE_TOLERATED, SETUP};
use crate::rules::{BusRule, Certainty, Finding, Party};
use crate::{BusEvent, FINISHED_PAUSE, Source, TimedWord, WireBlock};
use payrig_mdb::{Address, MAX_BLOCK};
use payrig_units::Micros;

/// How many garbled words are reported one by one; the rest is counted.
const GARBLED_REPORTED: u64 = 20;

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
    /// Commands that were given up since a peripheral was last heard: their answers may still come.
    given_up: usize,
    /// Whose answer is awaited or came last.
    address: Option<Address>,
    reset_end: Option<(Micros, Micros)>,
    /// The last garbled word, until it is known whether the capture was cut there.
    garbled: Option<(Micros, Micros, Source)>,
    garbled_count: u64,
    asleep: Asleep,
    spoken_over: SpokenOver,
    /// Devices that were kept silent on purpose, from when until when.
    silenced: Vec<(Address, Micros, Micros)>,
    /// End of the last block.
    last_end: Micros,
    advice: Advice,
    limits: u64,
    sound: u64,
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

    /// Blocks that were whole, with their sum and mode bits right.
    #[must_use]
    pub fn sound_blocks(&self) -> u64 {
        self.sound
    }

    /// Something was heard, and not one sound block.
    #[must_use]
    pub fn is_noise(&self) -> bool {
        let heard = self.seen.contains(&true) || self.garbled_count > 0;
        heard && self.sound == 0
    }

    /// Nobody looked from `from` until, at `to`, what had piled up was read: the times of what is in
    /// between are not to be trusted, and something may be missing. Whatever overlaps the stretch,
    /// and whatever answers something in it, is not judged; paces are measured again.
    pub fn slept(&mut self, from: Micros, to: Micros) {
        self.asleep.add(from, to);
    }

    /// A device is kept silent on purpose between these times: that it does not answer is reported as
    /// asked for.
    pub fn silenced(&mut self, device: Address, from: Micros, until: Micros) {
        self.silenced.push((device, from, until));
    }

    /// This tool speaks for `ours` itself: a block of the other side into which it spoke accuses nobody of
    /// its sum and its mode bits.
    pub fn speaking_for(&mut self, ours: Option<Source>) {
        self.spoken_over = SpokenOver::new(ours);
    }

    /// What was before is not known.
    fn lose_track(&mut self) {
        self.asleep.after = true;
        self.waiting = None;
        // Any number, as far as is known.
        self.given_up = MAX_BLOCK;
        self.reset_end = None;
        self.advice.reset();
    }

    /// Takes a break or a garbled word; words are judged with their block.
    pub fn event(&mut self, event: &BusEvent) -> Vec<Finding> {
        let mut found = Vec::new();
        if let Some(garbled) = self.garbled.take() {
            self.garbled_word(garbled, &mut found);
        }
        match event {
            BusEvent::Word(_) => {}
            BusEvent::Garbled { start, end, source } => {
                self.garbled = Some((*start, *end, *source));
            }
            BusEvent::Break { start, end, .. } if self.asleep.overlaps(*start, *end) => {
                self.lose_track();
            }
            BusEvent::Break {
                start,
                end,
                source,
                uncertainty,
            } => self.line_break(*start, *end, *source, *uncertainty, &mut found),
        }
        self.counted(found)
    }

    /// Takes a block.
    pub fn block(&mut self, block: &WireBlock) -> Vec<Finding> {
        self.block_before(block, None)
    }

    /// Takes a block, and the word of either side that showed that it had ended, if one did.
    pub(crate) fn block_before(
        &mut self,
        block: &WireBlock,
        next: Option<&TimedWord>,
    ) -> Vec<Finding> {
        let mut found = Vec::new();
        let spoken_over = self.spoken_over.look(block, next);
        let slot = usize::from(block.source == Source::Peripheral);
        let first = !self.seen.get(slot).copied().unwrap_or(true);
        if let Some(seen) = self.seen.get_mut(slot) {
            *seen = true;
        }
        let cut = first
            && self
                .capture_start
                .is_some_and(|s| block.start.since(s) < FINISHED_PAUSE);
        let before = std::mem::replace(&mut self.last_end, block.end);
        if self.asleep.overlaps(before, block.end) {
            self.lose_track();
        }
        if self.asleep.overlaps(block.start, block.end) {
            self.address = match block.source {
                Source::Master => block.address().or(self.address),
                Source::Peripheral => self.address,
            };
            return found;
        }
        if block.source == Source::Master {
            self.setup(block, &mut found);
        }
        self.answer(block, &mut found);
        // What is left of a block and what follows it may seem to be one.
        let rest = spoken_over == Some(Over::Rest);
        if !rest {
            self.pauses(block, &mut found);
        }
        if !rest && block.words.len() > MAX_BLOCK {
            found.push(
                Finding::limit(
                    BusRule::BlockLength,
                    block.start,
                    say(
                        BusRule::BlockLength,
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
            let before = found.len();
            if let Some(over) = spoken_over {
                let who = self.who(block);
                found.extend(over.finding(block, &who));
            } else if self.run_together(block) {
                let what = "answered a command that had been given up, into the answer to another";
                self.advice.count(
                    BusRule::Unasked,
                    &Party::Peripheral,
                    block.start,
                    None,
                    what,
                );
            } else {
                self.modes(block, &mut found);
                self.checksum(block, &mut found);
            }
            let whole = found.len() == before && spoken_over.is_none();
            let sound = whole && block.words.len() <= MAX_BLOCK;
            self.sound += u64::from(sound);
        }
        if block.source == Source::Peripheral {
            self.given_up = 0;
        }
        self.counted(found)
    }

    /// A block that the end of a capture cut short: its times are judged, its content is not.
    pub(crate) fn cut_block(&mut self, block: &WireBlock) -> Vec<Finding> {
        let mut found = Vec::new();
        if let Some(seen) = self
            .seen
            .get_mut(usize::from(block.source == Source::Peripheral))
        {
            *seen = true;
        }
        let before = std::mem::replace(&mut self.last_end, block.end);
        if self.asleep.overlaps(before, block.end) {
            self.lose_track();
        }
        if self.asleep.overlaps(block.start, block.end) {
            return found;
        }
        if block.source == Source::Master {
            self.setup(block, &mut found);
        }
        self.answer(block, &mut found);
        self.waiting = None;
        self.pauses(block, &mut found);
        self.cut(block.start);
        self.counted(found)
    }

    /// The end of the capture or of the bench, at `end`: what was garbled, and the advice.
    pub fn finish(&mut self, end: Micros) -> Vec<Finding> {
        let mut found = Vec::new();
        match self.garbled.take() {
            Some((start, stop, _)) if stop >= end => self.cut(start),
            Some(garbled) => self.garbled_word(garbled, &mut found),
            None => {}
        }
        let more = self.garbled_count.saturating_sub(GARBLED_REPORTED);
        if more > 0 {
            let what = format!("{more} more words without a stop bit");
            found.push(Finding::limit(
                BusRule::WordFormat,
                end,
                say(BusRule::WordFormat, &what),
            ));
        }
        if let Some(waiting) = self.waiting.take() {
            // The capture may have ended before the answer was due, or nobody looked.
            let seen = !self.asleep.overlaps(waiting.end, end);
            if seen && end.since(waiting.end) > RESPONSE_TOLERATED {
                self.unanswered(waiting);
            }
        }
        found.extend(self.advice.take());
        self.counted(found)
    }

    fn counted(&mut self, found: Vec<Finding>) -> Vec<Finding> {
        self.limits += found.iter().filter(|f| f.is_limit()).count() as u64;
        found
    }

    fn garbled_word(
        &mut self,
        (start, end, source): (Micros, Micros, Source),
        found: &mut Vec<Finding>,
    ) {
        if self.asleep.overlaps(start, end) {
            return;
        }
        if self.capture_start.is_some_and(|s| start <= s) {
            self.cut(start);
            return;
        }
        self.garbled_count += 1;
        if self.garbled_count <= GARBLED_REPORTED {
            let what = "a word without a stop bit";
            found.push(
                Finding::limit(BusRule::WordFormat, start, say(BusRule::WordFormat, what))
                    .of(source),
            );
        }
    }

    fn cut(&mut self, at: Micros) {
        self.advice.count(
            BusRule::Cut,
            &Party::Capture,
            at,
            None,
            "starts or ends in the middle of a block",
        );
    }

    fn who(&self, block: &WireBlock) -> Party {
        match (block.source, self.address) {
            (Source::Master, _) => Party::Master,
            (Source::Peripheral, Some(address)) => Party::Device(address),
            (Source::Peripheral, None) => Party::Peripheral,
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
                Finding::limit(BusRule::WordFormat, start, say(BusRule::WordFormat, &what))
                    .measured(length, both)
                    .of(Party::Peripheral),
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
                    Finding::limit(BusRule::Break, start, say(BusRule::Break, &what))
                        .measured(length, both)
                        .of(Party::Master),
                );
                return;
            }
            // A coding that reports a break but not its length.
            Certainty::CannotTell if uncertainty >= length => {
                let what = "has a length that this link does not report; whether it was the 100 ms of \
                            a bus reset is not known";
                let worst = Some((length, both));
                let name = BusRule::TooCloseToTell;
                self.advice.count(name, &Party::Break, start, worst, what);
            }
            Certainty::CannotTell => {
                self.close_call(BusRule::Break, &Party::Master, start, length, both)
            }
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
                let mut finding = Finding::limit(BusRule::Setup, end, say(BusRule::Setup, &what))
                    .measured(measured, both)
                    .of(Party::Master);
                finding.tolerant_peer_copes = Some(false);
                found.push(finding);
            }
            Certainty::CannotTell => {
                self.close_call(BusRule::Setup, &Party::Master, end, measured, both)
            }
        }
    }

    fn close_call(
        &mut self,
        rule: BusRule,
        who: &Party,
        at: Micros,
        measured: Micros,
        uncertainty: Micros,
    ) {
        let what = format!("is so close to the limit of \"{rule}\" that this link cannot tell");
        self.advice.count(
            BusRule::TooCloseToTell,
            who,
            at,
            Some((measured, uncertainty)),
            &what,
        );
    }
}

/// What is wrong, then what to do.
fn say(rule: BusRule, what: &str) -> String {
    match rule.row() {
        Some(row) => format!("{what}. {}", capital(row.action)),
        None => what.to_owned(),
    }
}

fn start_uncertainty(block: &WireBlock) -> Micros {
    block.words.first().map_or(Micros::ZERO, |w| w.uncertainty)
}

fn end_uncertainty(block: &WireBlock) -> Micros {
    block.words.last().map_or(Micros::ZERO, |w| w.uncertainty)
}
