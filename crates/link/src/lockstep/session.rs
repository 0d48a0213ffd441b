//! A bench and its peer, and the wire between them in bench time.

use super::error::PeerError;
use super::line::{MAX_LINE, PeerLine, VERSION, parse_line};
use super::stream::{SILENCE, Started};
use crate::{Lateness, PortEvent};
use payrig_bench::VirtualBus;
use payrig_units::Micros;
use payrig_wire::{BusEvent, Edge, Source, Transmission, WORD_TIME};
use serde_json::Value;
use std::collections::{BTreeMap, VecDeque};
use std::fmt::{self, Write as _};
use std::io;
use std::time::Instant;

/// What a peer says may begin so long after its turn, at most.
pub const AHEAD: Micros = Micros::secs(60);

/// A peer may ask for so much quiet before its turn, at most: an answer is due after 5 ms (MDB/ICP 4.3,
/// section 3.2).
pub const MOST_QUIET: Micros = Micros::ms(5);

/// Bytes that a peer may say in one turn.
pub const TURN_BYTES: usize = 1 << 20;

/// Something happened between the bench and its peer, at the time that the session has come to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Happened {
    /// On the bus.
    Bus(PortEvent),
    /// A pulse line of ours was driven.
    Driven {
        /// Whose line it is.
        device: String,
        /// Which.
        line: String,
        /// The edge.
        edge: Edge,
    },
    /// The peer drove a pulse line.
    Seen {
        /// Whose line it is.
        device: String,
        /// Which.
        line: String,
        /// The edge.
        edge: Edge,
    },
}

/// What a peer answers when it is asked to do something or to look.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// Done, or what it sees.
    Done(Value),
    /// It cannot; why, in its own words.
    Cannot(String),
}

/// An edge that is still to be made.
#[derive(Clone, Debug)]
struct Planned {
    device: String,
    line: String,
    high: bool,
    ours: bool,
}

/// A line of a device.
type LineName = (String, String);

/// A bench and its peer: see the module.
pub struct Session {
    peer: Started,
    ours: Source,
    now: Micros,
    bus: VirtualBus,
    /// When each side's line is free: master, peripherals.
    free: [Micros; 2],
    /// Words of ours that are not over yet: from when until when.
    sending: VecDeque<(Micros, Micros)>,
    /// Edges by their time, in the order in which they were planned.
    edges: BTreeMap<(Micros, u64), Planned>,
    planned: u64,
    /// The peer has nothing before this.
    promise: Micros,
    /// Its turn comes when the line has been quiet for so long.
    quiet: Micros,
    /// What it has not been told yet wants to be told by then.
    untold: Option<Micros>,
    lines: bool,
    /// The last level of each line that the peer drives.
    levels: BTreeMap<LineName, bool>,
    /// What is to be written.
    out: String,
    /// What was read and is no whole line yet.
    input: VecDeque<u8>,
    /// Bytes of this turn.
    said: usize,
    /// Whether the run is to end, asked while the peer is waited for.
    stop: Box<dyn Fn() -> bool + Send>,
    turns: u64,
    /// It has failed, and is spoken to no more.
    over: bool,
}

impl fmt::Debug for Session {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Session")
            .field("peer", &self.peer.name)
            .field("now", &self.now)
            .field("promise", &self.promise)
            .field("untold", &self.untold)
            .finish_non_exhaustive()
    }
}

impl Session {
    /// Opens with a peer that plays `role`, the other side of the bus being ours, at bench time zero.
    /// `stop` is asked, while the peer is waited for, whether the run is to end.
    ///
    /// # Errors
    /// When it does not open as it should.
    pub fn open(
        peer: Started,
        ours: Source,
        role: &str,
        seed: u64,
        stop: impl Fn() -> bool + Send + 'static,
    ) -> Result<Self, PeerError> {
        let mut session = Self {
            peer,
            ours,
            now: Micros::ZERO,
            // Both sides mean their times exactly.
            bus: VirtualBus::new(seed, Micros::ZERO),
            free: [Micros::ZERO; 2],
            sending: VecDeque::new(),
            edges: BTreeMap::new(),
            planned: 0,
            promise: Micros::ZERO,
            quiet: Micros::ZERO,
            untold: None,
            lines: false,
            levels: BTreeMap::new(),
            out: String::new(),
            input: VecDeque::new(),
            said: 0,
            stop: Box::new(stop),
            turns: 0,
            over: false,
        };
        let opened = session.hello(role, seed);
        session.over = opened.is_err();
        opened.map(|()| session)
    }

    fn hello(&mut self, role: &str, seed: u64) -> Result<(), PeerError> {
        let _ = writeln!(self.out, "L {VERSION} {role} {seed}");
        self.flush()?;
        let (text, line) = self.read_line()?;
        let PeerLine::Hello {
            version,
            quiet,
            lines,
        } = line
        else {
            let why = format!("the first line of a peer is 'L {VERSION}'");
            return Err(self.wrong(&text, why));
        };
        if version != VERSION {
            return Err(PeerError::Version {
                peer: self.peer.name.clone(),
                version,
                ours: VERSION,
            });
        }
        if quiet > MOST_QUIET {
            let most = MOST_QUIET.as_us();
            return Err(self.wrong(&text, format!("quiet is {most} microseconds at most")));
        }
        (self.quiet, self.lines) = (quiet, lines);
        Ok(())
    }

    /// What messages call the peer.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.peer.name
    }

    /// Bench time.
    #[must_use]
    pub const fn now(&self) -> Micros {
        self.now
    }

    /// The side of the bus that is ours.
    #[must_use]
    pub const fn ours(&self) -> Source {
        self.ours
    }

    /// True for a peer that has pulse lines.
    #[must_use]
    pub const fn has_lines(&self) -> bool {
        self.lines
    }

    /// How many turns it has had.
    #[must_use]
    pub const fn turns(&self) -> u64 {
        self.turns
    }

    /// The level of a line that the peer drives, true for high: as it said last, and high before that.
    #[must_use]
    pub fn level(&self, device: &str, line: &str) -> bool {
        let all = self.levels.iter();
        let mut of = all.filter(|((d, l), _)| d == device && l == line);
        of.next().is_none_or(|(_, high)| *high)
    }

    /// Sends something of ours at its time, or as soon as our line is free after it.
    pub fn send(&mut self, sent: Transmission) {
        let begins = self.now.max(*self.free_of(self.ours));
        if let Transmission::Words { at, words, gap } = &sent {
            let mut start = begins.max(*at);
            for _ in words {
                self.sending.push_back((start, start + WORD_TIME));
                start = start + WORD_TIME + *gap;
            }
        }
        self.place(self.ours, sent);
    }

    /// Drives a line of ours, now or at a time to come.
    pub fn drive(&mut self, device: &str, line: &str, edge: Edge) {
        self.plan(edge.at, device.to_owned(), line.to_owned(), edge.high, true);
    }

    fn plan(&mut self, at: Micros, device: String, line: String, high: bool, ours: bool) {
        let planned = Planned {
            device,
            line,
            high,
            ours,
        };
        self.edges.insert((at.max(self.now), self.planned), planned);
        self.planned += 1;
    }

    fn free_of(&mut self, side: Source) -> &mut Micros {
        let [master, peripheral] = &mut self.free;
        match side {
            Source::Master => master,
            Source::Peripheral => peripheral,
        }
    }

    /// Puts something on a side's line.
    fn place(&mut self, side: Source, sent: Transmission) {
        let begins = self.now.max(*self.free_of(side));
        let sent = match sent {
            Transmission::Words { at, words, gap } => Transmission::Words {
                at: at.max(begins),
                words,
                gap,
            },
            Transmission::Break { at, length } => Transmission::Break {
                at: at.max(begins),
                length,
            },
        };
        *self.free_of(side) = self.bus.transmit(side, sent, true);
    }

    /// When something happens next on the wire.
    fn next(&self) -> Micros {
        let edge = self.edges.keys().next().map(|(at, _)| *at);
        self.bus.next().min(edge.unwrap_or(Micros::NEVER))
    }

    /// When the peer has its next turn.
    fn turn(&self) -> Micros {
        self.promise.min(self.untold.unwrap_or(Micros::NEVER))
    }

    /// Goes on to the next thing that happens, or to `until`; `None` once it has come. At one moment the wire
    /// comes first, then the bench, then the peer: a turn at `until` itself is left for later.
    ///
    /// # Errors
    /// When the peer fails. From then on nothing more is said to it.
    pub fn step(&mut self, until: Micros) -> Result<Option<Happened>, PeerError> {
        while !self.over {
            let (next, turn) = (self.next(), self.turn());
            if next <= turn && next <= until {
                self.now = self.now.max(next);
                if let Some(happened) = self.happen() {
                    return Ok(Some(happened));
                }
            } else if turn < until {
                self.now = self.now.max(turn);
                self.take_turn(&[])?;
            } else {
                break;
            }
        }
        if until < Micros::NEVER {
            self.now = self.now.max(until);
        }
        Ok(None)
    }

    fn happen(&mut self) -> Option<Happened> {
        if let Some(heard) = self.bus.pop(self.now) {
            return Some(Happened::Bus(self.of_bus(heard.event)));
        }
        let first = self.edges.first_entry()?;
        let (at, planned) = (first.key().0, first.remove());
        let Planned {
            device,
            line,
            high,
            ours,
        } = planned;
        let edge = Edge { at, high };
        if ours {
            let level = u8::from(high);
            let _ = writeln!(self.out, "E {} {line} {level} {device}", at.as_us());
            self.tell_by(at);
            return Some(Happened::Driven { device, line, edge });
        }
        Some(Happened::Seen { device, line, edge })
    }

    /// What is on the bus: the peer is told what is ours.
    fn of_bus(&mut self, event: BusEvent) -> PortEvent {
        let (source, end) = match &event {
            BusEvent::Word(word) => (word.source, word.end),
            BusEvent::Break { source, end, .. } | BusEvent::Garbled { source, end, .. } => {
                (*source, *end)
            }
        };
        if source != self.ours {
            return PortEvent::Heard(event);
        }
        match &event {
            BusEvent::Word(word) => {
                let _ = writeln!(self.out, "W {} {}", end.as_us(), word.word);
                self.sending.pop_front();
                // A block goes on: it hears it whole.
                let quiet_from = match self.sending.front() {
                    Some((start, over)) if *start < end + self.quiet => *over,
                    _ => end,
                };
                self.untold = Some(quiet_from + self.quiet);
            }
            BusEvent::Break { start, .. } => {
                let length = end.since(*start).as_us();
                let _ = writeln!(self.out, "B {} {length}", end.as_us());
                self.tell_by(end);
            }
            BusEvent::Garbled { .. } => {}
        }
        let late = Lateness::default();
        PortEvent::Sent { event, late }
    }

    fn tell_by(&mut self, at: Micros) {
        self.untold = Some(self.untold.map_or(at, |by| by.min(at)));
    }

    /// Asks the peer to do something (`A`), now.
    ///
    /// # Errors
    /// When the peer fails.
    pub fn act(&mut self, actions: &[Value]) -> Result<Vec<Answer>, PeerError> {
        let now = self.now.as_us();
        let asked: Vec<String> = actions.iter().map(|a| format!("A {now} {a}")).collect();
        self.take_turn(&asked)
    }

    /// Asks the peer what it sees (`?`), now.
    ///
    /// # Errors
    /// When the peer fails.
    pub fn look(&mut self, what: &Value) -> Result<Answer, PeerError> {
        let answers = self.take_turn(&[format!("? {} {what}", self.now.as_us())])?;
        let answer = answers.into_iter().next();
        Ok(answer.unwrap_or(Answer::Cannot(String::new())))
    }

    /// The peer has its turn, at the time that has come. As many answers come back as were asked for.
    fn take_turn(&mut self, asked: &[String]) -> Result<Vec<Answer>, PeerError> {
        if self.over {
            let gone = Answer::Cannot("the peer is gone".to_owned());
            return Ok(vec![gone; asked.len()]);
        }
        let taken = self.exchange(asked);
        if let Err(error) = &taken {
            tracing::debug!(target: "payrig::port", %error, "the peer failed");
            self.over = true;
            self.peer.kill();
        }
        taken
    }

    fn exchange(&mut self, asked: &[String]) -> Result<Vec<Answer>, PeerError> {
        for line in asked {
            self.out.push_str(line);
            self.out.push('\n');
        }
        let _ = writeln!(self.out, "T {}", self.now.as_us());
        self.flush()?;
        self.turns += 1;
        self.untold = None;
        self.said = 0;
        let mut answers = Vec::new();
        loop {
            let (text, line) = self.read_line()?;
            match line {
                PeerLine::Hello { .. } => {
                    return Err(self.wrong(&text, "L is said once, at the beginning".to_owned()));
                }
                PeerLine::Words { at, words } => {
                    let at = self.begins(&text, at)?;
                    let gap = Micros::ZERO;
                    self.place_peer(&text, Transmission::Words { at, words, gap })?;
                }
                PeerLine::Break { at, length } => {
                    let at = self.begins(&text, at)?;
                    if length > AHEAD {
                        let most = AHEAD.as_us();
                        let why = format!("a break lasts {most} microseconds at most");
                        return Err(self.wrong(&text, why));
                    }
                    self.place_peer(&text, Transmission::Break { at, length })?;
                }
                PeerLine::Edge {
                    at,
                    line,
                    high,
                    device,
                } => {
                    let at = self.begins(&text, at)?;
                    self.levels.insert((device.clone(), line.clone()), high);
                    self.plan(at, device, line, high, false);
                }
                PeerLine::Done(_) | PeerLine::Cannot(_) if answers.len() == asked.len() => {
                    return Err(self.wrong(&text, "it was asked nothing more".to_owned()));
                }
                PeerLine::Done(value) => answers.push(Answer::Done(value)),
                PeerLine::Cannot(why) => answers.push(Answer::Cannot(why)),
                PeerLine::Nothing(at) if at <= self.now => {
                    let why = format!(
                        "N gives a time after that of the turn, {}",
                        self.now.as_us()
                    );
                    return Err(self.wrong(&text, why));
                }
                PeerLine::Nothing(at) => {
                    self.promise = at;
                    break;
                }
                PeerLine::Rest => {
                    self.promise = Micros::NEVER;
                    break;
                }
            }
        }
        if let Some(asked) = asked.get(answers.len()) {
            return Err(PeerError::Unanswered {
                peer: self.peer.name.clone(),
                at: self.now,
                asked: asked.clone(),
            });
        }
        if !self.input.is_empty() {
            let rest: Vec<u8> = self.input.iter().take(80).copied().collect();
            let why = "its turn is over: it waits for the next T".to_owned();
            return Err(self.wrong(&String::from_utf8_lossy(&rest), why));
        }
        Ok(answers)
    }

    /// When what a line says begins.
    fn begins(&self, text: &str, at: Option<Micros>) -> Result<Micros, PeerError> {
        let at = at.unwrap_or(self.now);
        if at < self.now {
            let why = format!(
                "this is in the past: nothing begins before the time of the turn, {}",
                self.now.as_us()
            );
            return Err(self.wrong(text, why));
        }
        if at > self.now + AHEAD {
            let ahead = AHEAD.as_us();
            let why = format!(
                "this is more than {ahead} microseconds ahead: say N, and it when the time has come"
            );
            return Err(self.wrong(text, why));
        }
        Ok(at)
    }

    fn place_peer(&mut self, text: &str, sent: Transmission) -> Result<(), PeerError> {
        let side = match self.ours {
            Source::Master => Source::Peripheral,
            Source::Peripheral => Source::Master,
        };
        self.place(side, sent);
        let most = self.now + AHEAD * 2 + WORD_TIME;
        if *self.free_of(side) > most {
            let why = "it has more to say than its line can carry in two minutes".to_owned();
            return Err(self.wrong(text, why));
        }
        Ok(())
    }

    fn wrong(&self, line: &str, why: String) -> PeerError {
        PeerError::Turn {
            peer: self.peer.name.clone(),
            at: self.now,
            line: shown(line),
            why,
        }
    }

    // ---- the stream ----------------------------------------------------------------------------

    fn flush(&mut self) -> Result<(), PeerError> {
        tracing::trace!(target: "payrig::port", said = self.out, "to the peer");
        let written = self.peer.stream.write(self.out.as_bytes());
        self.out.clear();
        written.map_err(|source| self.failed("writing", source))
    }

    fn failed(&mut self, doing: &'static str, source: io::Error) -> PeerError {
        use io::ErrorKind::{BrokenPipe, ConnectionReset, NotConnected, TimedOut, WouldBlock};
        match source.kind() {
            BrokenPipe | ConnectionReset | NotConnected => self.ended(""),
            WouldBlock | TimedOut => self.silent(),
            _ => PeerError::Io {
                peer: self.peer.name.clone(),
                at: self.now,
                doing,
                source,
            },
        }
    }

    fn silent(&self) -> PeerError {
        PeerError::Silent {
            peer: self.peer.name.clone(),
            at: self.now,
            seconds: SILENCE.as_secs(),
        }
    }

    fn ended(&mut self, where_: &str) -> PeerError {
        let how = format!("{}{where_}", self.peer.ending());
        PeerError::Ended {
            peer: self.peer.name.clone(),
            at: self.now,
            how,
        }
    }

    /// The next line that says something, and its text.
    fn read_line(&mut self) -> Result<(String, PeerLine), PeerError> {
        loop {
            let line = self.read_bytes()?;
            let text = String::from_utf8_lossy(&line).into_owned();
            match parse_line(&line) {
                Ok(None) => {}
                Ok(Some(read)) => return Ok((text, read)),
                Err(why) => {
                    return Err(PeerError::Line {
                        peer: self.peer.name.clone(),
                        at: self.now,
                        line: shown(&text),
                        why,
                    });
                }
            }
        }
    }

    /// The next line, without its LF.
    fn read_bytes(&mut self) -> Result<Vec<u8>, PeerError> {
        let mut since = None;
        let mut looked = 0;
        loop {
            let found = self.input.iter().skip(looked).position(|b| *b == b'\n');
            if let Some(end) = found.map(|at| at + looked) {
                let line: Vec<u8> = self.input.drain(..=end).take(end).collect();
                self.said += line.len() + 1;
                return match self.said > TURN_BYTES {
                    true => Err(self.floods()),
                    false => Ok(line),
                };
            }
            looked = self.input.len();
            if looked > MAX_LINE {
                // As long as it is, it is refused.
                return Ok(self.input.drain(..).collect());
            }
            let mut buffer = [0; 4096];
            match self.peer.stream.read(&mut buffer) {
                Ok(0) => {
                    let midway = match self.input.is_empty() {
                        true => "",
                        false => ", in the middle of a line",
                    };
                    return Err(self.ended(midway));
                }
                Ok(count) => {
                    self.input.extend(buffer.iter().take(count));
                    since = None;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error)
                    if matches!(
                        error.kind(),
                        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut
                    ) =>
                {
                    if (self.stop)() {
                        return Err(PeerError::Stopped {
                            peer: self.peer.name.clone(),
                            at: self.now,
                        });
                    }
                    let since = since.get_or_insert_with(Instant::now);
                    if since.elapsed() > SILENCE {
                        return Err(self.silent());
                    }
                }
                Err(error) => return Err(self.failed("reading", error)),
            }
        }
    }

    fn floods(&self) -> PeerError {
        PeerError::Floods {
            peer: self.peer.name.clone(),
            at: self.now,
            bytes: TURN_BYTES,
        }
    }
}

impl Drop for Session {
    fn drop(&mut self) {
        if self.over {
            self.peer.kill();
        } else {
            self.out.push_str("Q\n");
            let _ = self.flush();
            self.peer.leave();
        }
    }
}

/// A line as a message shows it: of a moderate length, without control characters.
fn shown(line: &str) -> String {
    let most = 80;
    let line = line.trim();
    let mut text: String = line
        .chars()
        .take(most)
        .flat_map(char::escape_debug)
        .collect();
    if line.chars().count() > most {
        text.push('…');
    }
    text
}
