//! Blocks of the other side into which this tool spoke.
//!
//! Only one side speaks at a time (section 1.2). Where this tool speaks before the other side has ended, what
//! is left of that side's block has neither its sum nor its mode bit, and what it says after that begins in the
//! middle and may run into its next block: none of it is its fault.

use crate::rules::table::INTER_BYTE;
use crate::rules::{Finding, Origin, Party, RuleName};
use crate::{FINISHED_PAUSE, Source, TimedWord, WireBlock};
use payrig_mdb::MAX_BLOCK;
use payrig_units::Micros;

/// How a block of the other side was spoken into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Over {
    /// This tool began to speak then, before it had ended.
    Cut(Micros),
    /// It is what came after that, up to its end.
    Rest,
}

/// What is known of who spoke into what.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct SpokenOver {
    /// The side this tool speaks for; on a bus that it only watches there is none.
    ours: Option<Source>,
    /// End of what was heard of a block of the other side that was spoken into and has not ended.
    cut: Option<Micros>,
    /// End of a block of ours that has not ended: what we say next may be the rest of it.
    unended: Option<Micros>,
}

impl SpokenOver {
    pub(super) fn new(ours: Option<Source>) -> Self {
        Self {
            ours,
            ..Self::default()
        }
    }

    /// Takes each block in its turn, and the word that ended it, if one did.
    pub(super) fn look(&mut self, block: &WireBlock, next: Option<&TimedWord>) -> Option<Over> {
        let ours = self.ours?;
        let ended = block.finished();
        if block.source == ours {
            self.unended = (!ended).then_some(block.end);
            return None;
        }
        let goes_on = |end: Micros| block.start.since(end) < FINISHED_PAUSE;
        let rest = self.cut.take().is_some_and(goes_on);
        let over = match next.filter(|next| !rest && self.speaks_into(block, next)) {
            Some(next) => Some(Over::Cut(next.start)),
            None => rest.then_some(Over::Rest),
        };
        self.cut = over.filter(|_| !ended).map(|_| block.end);
        over
    }

    /// Whether with this word our side begins to speak into a block, of its own accord.
    fn speaks_into(&self, block: &WireBlock, next: &TimedWord) -> bool {
        // The other side spoke into ours, and this is the rest of it.
        let goes_on = |end: Micros| next.start.since(end) < FINISHED_PAUSE;
        let interrupted = self.unended.is_some_and(goes_on);
        // A sender may pause for 1.0 ms between two bytes (section 3.2): until then it has not ended. One that
        // said more than a block may have is not waited for.
        let too_soon = next.start < block.end + INTER_BYTE && block.words.len() <= MAX_BLOCK;
        next.source != block.source
            && !block.finished()
            && too_soon
            && !interrupted
            && !seemed_to_end(block, next.start)
    }
}

/// True for a block of which a mode bit said by that time that it had ended, or that another had begun.
fn seemed_to_end(block: &WireBlock, by: Micros) -> bool {
    let heard = block.words.iter().filter(|word| word.end <= by);
    match block.source {
        Source::Peripheral => heard.rev().any(|word| word.word.mode),
        Source::Master => heard.skip(1).any(|word| word.word.mode),
    }
}

impl Over {
    /// What the log says of it: who was spoken into, by whom.
    pub(super) fn finding(self, block: &WireBlock, who: &Party) -> Option<Finding> {
        let text = match self {
            Self::Cut(at) => format!(
                "this tool spoke at {at}, before {who} had ended its block. What is wrong with the rest of the \
                 block is not the other side's fault"
            ),
            // Said once.
            Self::Rest => return None,
        };
        let finding = Finding::advice(RuleName::SpokeOver, block.start, text);
        Some(finding.from_origin(Origin::Tool))
    }
}
