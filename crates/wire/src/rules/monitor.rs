//! Builder and judge in one: events in, blocks and findings out.

use super::{Finding, Judge};
use crate::{BlockBuilder, BusEvent, Source, TimedWord, UNFINISHED_PAUSE, WireBlock};
use payrig_mdb::Address;
use payrig_mdb::MAX_BLOCK;
use payrig_units::Micros;

/// What became known with an event.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Observed {
    /// Blocks that ended, in order.
    pub blocks: Vec<WireBlock>,
    /// What was found.
    pub findings: Vec<Finding>,
}

/// Watches a bus.
#[derive(Clone, Debug, Default)]
pub struct Monitor {
    builder: BlockBuilder,
    judge: Judge,
}

impl Monitor {
    /// Watches a bus from its first word.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Watches a capture that starts at `start`, perhaps in the middle of a block.
    #[must_use]
    pub fn of_capture(start: Micros) -> Self {
        Self {
            builder: BlockBuilder::new(),
            judge: Judge::of_capture(start),
        }
    }

    /// This tool speaks for `ours` itself: see [`Judge::speaking_for`].
    #[must_use]
    pub fn speaking_for(mut self, ours: Option<Source>) -> Self {
        self.judge.speaking_for(ours);
        self
    }

    /// On a link whose words come up to `by` after they were on the wire, [`idle`](Self::idle)
    /// waits that much longer.
    #[must_use]
    pub fn patient(mut self, by: Micros) -> Self {
        self.builder = self.builder.patient(by);
        self
    }

    /// From now on words come up to `by` late: see [`patient`](Self::patient).
    pub fn set_patience(&mut self, by: Micros) {
        self.builder.set_patience(by);
    }

    /// Nobody looked between these times: see [`Judge::slept`].
    pub fn slept(&mut self, from: Micros, to: Micros) {
        self.judge.slept(from, to);
    }

    /// A device is kept silent on purpose between these times: see [`Judge::silenced`].
    pub fn silenced(&mut self, device: Address, from: Micros, until: Micros) {
        self.judge.silenced(device, from, until);
    }

    /// Takes an event.
    pub fn push(&mut self, event: &BusEvent) -> Observed {
        let mut observed = Observed::default();
        self.push_to(event, &mut observed);
        observed
    }

    /// The same, added to what was observed before.
    pub fn push_to(&mut self, event: &BusEvent, observed: &mut Observed) {
        let Self { builder, judge } = self;
        let next = match event {
            BusEvent::Word(word) => Some(word),
            BusEvent::Break { .. } | BusEvent::Garbled { .. } => None,
        };
        builder.push_to(event, |block| judge_to(judge, block, next, observed));
        observed.findings.extend(judge.event(event));
    }

    /// Time has passed: the last block before a silence is given out.
    pub fn idle(&mut self, now: Micros) -> Observed {
        let mut observed = Observed::default();
        self.idle_to(now, &mut observed);
        observed
    }

    /// The same, added to what was observed before.
    pub fn idle_to(&mut self, now: Micros, observed: &mut Observed) {
        if let Some(block) = self.builder.idle(now) {
            judge_to(&mut self.judge, block, None, observed);
        }
    }

    /// Takes a block back that nobody needs any more: see [`BlockBuilder::recycle`].
    pub fn recycle(&mut self, block: WireBlock) {
        self.builder.recycle(block);
    }

    /// When [`Monitor::idle`] has something to say.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        self.builder.next_deadline()
    }

    /// When the block began that is not complete; `None` where all are.
    #[must_use]
    pub fn open_since(&self) -> Option<Micros> {
        self.builder.open_since()
    }

    /// The end, at `end`: the last block, and the advice gathered.
    pub fn finish(&mut self, end: Micros) -> Observed {
        let mut observed = Observed::default();
        if let Some(block) = self.builder.flush() {
            // What is too long is no block that was cut short.
            let may_be_cut = !block.finished() && block.words.len() <= MAX_BLOCK;
            let cut = may_be_cut && end.since(block.end) < UNFINISHED_PAUSE;
            observed.findings = if cut {
                self.judge.cut_block(&block)
            } else {
                self.judge.block(&block)
            };
            observed.blocks.push(block);
        }
        observed.findings.extend(self.judge.finish(end));
        observed
    }

    /// How many limits were broken so far.
    #[must_use]
    pub fn limits_broken(&self) -> u64 {
        self.judge.limits_broken()
    }

    /// Blocks that were whole, with their sum and mode bits right.
    #[must_use]
    pub fn sound_blocks(&self) -> u64 {
        self.judge.sound_blocks()
    }

    /// Something was heard, and not one sound block.
    #[must_use]
    pub fn is_noise(&self) -> bool {
        self.judge.is_noise()
    }
}

fn judge_to(
    judge: &mut Judge,
    block: WireBlock,
    next: Option<&TimedWord>,
    observed: &mut Observed,
) {
    observed.findings.extend(judge.block_before(&block, next));
    observed.blocks.push(block);
}
