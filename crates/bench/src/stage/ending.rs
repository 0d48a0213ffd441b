//! How a bench comes to its end: what is under way is let finish, then the books and the verdict.

use super::Stage;
use payrig_units::Micros;
use payrig_wire::analysis::{Discrepancy, Tally, breach};
use payrig_wire::{Origin, RuleName};

/// How long a bench goes on after its script, so that what is under way comes to an end.
const SETTLE: Micros = Micros::secs(2);

/// How long it waits for that at the most.
const SETTLE_AT_MOST: Micros = Micros::secs(30);

impl Stage {
    pub(super) fn end_time(&self) -> Micros {
        self.ending.map_or(Micros::NEVER, |since| {
            let rest = since + SETTLE;
            if self.is_quiet() {
                rest.max(self.now)
            } else {
                since + SETTLE_AT_MOST
            }
        })
    }

    pub(super) fn is_quiet(&self) -> bool {
        let board = self.board.as_ref();
        board.is_none_or(|b| !b.powered() || b.is_quiet()) && self.peers.pulses_quiet()
    }

    /// Ends the bench now, and puts all of its log out.
    pub fn finish_now(&mut self) {
        self.finish();
        self.publish();
    }

    /// Ends the bench: last findings, the books, the verdict.
    pub(super) fn finish(&mut self) {
        if self.ended {
            return;
        }
        self.ended = true;
        let last = self.analyst.finish(self.now);
        self.pending.extend(last);
        self.pulses.finish(self.now);
        self.peers.finish(self.now);
        self.measured();
        // An outside board keeps books of its own, which nobody here can see.
        let comparable = self.board.is_some();
        let discrepancies = self.books.discrepancies();
        let ours = |d: &Discrepancy| comparable && !self.is_told_outside(&d.device);
        let discrepancies: Vec<_> = discrepancies.into_iter().filter(ours).collect();
        for discrepancy in discrepancies {
            let text = match self.wires.outside_place(&discrepancy.device) {
                Some(_) => discrepancy.text_unseen(self.decimals),
                None => discrepancy.text(self.decimals),
            };
            self.find(breach(
                RuleName::Money,
                Origin::Ledger,
                discrepancy.since,
                text,
            ));
        }
        self.settle_told_outside();
        self.hold_off_what_is_real();
        for text in self.player.unplayed(self.decimals) {
            self.find(breach(RuleName::Script, Origin::Script, self.now, text));
        }
        let tally = Tally::of(&self.analyst, self.pulses.trains());
        let verdict = tally.verdict(self.now);
        self.pending.push(verdict);
    }
}
