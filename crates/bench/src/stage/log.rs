//! What a bench writes down: notes, movements, findings, and the log put in order.

use super::Stage;
use payrig_units::{Micros, Movement};
use payrig_wire::analysis::breach;
use payrig_wire::reading::at;
use payrig_wire::recording::{Entry, MovementRecord};
use payrig_wire::{Finding, Origin, RuleName, WORD_TIME};

/// How long the log waits for the end of a pulse train.
const TRAIN_WAIT: Micros = Micros::secs(3);

/// How late at the most an edge on a modem line is told.
const LINES_LATE: Micros = Micros::ms(20);

impl Stage {
    /// What the bench itself measured on pulse lines, and what was on buses behind bridges.
    pub(super) fn measured(&mut self) {
        let measured = self.pulses.take_entries(self.decimals);
        for entry in measured.into_iter().chain(self.peers.take_entries()) {
            match entry {
                Entry::Finding(finding) => self.find(finding),
                other => self.pending.push(other),
            }
        }
        self.book_counted();
    }

    /// The script switches a supply.
    pub(crate) fn powered(&mut self, who: Option<&str>, on: bool) {
        self.pulses.power(who, self.now, on);
        self.pending.push(Entry::Power {
            at_us: self.now,
            who: who.map(str::to_owned),
            on,
        });
    }

    pub(super) fn note(&mut self, who: Option<String>, text: String) {
        self.player.saw(&text);
        self.pending.push(Entry::Note {
            at_us: self.now,
            who,
            text,
        });
    }

    pub(super) fn book(&mut self, movements: Vec<Movement>) {
        for movement in movements {
            let reported = self.as_reported(&movement);
            if !reported.is_empty() {
                self.book(reported);
            }
            // The opening fill is moved by no word.
            let word = self.last_word.filter(|_| self.now > Micros::ZERO);
            match self.books.book(self.now, word, movement) {
                Ok(entry) => {
                    self.pulses.moved(&entry.movement);
                    self.pending
                        .push(Entry::Movement(MovementRecord::from(&entry)));
                }
                Err(error) => self.find(breach(
                    RuleName::Money,
                    Origin::Ledger,
                    self.now,
                    error.to_string(),
                )),
            }
        }
    }

    pub(super) fn find(&mut self, finding: Finding) {
        self.analyst.count(&finding);
        self.pending.push(Entry::Finding(finding));
    }

    /// A block is known when it ends, what it caused is known at the same time, and it is logged by
    /// its start: entries wait until no block is open, and then go out in order of time.
    pub(super) fn publish(&mut self) {
        let open = self.analyst.next_deadline() != Micros::NEVER || self.peers.bus_open();
        if !self.ended && open {
            return;
        }
        self.pending.sort_by_key(at);
        // A word that is on the wire now is known when it ends, and began before.
        let settled = if self.ended {
            Micros::NEVER
        } else {
            // What a port tells comes a little after it happened.
            let late = if self.wires.any() {
                LINES_LATE
            } else {
                WORD_TIME
            };
            self.now - late
        };
        // A pulse train is known when it ends, too; one that goes on and on is not waited for.
        let train = self.pulses.open_since().filter(|_| !self.ended);
        let settled = match train {
            Some(start) if self.now < start + TRAIN_WAIT => settled.min(start - Micros(1)),
            _ => settled,
        };
        let count = self.pending.partition_point(|entry| at(entry) <= settled);
        self.log.extend(self.pending.drain(..count));
    }
}
