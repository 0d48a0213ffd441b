//! Words through an adapter: runs of one mode bit, a drain and a parity switch between them.

use super::wire::Wire;
use crate::coding::MarkedDecoder;
use crate::open_break::OpenBreak;
use crate::{BlockingPort, Clock, Lateness, LinkError, Looking, PortEvent, Said, Symbol, Waker};
use payrig_mdb::Word;
use payrig_units::Micros;
use payrig_wire::{BusEvent, Source, TimedWord, Transmission, WORD_TIME};
use std::collections::VecDeque;
use std::io;

/// A pause shorter than this between words of one mode bit is not made: the adapter sends them
/// back to back. A longer one is made word by word.
const LEAST_PAUSE: Micros = Micros(500);

/// Half a marked code followed by this much silence is garbage.
const MIDWAY: Micros = Micros::ms(40);

/// A bus through an adapter.
#[derive(Debug)]
pub(super) struct SerialPort<W> {
    wire: W,
    clock: Clock,
    ours: Source,
    theirs: Source,
    uncertainty: Micros,
    ninth: bool,
    decoder: MarkedDecoder,
    open_break: OpenBreak,
    heard_until: Micros,
    sent_until: Micros,
    last_arrival: Micros,
    outgoing: VecDeque<(Transmission, Lateness)>,
    events: VecDeque<PortEvent>,
    bytes: Vec<u8>,
    looking: Looking,
}

impl<W: Wire> SerialPort<W> {
    /// # Errors
    /// When the adapter does not take mark and space parity.
    pub(super) fn new(
        mut wire: W,
        clock: Clock,
        ours: Source,
        uncertainty: Micros,
        looking: Looking,
    ) -> Result<Self, LinkError> {
        let port = wire.name().to_owned();
        let mut takes = |set| {
            wire.set_ninth(set)
                .map_err(|e| LinkError::from_io(&port, "setting its parity", e))
        };
        if !(takes(true)? && takes(false)?) {
            let what = "send a ninth bit (its driver does not take mark and space parity)";
            return Err(LinkError::Incapable { port, what });
        }
        looking.reads(wire.unread());
        looking.has_looked(Micros::ZERO, Micros::NEVER);
        let theirs = match ours {
            Source::Master => Source::Peripheral,
            Source::Peripheral => Source::Master,
        };
        Ok(Self {
            wire,
            clock,
            ours,
            theirs,
            uncertainty,
            ninth: false,
            decoder: MarkedDecoder::new(theirs),
            open_break: OpenBreak::default(),
            heard_until: Micros::ZERO,
            sent_until: Micros::ZERO,
            last_arrival: Micros::ZERO,
            outgoing: VecDeque::new(),
            events: VecDeque::new(),
            bytes: Vec::new(),
            looking,
        })
    }

    fn next_deadline(&self) -> Micros {
        let send = self
            .outgoing
            .front()
            .map_or(Micros::NEVER, |(t, _)| match t {
                Transmission::Words { at, .. } | Transmission::Break { at, .. } => *at,
            });
        let midway = if self.decoder.is_midway() {
            self.last_arrival + MIDWAY
        } else {
            Micros::NEVER
        };
        send.min(midway).min(self.open_break.next_deadline())
    }

    /// Does what is due.
    fn work(&mut self, woke: Micros) -> io::Result<()> {
        let now = self.wire.now();
        if let Some(event) = self.open_break.advance(now, self.theirs) {
            self.hear_event(event);
        }
        if self.decoder.is_midway() && now >= self.last_arrival + MIDWAY {
            let mut said = Vec::new();
            self.decoder.pause(&mut said);
            self.hear(now, &said);
        }
        let due = self.outgoing.front().is_some_and(
            |(Transmission::Words { at, .. } | Transmission::Break { at, .. }, _)| *at <= now,
        );
        if due && let Some((transmission, asked)) = self.outgoing.pop_front() {
            match transmission {
                Transmission::Words { at, words, gap } => {
                    let late = self.lateness(at, woke, asked);
                    self.send_words(&words, gap, late)?;
                }
                Transmission::Break { at, length } => {
                    let late = self.lateness(at, woke, asked);
                    self.send_break(length, late)?;
                }
            }
        }
        Ok(())
    }

    fn lateness(&self, at: Micros, woke: Micros, asked: Lateness) -> Lateness {
        let at = at.max(self.sent_until);
        let machine = woke.since(at + asked.total());
        let ours = self.wire.now().since(woke.max(at + asked.total()));
        Lateness {
            ours: asked.ours + ours,
            machine: asked.machine + machine,
        }
    }

    fn send_words(&mut self, words: &[Word], gap: Micros, late: Lateness) -> io::Result<()> {
        let mut late = Some(late);
        let paused = gap >= LEAST_PAUSE;
        let mut rest = words;
        while let Some(first) = rest.first() {
            let same = rest.iter().take_while(|w| w.mode == first.mode).count();
            let (run, after) = rest.split_at(if paused { 1 } else { same });
            self.send_run(run, &mut late)?;
            rest = after;
            if paused && !rest.is_empty() {
                let until = self.sent_until + gap;
                self.sleep(until)?;
            }
        }
        // Whatever comes now is read by its mode bit again.
        self.switch(false)
    }

    fn send_run(&mut self, run: &[Word], late: &mut Option<Lateness>) -> io::Result<()> {
        let mode = run.first().is_some_and(|w| w.mode);
        self.switch(mode)?;
        let bytes: Vec<u8> = run.iter().map(|w| w.byte).collect();
        let begun = self.wire.now().max(self.sent_until);
        self.wire.write(&bytes)?;
        let mut start = begun;
        for word in run {
            let end = start + WORD_TIME;
            let event = BusEvent::Word(TimedWord {
                start,
                end,
                source: self.ours,
                word: *word,
                uncertainty: self.uncertainty,
            });
            let late = late.take().unwrap_or_default();
            self.events.push_back(PortEvent::Sent { event, late });
            start = end;
        }
        self.sent_until = start;
        self.wire.drain()?;
        // Some drivers call drained what is still in the adapter. A parity switch would hit it.
        self.sleep(start)?;
        Ok(())
    }

    fn send_break(&mut self, length: Micros, late: Lateness) -> io::Result<()> {
        let start = self.wire.now();
        self.wire.set_break(true)?;
        self.sleep(start + length)?;
        self.wire.set_break(false)?;
        let end = self.wire.now();
        self.sent_until = end;
        let (source, uncertainty) = (self.ours, self.uncertainty);
        let event = BusEvent::Break {
            start,
            end,
            source,
            uncertainty,
        };
        self.events.push_back(PortEvent::Sent { event, late });
        Ok(())
    }

    fn switch(&mut self, ninth: bool) -> io::Result<()> {
        if self.ninth != ninth {
            self.wire.set_ninth(ninth)?;
            self.ninth = ninth;
        }
        Ok(())
    }

    fn sleep(&mut self, until: Micros) -> io::Result<()> {
        while self.wire.now() < until {
            self.wire.wait(until, false, None)?;
        }
        Ok(())
    }

    /// Reads what has come. The last word of it ended by now, the ones before it one word sooner
    /// each, at the latest.
    fn read(&mut self) -> io::Result<()> {
        let mut bytes = std::mem::take(&mut self.bytes);
        let count = self.wire.read(&mut bytes)?;
        if count > 0 {
            let now = self.wire.now();
            self.last_arrival = now;
            let mut said = Vec::new();
            self.decoder.feed(&bytes, &mut said);
            self.hear(now, &said);
        }
        bytes.clear();
        self.bytes = bytes;
        Ok(())
    }

    fn hear(&mut self, now: Micros, said: &[Said]) {
        for (i, one) in said.iter().enumerate() {
            let after = u64::try_from(said.len() - i - 1).unwrap_or_default();
            let end = (now - WORD_TIME * after).max(self.heard_until);
            if let Some(event) = self.open_break.cut_short(end - WORD_TIME, self.theirs) {
                self.hear_event(event);
            }
            match one.symbol {
                Symbol::Word(word) => {
                    // Two words that came closer together than can be were kept back somewhere.
                    let start = (end - WORD_TIME).max(self.heard_until);
                    self.hear_event(BusEvent::Word(TimedWord {
                        start,
                        end: start + WORD_TIME,
                        source: self.theirs,
                        word,
                        uncertainty: self.uncertainty,
                    }));
                }
                Symbol::Break { .. } => {
                    self.open_break
                        .noticed(end.max(self.heard_until + WORD_TIME));
                }
                Symbol::Garbage { bytes } => {
                    self.events.push_back(PortEvent::Garbage { at: now, bytes });
                }
            }
        }
    }

    fn hear_event(&mut self, event: BusEvent) {
        self.heard_until = self.heard_until.max(event.end());
        self.events.push_back(PortEvent::Heard(event));
    }

    fn step(&mut self, until: Micros, waker: Option<&Waker>) -> io::Result<Option<PortEvent>> {
        let mut woke = Micros::ZERO;
        let mut looked = false;
        loop {
            // What has come already is older than what is due now, and sending takes its time.
            if self.events.is_empty() {
                let next = self.open_break.next_deadline();
                self.looking.has_looked(Micros::ZERO, next);
                self.work(woke)?;
            }
            if let Some(event) = self.events.pop_front() {
                return Ok(Some(event));
            }
            if self.wire.now() >= until && std::mem::replace(&mut looked, true) {
                return Ok(None);
            }
            let asked = self.next_deadline().min(until);
            self.looking.has_looked(Micros::ZERO, self.next_deadline());
            let woken = self.wire.wait(asked, true, waker)?;
            woke = self.wire.now();
            if woken.readable {
                self.looking.is_reading();
                self.read()?;
            } else if woken.hung_up {
                return Err(io::ErrorKind::BrokenPipe.into());
            }
            if woken.rung {
                return Ok(self.events.pop_front());
            }
        }
    }
}

impl<W: Wire> BlockingPort for SerialPort<W> {
    fn name(&self) -> &str {
        self.wire.name()
    }

    fn clock(&self) -> Clock {
        self.clock
    }

    fn send(&mut self, transmission: Transmission, spent: Micros) {
        let (Transmission::Words { at, .. } | Transmission::Break { at, .. }) = &transmission;
        let late = self.wire.now().since(*at);
        let ours = late.min(spent);
        let machine = late - ours;
        self.outgoing
            .push_back((transmission, Lateness { ours, machine }));
        self.looking.expects(self.next_deadline());
    }

    fn looking(&self) -> Looking {
        self.looking.clone()
    }

    fn wait(
        &mut self,
        until: Micros,
        waker: Option<&Waker>,
    ) -> Result<Option<PortEvent>, LinkError> {
        self.step(until, waker).map_err(|error| {
            let port = self.wire.name().to_owned();
            match error.kind() {
                // What an unplugged adapter says when it is read or written.
                io::ErrorKind::BrokenPipe | io::ErrorKind::UnexpectedEof => {
                    LinkError::Vanished { port }
                }
                _ => LinkError::from_io(&port, "using it", error),
            }
        })
    }
}

#[cfg(test)]
mod tests;
