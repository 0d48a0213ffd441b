//! A UART in software: gives bytes that have no times of their own the times of a 9600 baud line.
//!
//! No clock, no I/O. What the other side writes occupies the line word by word from the moment it
//! arrives; what we send is due when its stop bit would end. A late word pushes the next one back,
//! as a real UART would; it never catches up by squeezing pauses.

use crate::open_break::OpenBreak;
use crate::{Decoder, Encoder, Lateness, PortEvent, Said, Symbol, WordCoding};
use bytes::BytesMut;
use payrig_mdb::Word;
use payrig_units::Micros;
use payrig_wire::{BusEvent, Source, TimedWord, Transmission, WORD_TIME};
use std::collections::VecDeque;

/// A code half read for this long is garbage.
pub const MIDWAY: Micros = Micros::ms(20);

/// A time stamp or a break further ahead than this is garbage.
pub const HORIZON: Micros = Micros::secs(10);

/// As many words are read ahead of their time as a program may have written at once.
const READ_AHEAD: usize = 256;

#[derive(Clone, Copy, Debug)]
struct Planned {
    what: What,
    not_before: Micros,
    /// From the end of what went before.
    gap: Micros,
    asked_late: Asked,
    /// When it would have ended had nothing been late.
    meant_end: Micros,
}

/// By how much a transmission was handed over too late, and whose fault that was.
#[derive(Clone, Copy, Debug, Default)]
struct Asked(Lateness);

impl Asked {
    fn new(late: Micros, spent: Micros) -> Self {
        let ours = late.min(spent);
        Self(Lateness {
            ours,
            machine: late - ours,
        })
    }
}

#[derive(Clone, Copy, Debug)]
enum What {
    Word(Word),
    /// The beginning of a break, at the end of which the marked coding reports it.
    BreakHead(Micros),
    /// The rest of a break that began `head` earlier.
    BreakRest {
        head: Micros,
        rest: Micros,
    },
}

impl Planned {
    fn start(&self, after: Micros) -> Micros {
        self.not_before.max(after + self.gap)
    }

    const fn length(&self) -> Micros {
        match self.what {
            What::Word(_) => WORD_TIME,
            What::BreakHead(length) | What::BreakRest { rest: length, .. } => length,
        }
    }

    fn end(&self, after: Micros) -> Micros {
        self.start(after) + self.length()
    }
}

/// The line between us and one program.
#[derive(Debug)]
pub struct Line {
    ours: Source,
    theirs: Source,
    coding: WordCoding,
    decoder: Decoder,
    uncertainty: Micros,
    said: Vec<Said>,
    last_arrival: Micros,
    incoming: VecDeque<BusEvent>,
    incoming_until: Micros,
    /// The earliest that what was heard last can have ended.
    incoming_least: Micros,
    open_break: OpenBreak,
    outgoing: VecDeque<Planned>,
    outgoing_until: Micros,
    events: VecDeque<PortEvent>,
}

impl Line {
    /// A silent line on which we speak as `ours`.
    #[must_use]
    pub fn new(ours: Source, coding: WordCoding) -> Self {
        let theirs = match ours {
            Source::Master => Source::Peripheral,
            Source::Peripheral => Source::Master,
        };
        Self {
            ours,
            theirs,
            coding,
            decoder: Decoder::new(coding, theirs),
            uncertainty: Micros::ZERO,
            said: Vec::new(),
            last_arrival: Micros::ZERO,
            incoming: VecDeque::new(),
            incoming_until: Micros::ZERO,
            incoming_least: Micros::ZERO,
            open_break: OpenBreak::default(),
            outgoing: VecDeque::new(),
            outgoing_until: Micros::ZERO,
            events: VecDeque::new(),
        }
    }

    /// How long before it is read what is read from now on may have come. A stamp that its sender gave
    /// with it says more: what is written ahead of its time is on the line at that time, exactly.
    pub const fn set_uncertainty(&mut self, uncertainty: Micros) {
        self.uncertainty = uncertainty;
    }

    /// False while the other side is so far ahead that it is better not to read on.
    #[must_use]
    pub fn wants_input(&self) -> bool {
        self.incoming.len() < READ_AHEAD
    }

    /// Bytes of the other side, read at `now`.
    pub fn arrived(&mut self, now: Micros, bytes: &[u8]) {
        self.advance(now);
        self.last_arrival = now;
        let mut said = std::mem::take(&mut self.said);
        self.decoder.feed(bytes, &mut said);
        for one in said.drain(..) {
            self.hear(now, one);
        }
        self.said = said;
    }

    /// Plans a transmission, handed over at `now` after our code spent so long on it: if it is
    /// late by now, that much of it is ours.
    pub fn send(&mut self, now: Micros, transmission: Transmission, spent: Micros) {
        match transmission {
            Transmission::Words { at, words, gap } => {
                let mut not_before = at;
                let mut asked_late = Asked::new(now.since(at + WORD_TIME), spent);
                let mut pause = Micros::ZERO;
                let mut meant_end = at;
                for word in words {
                    meant_end = meant_end + pause + WORD_TIME;
                    self.outgoing.push_back(Planned {
                        meant_end,
                        what: What::Word(word),
                        not_before,
                        gap: pause,
                        asked_late,
                    });
                    (not_before, asked_late, pause) = (Micros::ZERO, Asked::default(), gap);
                }
            }
            Transmission::Break { at, length } => {
                let asked_late = Asked::new(now.since(at + length), spent);
                // The marked coding reports a break when it has lasted one word, as a UART does;
                // the plain coding when it is over.
                let head = match self.coding {
                    WordCoding::MarkedParity => WORD_TIME.min(length),
                    WordCoding::Plain => Micros::ZERO,
                };
                if head > Micros::ZERO {
                    self.outgoing.push_back(Planned {
                        meant_end: at + head,
                        what: What::BreakHead(head),
                        not_before: at,
                        gap: Micros::ZERO,
                        asked_late,
                    });
                }
                self.outgoing.push_back(Planned {
                    meant_end: at + length,
                    what: What::BreakRest {
                        head,
                        rest: length - head,
                    },
                    not_before: at,
                    gap: Micros::ZERO,
                    asked_late,
                });
            }
        }
    }

    /// When [`advance`](Self::advance) or [`due`](Self::due) has something to do.
    #[must_use]
    pub fn next_deadline(&self) -> Micros {
        let heard = self.incoming.front().map_or(Micros::NEVER, BusEvent::end);
        let sent = self
            .outgoing
            .front()
            .map_or(Micros::NEVER, |p| p.end(self.outgoing_until));
        let midway = if self.decoder.is_midway() && self.coding == WordCoding::MarkedParity {
            self.last_arrival + MIDWAY
        } else {
            Micros::NEVER
        };
        let open_break = self.open_break.next_deadline();
        heard.min(sent).min(midway).min(open_break)
    }

    /// Lets time pass: what the other side wrote is heard when it is complete.
    pub fn advance(&mut self, now: Micros) {
        if let Some(event) = self.open_break.advance(now, self.theirs) {
            self.hear_break(event);
        }
        if self.decoder.is_midway() && now >= self.last_arrival + MIDWAY {
            let mut said = std::mem::take(&mut self.said);
            self.decoder.pause(&mut said);
            for one in said.drain(..) {
                self.hear(now, one);
            }
            self.said = said;
        }
        while let Some(event) = self.incoming.front().copied() {
            if event.end() > now {
                break;
            }
            self.incoming.pop_front();
            self.events.push_back(PortEvent::Heard(event));
        }
    }

    /// Appends the bytes of the next word or break that is complete by `now`, if there is one;
    /// [`written`](Self::written) must follow before the next call.
    pub fn due(&self, now: Micros, out: &mut BytesMut) -> bool {
        let Some(planned) = self.outgoing.front() else {
            return false;
        };
        let end = planned.end(self.outgoing_until);
        if end > now {
            return false;
        }
        let encoder = Encoder(self.coding);
        match (planned.what, self.coding) {
            (What::Word(word), _) => encoder.encode(end, Symbol::Word(word), out),
            (What::BreakHead(_), _) => encoder.encode(end, Symbol::Break { length: None }, out),
            (What::BreakRest { head, rest }, WordCoding::Plain) => {
                let length = Some(head + rest);
                encoder.encode(end, Symbol::Break { length }, out);
            }
            (What::BreakRest { .. }, WordCoding::MarkedParity) => {}
        }
        true
    }

    /// What was due has gone out: the thread woke for it at `woke` (zero when it was awake
    /// anyway), had written at `done`, and used the processor for `busy` in between.
    pub fn written(&mut self, woke: Micros, done: Micros, busy: Micros) {
        let Some(planned) = self.outgoing.pop_front() else {
            return;
        };
        let due = planned.end(self.outgoing_until);
        let asked = planned.asked_late.0;
        let wall = done.since(woke.max(due + asked.total()));
        let ours = wall.min(busy);
        let late = Lateness {
            ours: asked.ours + ours,
            machine: asked.machine + woke.since(due + asked.total()) + (wall - ours),
        };
        let (source, uncertainty) = (self.ours, wall);
        let end = done.max(due);
        self.outgoing_until = end;
        let event = match planned.what {
            What::Word(word) => BusEvent::Word(TimedWord {
                start: end - WORD_TIME,
                end,
                source,
                word,
                uncertainty,
            }),
            What::BreakHead(_) => return,
            What::BreakRest { head, rest } => BusEvent::Break {
                start: end - rest - head,
                end,
                source,
                uncertainty,
            },
        };
        self.events.push_back(PortEvent::Sent { event, late });
    }

    /// Adds an event of the driver's own.
    pub fn note(&mut self, event: PortEvent) {
        self.events.push_back(event);
    }

    /// The other end is new: what was half said is forgotten.
    pub fn forget_other_end(&mut self) {
        self.decoder = Decoder::new(self.coding, self.theirs);
        self.incoming.clear();
        self.open_break = OpenBreak::default();
    }

    /// The next event, if any.
    pub fn take_event(&mut self) -> Option<PortEvent> {
        self.events.pop_front()
    }

    fn hear(&mut self, now: Micros, said: Said) {
        if let Some(event) = self.open_break.cut_short(now, self.theirs) {
            self.hear_break(event);
        }
        let stamp = said.stamp.unwrap_or_default();
        let latest = now.max(self.incoming_until).max(stamp);
        let came = now - self.uncertainty;
        let least = came.max(self.incoming_least).max(stamp);
        // What has a time was written by then, as a rule: read late, it keeps the pauses that it had.
        let start = match said.stamp {
            Some(_) => least.max(self.incoming_until),
            None => latest,
        };
        let too_far = stamp > now + HORIZON;
        let uncertainty = latest.since(start).max(start.since(least));
        let source = self.theirs;
        match said.symbol {
            Symbol::Word(word) if !too_far => {
                self.drop_overdue(now);
                let end = start + WORD_TIME;
                self.incoming_until = end;
                self.incoming_least = least + WORD_TIME;
                self.incoming.push_back(BusEvent::Word(TimedWord {
                    start,
                    end,
                    source,
                    word,
                    uncertainty,
                }));
            }
            Symbol::Break { length: None } => {
                let heard = now.max(self.incoming_until + WORD_TIME);
                self.open_break.noticed(heard);
            }
            Symbol::Break {
                length: Some(length),
            } if !too_far && length <= HORIZON => {
                let end = start + length;
                self.incoming_until = end;
                self.incoming_least = least + length;
                self.incoming.push_back(BusEvent::Break {
                    start,
                    end,
                    source,
                    uncertainty,
                });
            }
            Symbol::Garbage { bytes } => {
                self.events.push_back(PortEvent::Garbage { at: now, bytes })
            }
            // Too far ahead to be meant.
            Symbol::Word(_) | Symbol::Break { .. } => {
                self.events
                    .push_back(PortEvent::Garbage { at: now, bytes: 0 });
            }
        }
    }

    /// A master that speaks has given up waiting for what a peripheral of ours should have said by
    /// now: the rest of it could only destroy the next exchange.
    fn drop_overdue(&mut self, now: Micros) {
        if self.ours == Source::Master {
            return;
        }
        let overdue = |p: &Planned| matches!(p.what, What::Word(_)) && p.meant_end < now;
        let words = self.outgoing.iter().take_while(|p| overdue(p)).count();
        if words > 0 {
            self.outgoing.drain(..words);
            self.events.push_back(PortEvent::Overdue { at: now, words });
        }
    }

    fn hear_break(&mut self, event: BusEvent) {
        self.incoming_until = self.incoming_until.max(event.end());
        self.incoming_least = self.incoming_least.max(event.start() + WORD_TIME);
        self.incoming.push_back(event);
    }
}

#[cfg(test)]
mod tests;
