//! An adapter in bench time, for tests: a UART with a loopback, faults included.

use super::wire::Wire;
use super::woken::Woken;
use crate::{InLine, Waker};
use payrig_mdb::Word;
use payrig_units::Micros;
use payrig_wire::BAUD;
use std::collections::VecDeque;
use std::io;

/// What was done to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Did {
    Write(Vec<u8>),
    Drain,
    Ninth(bool),
    Break(bool),
}

/// What the ninth bit follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Parity {
    /// What it is told.
    MarkAndSpace,
    /// The ones of the byte: mark is taken for odd, space for even.
    OddAndEven,
    /// Nothing.
    Stuck(bool),
}

#[derive(Debug)]
pub(super) struct Adapter {
    pub(super) now: Micros,
    pub(super) log: Vec<Did>,
    /// What a receiver on the wire gets.
    pub(super) sent: Vec<Word>,
    pub(super) takes_ninth: bool,
    /// False for an adapter that sends ten bits, whatever it is told.
    pub(super) sends_ninth: bool,
    pub(super) drain_waits: bool,
    pub(super) loopback: bool,
    pub(super) unplugged: bool,
    /// What setting the parity takes.
    pub(super) switch_time: Micros,
    /// How long received bytes are kept back.
    pub(super) kept_back: Micros,
    /// A wire from TX to CTS.
    pub(super) cts_on_tx: bool,
    pub(super) parity: Parity,
    pub(super) speed: u32,
    ninth: bool,
    /// Words on their way: byte and when it ends.
    leaving: VecDeque<(u8, Micros)>,
    arriving: VecDeque<(Micros, Vec<u8>)>,
}

impl Adapter {
    pub(super) fn good() -> Self {
        Self {
            now: Micros::ZERO,
            log: Vec::new(),
            sent: Vec::new(),
            takes_ninth: true,
            sends_ninth: true,
            drain_waits: true,
            loopback: false,
            unplugged: false,
            switch_time: Micros(200),
            kept_back: Micros(100),
            cts_on_tx: false,
            parity: Parity::MarkAndSpace,
            speed: BAUD,
            ninth: false,
            leaving: VecDeque::new(),
            arriving: VecDeque::new(),
        }
    }

    pub(super) fn receive(&mut self, at: Micros, bytes: &[u8]) {
        self.arriving.push_back((at, bytes.to_vec()));
    }

    fn word_time(&self) -> Micros {
        let bits = if self.sends_ninth { 11 } else { 10 };
        match self.speed {
            BAUD if self.sends_ninth => Micros(1_146),
            speed => Micros((bits * 1_000_000_u64).div_ceil(u64::from(speed))),
        }
    }

    /// Lets time pass: words leave with the parity that is set when they do.
    fn pass(&mut self, to: Micros) {
        self.now = self.now.max(to);
        while let Some((byte, end)) = self.leaving.front().copied()
            && end <= self.now
        {
            self.leaving.pop_front();
            self.sent.push(Word {
                byte,
                mode: self.ninth,
            });
            if self.loopback {
                let code = if byte == 0xFF {
                    vec![0xFF; 2]
                } else {
                    vec![byte]
                };
                self.receive(end + self.kept_back, &code);
            }
        }
    }

    fn plugged(&self) -> io::Result<()> {
        if self.unplugged {
            Err(io::ErrorKind::BrokenPipe.into())
        } else {
            Ok(())
        }
    }
}

impl Wire for Adapter {
    fn name(&self) -> &str {
        "simulated"
    }

    fn now(&self) -> Micros {
        self.now
    }

    fn wait(&mut self, until: Micros, listen: bool, _: Option<&Waker>) -> io::Result<Woken> {
        self.plugged()?;
        let until = until.min(Micros::secs(1_000));
        loop {
            let arrival = self.arriving.front().map_or(Micros::NEVER, |(at, _)| *at);
            let leaving = self.leaving.front().map_or(Micros::NEVER, |(_, end)| *end);
            if listen && arrival <= self.now {
                return Ok(Woken {
                    readable: true,
                    ..Woken::default()
                });
            }
            if self.now >= until {
                return Ok(Woken::default());
            }
            let arrival = if listen { arrival } else { Micros::NEVER };
            self.pass(until.min(arrival).min(leaving).max(self.now + Micros(1)));
        }
    }

    fn read(&mut self, into: &mut Vec<u8>) -> io::Result<usize> {
        let before = into.len();
        while let Some((at, _)) = self.arriving.front()
            && *at <= self.now
        {
            into.extend(self.arriving.pop_front().unwrap().1);
        }
        Ok(into.len() - before)
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.plugged()?;
        self.log.push(Did::Write(bytes.to_vec()));
        for byte in bytes {
            let free = self.leaving.back().map_or(self.now, |(_, end)| *end);
            self.leaving.push_back((*byte, free + self.word_time()));
        }
        Ok(())
    }

    fn drain(&mut self) -> io::Result<()> {
        self.log.push(Did::Drain);
        if self.drain_waits {
            let end = self.leaving.back().map_or(self.now, |(_, end)| *end);
            self.pass(end);
        }
        Ok(())
    }

    fn set_ninth(&mut self, set: bool) -> io::Result<bool> {
        self.log.push(Did::Ninth(set));
        self.pass(self.now + self.switch_time);
        self.ninth = set;
        Ok(self.takes_ninth)
    }

    fn set_speed(&mut self, baud: u32) -> io::Result<()> {
        self.speed = baud;
        Ok(())
    }

    fn line(&mut self, line: InLine) -> io::Result<bool> {
        assert_eq!(line, InLine::Cts);
        let Some((byte, end)) = self.leaving.front().copied().filter(|_| self.cts_on_tx) else {
            return Ok(false);
        };
        let bits = if self.sends_ninth { 11 } else { 10 };
        let left = end.since(self.now).as_us() * bits / self.word_time().as_us();
        let bit = bits - 1 - left.min(bits - 1);
        let odd = byte.count_ones() % 2 == 1;
        let ninth = match self.parity {
            Parity::MarkAndSpace => self.ninth,
            Parity::OddAndEven => self.ninth != odd,
            Parity::Stuck(level) => level,
        };
        let one = match bit {
            0 => false,
            1..=8 => byte >> (bit - 1) & 1 == 1,
            9 if self.sends_ninth => ninth,
            _ => true,
        };
        Ok(!one)
    }

    fn set_break(&mut self, on: bool) -> io::Result<()> {
        self.log.push(Did::Break(on));
        Ok(())
    }
}
