//! The order in which a bench hears what came and lets happen what is due.
//!
//! No clock, no I/O: `run_live` asks what is next, and tests do in simulated time. What came before a
//! deadline reaches the bench before it, although the thread that serves a port may have been held up,
//! and its report with it.

use payrig_units::Micros;
use std::collections::VecDeque;

/// A deadline waits so long for a port that has not looked yet.
const PATIENCE: Micros = Micros::ms(100);

/// A port that has not looked yet is asked again so soon.
const ASK_AGAIN: Micros = Micros(100);

/// What is next on a bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Next<T> {
    /// To take this in.
    Take(T),
    /// To let happen what is due at this time; nothing that came before it is left, unless a port says
    /// otherwise when it is asked once more.
    Due(Micros),
    /// The ports were not seen to look from the first time until the second: to mark that, and ask again.
    HeldUp(Micros, Micros),
    /// To sleep until then, or until something comes.
    Sleep(Micros),
}

/// What has come over several ports and was not taken in yet.
#[derive(Debug)]
pub(crate) struct InOrder<T> {
    came: VecDeque<(Micros, T)>,
    /// The deadline that waits for a port, and since when it does.
    held: Option<(Micros, Micros)>,
    /// Until when a port was not seen to look that was waited for in vain.
    in_vain: Option<Micros>,
}

impl<T> Default for InOrder<T> {
    fn default() -> Self {
        Self {
            came: VecDeque::new(),
            held: None,
            in_vain: None,
        }
    }
}

impl<T> InOrder<T> {
    /// Something came that happened at `at`. Of what happened at one time, what came first is first.
    pub(crate) fn came(&mut self, at: Micros, what: T) {
        let behind = self.came.iter().rev().take_while(|(time, _)| *time > at);
        self.came
            .insert(self.came.len() - behind.count(), (at, what));
    }

    /// What is next at `now`, with the next deadline of the bench at `due`. `may_still_come` says whether
    /// something that happened by a time may not have been reported yet; it is asked only when a deadline
    /// has come, or while a port is waited for in vain.
    pub(crate) fn next(
        &mut self,
        now: Micros,
        due: Micros,
        may_still_come: impl Fn(Micros) -> bool,
    ) -> Next<T> {
        if let Some(from) = self.in_vain
            && !may_still_come(now)
        {
            self.in_vain = None;
            return Next::HeldUp(from, now);
        }
        if self.came.front().is_some_and(|(at, _)| *at <= due)
            && let Some((_, what)) = self.came.pop_front()
        {
            return Next::Take(what);
        }
        if due > now {
            return Next::Sleep(due);
        }
        if !may_still_come(due) {
            self.held = None;
            return Next::Due(due);
        }
        if self.in_vain.is_some() {
            return Next::Due(due);
        }
        let since = match self.held {
            Some((of, since)) if of == due => since,
            _ => now,
        };
        self.held = Some((due, since));
        if now.since(since) < PATIENCE {
            return Next::Sleep(now + ASK_AGAIN);
        }
        self.in_vain = Some(now);
        Next::HeldUp(since, now)
    }
}
