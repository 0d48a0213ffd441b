//! What one kind of peripheral adds to the common life: its commands, its initialization sequence,
//! and what it makes of answers.

use payrig_mdb::Block;
use payrig_units::Micros;

/// What the initialization sequence wants next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Setup {
    /// This command.
    Send(Block),
    /// A POLL, for data that is still owed.
    Poll,
    /// Nothing before then; POLLs go on meanwhile.
    Wait(Micros),
    /// It is done.
    Done,
}

/// What a driver made of an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// Understood, or of no matter.
    Fine,
    /// The peripheral says it was just reset.
    JustReset,
    /// Credit was reported: POLL again soon, to tell a repetition from a new report (Appendix 3,
    /// section 3, condition 2).
    CheckRepeat,
    /// The peripheral must be RESET to be in a known state (Appendix 3, section 3: command out of
    /// sequence).
    Desynchronised,
}

/// What one kind of peripheral adds to the common life.
pub(crate) trait Driver {
    /// Its POLL.
    fn poll(&self) -> Block;
    /// Its RESET.
    fn reset(&self) -> Block;
    /// It was just reset: the initialization sequence begins.
    fn begin_setup(&mut self, now: Micros);
    /// The next step of the initialization sequence.
    fn next_setup(&mut self, now: Micros) -> Setup;
    /// A command was answered with ACK (`None`) or data.
    fn answered(&mut self, now: Micros, command: &Block, data: Option<&Block>) -> Verdict;
    /// A command other than POLL was not answered. True when it may be sent again.
    fn unanswered(&mut self, now: Micros, command: &Block) -> bool;
    /// The peripheral went away.
    fn lost(&mut self, now: Micros);
    /// A command the driver chooses at the last moment, once the peripheral is set up. It keeps it
    /// until it is answered.
    fn choose(&mut self, _now: Micros) -> Option<Block> {
        None
    }
    /// True when [`choose`](Self::choose) would give a command.
    fn has_choice(&self) -> bool {
        false
    }
}
