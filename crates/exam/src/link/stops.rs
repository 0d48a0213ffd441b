//! A tool that is stopped now and then, for tests in simulated time: what happens meanwhile piles up,
//! and is read one word after another once it goes on, as a pseudo-terminal does it.

use payrig_link::PortEvent;
use payrig_units::Micros;
use payrig_wire::{BusEvent, TimedWord, WORD_TIME};
use std::collections::VecDeque;

/// When the tool is stopped; never, by default.
#[derive(Debug)]
pub(crate) struct Stops {
    every: Micros,
    length: Micros,
    next: Micros,
    piled: VecDeque<PortEvent>,
    /// How often it was.
    pub(crate) count: u32,
}

impl Default for Stops {
    fn default() -> Self {
        Self::new(Micros::NEVER, Micros::ZERO)
    }
}

/// What is at the other end of a port in simulated time.
pub(crate) trait Stoppable {
    fn clock(&mut self) -> &mut Micros;
    fn stops(&mut self) -> &mut Stops;
    fn step(&mut self, until: Micros) -> Option<PortEvent>;

    /// Waits as a port does: what has piled up comes first.
    fn wait(&mut self, until: Micros) -> Option<PortEvent> {
        let now = *self.clock();
        if now >= self.stops().next {
            let (awake, every) = (now + self.stops().length, self.stops().every);
            self.stops().next = awake + every;
            self.stops().count += 1;
            while let Some(event) = self.step(awake) {
                self.stops().piled.push_back(event);
            }
        }
        match self.stops().piled.pop_front() {
            Some(event) => {
                let now = *self.clock();
                let event = later(event, now);
                if let PortEvent::Heard(event) = event {
                    *self.clock() = event.end();
                }
                Some(event)
            }
            None => self.step(until),
        }
    }
}

/// What was heard, as if it had come now.
fn later(event: PortEvent, now: Micros) -> PortEvent {
    match event {
        PortEvent::Heard(BusEvent::Word(word)) => PortEvent::Heard(BusEvent::Word(TimedWord {
            start: now,
            end: now + WORD_TIME,
            ..word
        })),
        PortEvent::Heard(BusEvent::Break {
            start,
            end,
            source,
            uncertainty,
        }) => PortEvent::Heard(BusEvent::Break {
            start: now,
            end: now + end.since(start),
            source,
            uncertainty,
        }),
        other => other,
    }
}

impl Stops {
    /// So often, for so long.
    pub(crate) fn new(every: Micros, length: Micros) -> Self {
        Self::from(every, every, length)
    }

    /// The same, for the first time at `first`.
    pub(crate) fn from(first: Micros, every: Micros, length: Micros) -> Self {
        Self {
            every,
            length,
            next: first,
            piled: VecDeque::new(),
            count: 0,
        }
    }
}
