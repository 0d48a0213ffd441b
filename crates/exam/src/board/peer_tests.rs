//! Our own board as a peer in lock-step, in this process: an examination of it must find what that of the
//! emulated board finds. It speaks the lines of `docs/src/lockstep.md` and shares no code with their reader.

use super::bad_habit::Board;
use super::*;
use crate::link::Linked;
use crate::peer::Peer;
use crate::result::{CheckResult, Examination, Outcome};
use crate::skip::Skip;
use payrig_controller::{BoardConfig, CardPrice, Controller};
use payrig_link::LinkError;
use payrig_link::lockstep::{PeerStream, Session, Started};
use payrig_mdb::Word;
use payrig_units::{Micros, Money};
use payrig_wire::{Edge, Source, TimedWord, Transmission, WORD_TIME, recording};
use serde_json::Value;
use std::collections::{BTreeSet, VecDeque};
use std::io;

/// What a check leaves out at any board outside that is connected as ours is here.
fn left_out(check: &CheckResult) -> bool {
    matches!(
        check.skip,
        Some(Skip::EmulatedOnly(_) | Skip::NotOffered(_))
    )
}

struct OwnBoard {
    config: BoardConfig,
    board: Board,
    bad: bad_habit::BadHabits,
    now: Micros,
    seen: Vec<String>,
    delivered: Vec<u16>,
    blocked: BTreeSet<u16>,
    /// What it says in its next turn: a letter, a time that it means, and the rest of the line.
    meant: Vec<(char, Micros, String)>,
    out: VecDeque<u8>,
    /// It hears a whole block in a turn.
    quiet: u64,
    /// It ends in the middle of things, after so many turns.
    turns_left: u32,
}

impl std::fmt::Debug for OwnBoard {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("OwnBoard")
            .field("now", &self.now)
            .finish_non_exhaustive()
    }
}

impl OwnBoard {
    fn new(setup: &BoardSetup, quiet: u64) -> Self {
        let controller = Controller::new(setup.board.clone(), Micros::ZERO);
        Self {
            config: setup.board.clone(),
            board: Board::new(controller, setup.bad.clone()),
            bad: setup.bad.clone(),
            now: Micros::ZERO,
            seen: Vec::new(),
            delivered: Vec::new(),
            blocked: BTreeSet::new(),
            meant: Vec::new(),
            out: VecDeque::new(),
            quiet,
            turns_left: u32::MAX,
        }
    }

    fn say(&mut self, line: &str) {
        self.out.extend(line.bytes());
        self.out.push_back(b'\n');
    }

    /// What it has to say by now.
    fn collect(&mut self) {
        while let Some(sent) = self.board.take_transmission() {
            match sent {
                Transmission::Break { at, length } => {
                    self.meant.push(('B', at, length.as_us().to_string()));
                }
                Transmission::Words { at, words, gap } => {
                    let mut at = at.max(self.now);
                    for word in words {
                        self.meant.push(('W', at, word.to_string()));
                        at = at + WORD_TIME + gap;
                    }
                }
            }
        }
        for (line, edge) in self.board.take_pulse_edges(self.now) {
            let high = u8::from(edge.high);
            self.meant
                .push(('E', edge.at, format!("{line} {high} old bill")));
        }
        self.seen.extend(self.board.take_shown());
        let person = self.board.person();
        self.delivered.extend(person.take_delivered());
        person.take_movements();
    }

    /// Everything that is due before or at a time.
    fn until(&mut self, to: Micros) {
        while self.board.next_deadline() <= to {
            self.now = self.now.max(self.board.next_deadline());
            self.board.wake(self.now);
            self.collect();
        }
        self.now = self.now.max(to);
    }

    fn block(&mut self, item: u16) {
        self.board.person().free(item);
        self.board.block_motor(item);
        self.blocked.insert(item);
    }

    fn act(&mut self, asked: &Value) -> Result<(), String> {
        let item = asked["item"].as_u64().unwrap_or_default() as u16;
        let is = |key: &str| asked[key] == Value::Bool(true);
        match asked["do"].as_str().unwrap_or_default() {
            "select" => {
                self.delivered.clear();
                if self.blocked.contains(&item) {
                    self.block(item);
                }
                self.board.person().select(self.now, item);
            }
            "jam-item" => self.block(item),
            "free-item" => {
                self.blocked.remove(&item);
                self.board.person().free(item);
            }
            "power" => self.board.power(self.now, is("on")),
            "set-up" => {
                let options = BoardOptions {
                    several_vends: is("several-vends"),
                    cash_onto_cards: is("cash-onto-cards"),
                    always_idle: is("always-idle"),
                    currencies: is("currencies"),
                };
                let mut config = self.config.clone();
                options.apply(&mut config);
                let controller = Controller::new(config, self.now);
                self.board = Board::new(controller, self.bad.clone());
            }
            what @ ("set-price" | "set-card-price") => {
                let price = asked["value"].as_str().unwrap_or_default();
                let price = Money::parse(price, self.config.decimals).map_err(|e| e.to_string())?;
                let person = self.board.person();
                match what {
                    "set-price" => person.set_price(self.now, item, price),
                    _ => person.set_card_price(self.now, item, CardPrice::Fixed(price)),
                }
            }
            other => return Err(format!("nobody can {other}")),
        }
        Ok(())
    }

    fn look(&mut self, asked: &Value) -> Result<bool, String> {
        Ok(match asked["see"].as_str().unwrap_or_default() {
            "exact-change" => self.board.exact_change(),
            "fell" => {
                let item = asked["item"].as_u64();
                let at = self
                    .delivered
                    .iter()
                    .position(|d| Some(u64::from(*d)) == item);
                at.map(|at| self.delivered.remove(at)).is_some()
            }
            "seen" => {
                let text = asked["text"].as_str().unwrap_or_default();
                self.seen.iter().any(|shown| shown.contains(text))
            }
            other => return Err(format!("nobody sees {other}")),
        })
    }

    fn hear(&mut self, line: &str) {
        let fields: Vec<&str> = line.split(' ').collect();
        let at = || Micros(fields[1].parse().unwrap());
        match fields[0] {
            "L" => self.say(&format!("L 1 quiet={} lines", self.quiet)),
            "W" => {
                let end = at();
                self.until(end - Micros(1));
                self.now = end;
                let byte = u8::from_str_radix(&fields[2][..2], 16).unwrap();
                let mode = fields[2].ends_with('*');
                self.board.heard(TimedWord {
                    start: end - WORD_TIME,
                    end,
                    source: Source::Peripheral,
                    word: Word { byte, mode },
                    uncertainty: Micros::ZERO,
                });
                self.collect();
            }
            "E" => {
                let at = at();
                self.until(at);
                let (line, high, device) = (fields[2], fields[3] == "1", fields[4..].join(" "));
                self.board.pulse_edge(&device, line, Edge { at, high });
                self.collect();
            }
            "A" | "?" => {
                self.until(at());
                let json = line.splitn(3, ' ').nth(2).unwrap();
                let asked: Value = serde_json::from_str(json).unwrap();
                let answer = match fields[0] {
                    "A" => self.act(&asked).map(|()| String::new()),
                    _ => self.look(&asked).map(|seen| seen.to_string()),
                };
                self.collect();
                match answer {
                    Ok(value) => self.say(&format!("= {value}")),
                    Err(why) => self.say(&format!("! {why}")),
                }
            }
            "T" if self.turns_left == 0 => self.say("W 1"),
            "T" => {
                self.turns_left -= 1;
                self.until(at());
                self.collect();
                // What it heard it acts on now, and not sooner.
                for (letter, at, rest) in std::mem::take(&mut self.meant) {
                    let at = at.max(self.now).as_us();
                    self.say(&format!("{letter} {at} {rest}"));
                }
                match self.board.next_deadline() {
                    Micros::NEVER => self.say("R"),
                    next => self.say(&format!("N {}", next.as_us())),
                }
            }
            "Q" => {}
            other => panic!("{other}"),
        }
    }
}

impl PeerStream for OwnBoard {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = buffer.len().min(self.out.len());
        for (to, from) in buffer.iter_mut().zip(self.out.drain(..count)) {
            *to = from;
        }
        Ok(count)
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        for line in std::str::from_utf8(bytes).unwrap().lines() {
            self.hear(line);
        }
        Ok(())
    }
}

type Recorded = Vec<recording::Entry>;

fn examined(board: OwnBoard, only: Option<&str>) -> (Examination, Option<LinkError>, Recorded) {
    examined_as(&BoardSetup::good().unwrap(), board, only)
}

/// Likewise, as the board of a machine like this.
fn examined_as(
    good: &BoardSetup,
    board: OwnBoard,
    only: Option<&str>,
) -> (Examination, Option<LinkError>, Recorded) {
    let started = Started::over("the peer 'our own board'", Box::new(board));
    let session = Session::open(started, Source::Peripheral, "board", 1, || false).unwrap();
    let peer = Peer::new(session);
    let linked = Linked::new(peer.cable(), Source::Peripheral, Micros::ZERO);
    let outside = BoardOutside::new(linked, peer.person(good.board.decimals))
        .with_lines(peer.acceptor_lines(good), good);
    let mut entries = Recorded::new();
    let (examination, failure) = examine_outside(good, outside, only, |_, more| {
        entries.extend_from_slice(more);
    });
    (examination, failure, entries)
}

/// Every check that is done at both finds the same, whether the peer hears word by word or whole blocks.
#[test]
fn our_board_is_found_to_be_what_the_emulated_one_is() {
    let good = BoardSetup::good().unwrap();
    let emulated = examine(&good, None, |_, _| {});
    // Word by word it takes twice as long, and a few checks of each group say it.
    let some: Vec<&str> = checks().step_by(9).map(|c| c.id).collect();
    let some = some.join(",");
    for (quiet, only, least) in [(0, Some(some.as_str()), 12), (500, None, 150)] {
        let (examination, failure, _) = examined(OwnBoard::new(&good, quiet), only);
        assert!(failure.is_none(), "{failure:?}");
        let differs = |check: &&CheckResult| {
            let own = emulated.check(&check.id).map(|c| c.outcome);
            !left_out(check) && own != Some(check.outcome)
        };
        let wrong = examination.checks.iter().filter(differs);
        let wrong: Vec<String> = wrong.map(|c| format!("{}: {}", c.id, c.seen)).collect();
        assert!(wrong.is_empty(), "quiet {quiet}\n{}", wrong.join("\n"));
        let passed = examination.count(Outcome::Pass);
        assert!(passed >= least, "{passed} of {}", examination.checks.len());
    }
}

/// A machine of 45 selections with an old bill validator on pulses: the same verdicts as with the emulated
/// board, where settings and prices are asked for, too.
#[test]
fn the_machine_of_45_selections_is_found_alike_in_lock_step() {
    let rig = include_str!("../../../../bench-rigs/harbour-loop.toml");
    let rig = payrig_rig::parse(std::path::Path::new("harbour-loop.toml"), rig).unwrap();
    let setup = BoardSetup::of_rig(&rig, false).unwrap();
    let emulated = examine(&setup, None, |_, _| {});
    let (examination, failure, _) = examined_as(&setup, OwnBoard::new(&setup, 500), None);
    assert!(failure.is_none(), "{failure:?}");
    let differs = |check: &&CheckResult| {
        let own = emulated.check(&check.id).map(|c| c.outcome);
        !left_out(check) && own != Some(check.outcome)
    };
    let wrong = examination.checks.iter().filter(differs);
    let wrong: Vec<String> = wrong.map(|c| format!("{}: {}", c.id, c.seen)).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let passed = examination.count(Outcome::Pass);
    assert!(passed > 110, "{passed} of {}", examination.checks.len());
}

#[test]
fn the_same_board_gives_the_same_recording() {
    let good = BoardSetup::good().unwrap();
    let only = Some("change-right,session-completed,pulse-credited,cut-*");
    let recorded = || examined(OwnBoard::new(&good, 500), only).2;
    let first = recorded();
    assert!(first.len() > 1_000, "{}", first.len());
    assert_eq!(first, recorded());
}

fn catches(checks: impl Iterator<Item = &'static BoardCheck>) {
    let mut wrong = Vec::new();
    let mut caught = 0;
    for check in checks {
        let mut setup = BoardSetup::good().unwrap();
        (check.quirk.apply)(&mut setup);
        let (examination, failure, _) = examined(OwnBoard::new(&setup, 500), Some(check.id));
        assert!(failure.is_none(), "{}: {failure:?}", check.id);
        let result = &examination.checks[0];
        match result.outcome {
            Outcome::Fail => caught += 1,
            _ if left_out(result) => {}
            o => wrong.push(format!("{}: {o:?} {}", check.id, result.seen)),
        }
    }
    assert!(wrong.is_empty(), "{caught} caught\n{}", wrong.join("\n"));
    assert!(caught > 0);
}

#[test]
fn some_checks_catch_their_quirks_in_lock_step() {
    catches(checks().step_by(6));
}

#[test]
#[ignore = "the whole measure: cargo nextest run -p payrig-exam --run-ignored all peer_tests"]
fn all_checks_catch_their_quirks_in_lock_step() {
    catches(checks());
}

/// A peer that fails ends the examination; what was found before is kept, and the rest is said to be left.
#[test]
fn a_peer_that_fails_ends_it_and_keeps_what_was_found() {
    let good = BoardSetup::good().unwrap();
    let mut board = OwnBoard::new(&good, 500);
    board.turns_left = 3_000;
    let (examination, failure, _) = examined(board, None);
    let error = failure.unwrap().to_string();
    assert!(
        error.contains("line 'W 1'") && error.contains("hexadecimal"),
        "{error}"
    );
    assert!(examination.count(Outcome::Pass) >= 2);
    let last = examination.checks.last().unwrap();
    assert_eq!(last.skip, Some(Skip::LinkGone));
}
