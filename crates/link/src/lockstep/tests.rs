//! Peers that are played from a script, good and bad; nothing here waits for a clock.

use super::{Answer, Happened, PeerError, PeerStream, Session, Started, TURN_BYTES};
use crate::PortEvent;
use payrig_mdb::Word;
use payrig_units::Micros;
use payrig_wire::{BusEvent, Edge, Source, Transmission, WORD_TIME};
use proptest::prelude::*;
use serde_json::json;
use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex};

/// What was written to a peer.
type Written = Arc<Mutex<String>>;

/// Says the next of its turns whenever it has one; then it has ended.
#[derive(Debug)]
struct Scripted {
    turns: VecDeque<Vec<u8>>,
    input: VecDeque<u8>,
    written: Written,
    /// What it says when its turns are over.
    after: io::ErrorKind,
}

impl PeerStream for Scripted {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.input.is_empty()
            && self.turns.is_empty()
            && self.after != io::ErrorKind::UnexpectedEof
        {
            return Err(self.after.into());
        }
        // In small pieces: a line may come in several.
        let count = buffer.len().min(7).min(self.input.len());
        for (to, from) in buffer.iter_mut().zip(self.input.drain(..count)) {
            *to = from;
        }
        Ok(count)
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let text = std::str::from_utf8(bytes).unwrap();
        self.written.lock().unwrap().push_str(text);
        for line in text.lines() {
            if line.starts_with("L ") || line.starts_with("T ") {
                self.input
                    .extend(self.turns.pop_front().unwrap_or_default());
            }
        }
        Ok(())
    }
}

fn stream(turns: &[&str], written: &Written, after: io::ErrorKind) -> Started {
    let turns = turns.iter().map(|t| t.as_bytes().to_vec()).collect();
    Started::over(
        "the peer 'scripted'",
        Box::new(Scripted {
            turns,
            input: VecDeque::new(),
            written: Arc::clone(written),
            after,
        }),
    )
}

/// A session with a peer that plays the board.
fn board(turns: &[&str]) -> (Result<Session, PeerError>, Written) {
    let written = Written::default();
    let peer = stream(turns, &written, io::ErrorKind::UnexpectedEof);
    let session = Session::open(peer, Source::Peripheral, "board", 7, || false);
    (session, written)
}

fn words(at: u64, words: &[Word]) -> Transmission {
    Transmission::Words {
        at: Micros(at),
        words: words.to_vec(),
        gap: Micros::ZERO,
    }
}

/// Everything that happens until a time: when each began and ended, and the word.
fn all(session: &mut Session, until: u64) -> Result<Vec<(u64, u64, String)>, PeerError> {
    let mut found = Vec::new();
    while let Some(happened) = session.step(Micros(until))? {
        found.push(match happened {
            Happened::Bus(PortEvent::Heard(event)) => match event {
                BusEvent::Word(w) => (w.start.as_us(), w.end.as_us(), format!("heard {}", w.word)),
                other => (
                    other.start().as_us(),
                    other.end().as_us(),
                    "heard a break".into(),
                ),
            },
            Happened::Bus(PortEvent::Sent { event, .. }) => match event {
                BusEvent::Word(w) => (w.start.as_us(), w.end.as_us(), format!("sent {}", w.word)),
                other => (
                    other.start().as_us(),
                    other.end().as_us(),
                    "sent a break".into(),
                ),
            },
            Happened::Bus(other) => panic!("{other}"),
            Happened::Driven { device, line, edge } => {
                let at = edge.at.as_us();
                (at, at, format!("drove {device} {line} {}", edge.high))
            }
            Happened::Seen { device, line, edge } => {
                let at = edge.at.as_us();
                (at, at, format!("saw {device} {line} {}", edge.high))
            }
        });
    }
    Ok(found)
}

#[test]
fn a_poll_and_its_answer_are_where_they_were_said_to_be() {
    let (session, written) = board(&[
        "L 1 quiet=1000\n",
        "W 500000 0B* 0B\n# a remark\nN 600000\n",
        // The answer is heard whole, 1 ms after its last word.
        "W 506492 00\nR\n",
    ]);
    let mut session = session.unwrap();
    let heard = all(&mut session, 502_292).unwrap();
    assert_eq!(
        heard,
        [
            (500_000, 501_146, "heard 0B*".to_owned()),
            (501_146, 502_292, "heard 0B".to_owned()),
        ]
    );
    session.send(words(503_000, &[Word::plain(0x11), Word::marked(0x11)]));
    let heard = all(&mut session, 700_000).unwrap();
    assert_eq!(
        heard,
        [
            (503_000, 504_146, "sent 11".to_owned()),
            (504_146, 505_292, "sent 11*".to_owned()),
            (506_492, 507_638, "heard 00".to_owned()),
        ]
    );
    assert_eq!((session.now(), session.turns()), (Micros(700_000), 2));
    drop(session);
    let written = written.lock().unwrap();
    assert_eq!(
        *written,
        "L 1 board 7\nT 0\nW 504146 11\nW 505292 11*\nT 506292\nQ\n"
    );
}

#[test]
fn without_quiet_each_word_is_a_turn_and_a_promise_is_kept() {
    let (session, written) = board(&["L 1\n", "N 400\n", "R\n", "R\n", "R\n"]);
    let mut session = session.unwrap();
    session.send(words(0, &[Word::plain(1), Word::plain(2)]));
    assert_eq!(all(&mut session, 10_000).unwrap().len(), 2);
    drop(session);
    let written = written.lock().unwrap();
    let turns = "L 1 board 7\nT 0\nT 400\nW 1146 01\nT 1146\nW 2292 02\nT 2292\nQ\n";
    assert_eq!(*written, turns);
}

/// A turn at the very time that is asked for is left for later: the bench comes first.
#[test]
fn at_one_moment_the_wire_comes_first_then_the_bench_then_the_peer() {
    let (session, written) = board(&["L 1\n", "N 1146\n", "R\n"]);
    let mut session = session.unwrap();
    session.send(words(0, &[Word::plain(1)]));
    assert_eq!(all(&mut session, 1_146).unwrap().len(), 1);
    let edge = |at, high| Edge {
        at: Micros(at),
        high,
    };
    session.drive("old bill", "credit", edge(1_146, false));
    assert_eq!(all(&mut session, 1_147).unwrap().len(), 1);
    drop(session);
    let written = written.lock().unwrap();
    let turns = "L 1 board 7\nT 0\nW 1146 01\nE 1146 credit 0 old bill\nT 1146\nQ\n";
    assert_eq!(*written, turns);
}

#[test]
fn lines_go_both_ways_and_a_busy_line_holds_up_what_follows() {
    let (session, _) = board(&[
        "L 1 lines\n",
        "E 50 inhibit 0 old bill\nE 10 inhibit 1 old bill\nW 100 01\nW 200 02\nB 300 120000\nN 500\n",
        "W - 03\nR\n",
        "R\n",
    ]);
    let mut session = session.unwrap();
    assert!(session.has_lines() && session.level("old bill", "inhibit"));
    let word = WORD_TIME.as_us();
    let found = all(&mut session, 1_000_000).unwrap();
    let (second, third) = (100 + word, 100 + 2 * word);
    let fourth = third + 120_000;
    assert_eq!(
        found,
        [
            (10, 10, "saw old bill inhibit true".to_owned()),
            (50, 50, "saw old bill inhibit false".to_owned()),
            (100, second, "heard 01".to_owned()),
            (second, third, "heard 02".to_owned()),
            (third, fourth, "heard a break".to_owned()),
            (fourth, fourth + word, "heard 03".to_owned()),
        ]
    );
    assert!(!session.level("old bill", "inhibit") || session.level("another", "inhibit"));
}

#[test]
fn what_is_asked_is_answered_in_order_in_the_turn() {
    let (session, written) = board(&[
        "L 1\n",
        "N 1000\n",
        "=\n! no such selection\nW 600 05\nR\n",
        "= true\nR\n",
    ]);
    let mut session = session.unwrap();
    assert_eq!(all(&mut session, 500).unwrap(), []);
    let answers = session.act(&[json!({ "do": "select" }), json!({ "do": "dance" })]);
    let cannot = Answer::Cannot("no such selection".to_owned());
    assert_eq!(answers.unwrap(), [Answer::Done(json!(null)), cannot]);
    assert_eq!(all(&mut session, 5_000).unwrap().len(), 1);
    let seen = session.look(&json!({ "see": "exact-change" })).unwrap();
    assert_eq!(seen, Answer::Done(json!(true)));
    drop(session);
    let written = written.lock().unwrap();
    let asked = "A 500 {\"do\":\"select\"}\nA 500 {\"do\":\"dance\"}\nT 500\n? 5000 {\"see\":\"exact-change\"}\nT 5000\n";
    assert!(written.contains(asked), "{written}");
}

/// What bad peers say in their first turn, and part of what is said of it.
#[test]
fn each_bad_peer_is_called_what_it_is() {
    let far = super::AHEAD.as_us() + 100;
    let flood = "# W 600 01 02\n".repeat(TURN_BYTES / 14 + 1);
    let long = format!("W 600 {}\nR\n", "01 ".repeat(2_000));
    for (turn, says) in [
        (String::new(), "ended at 0.500 ms of bench time"),
        ("W 600 0".to_owned(), "in the middle of a line"),
        ("W 600 01\n".to_owned(), "ended at"),
        ("W 499 01\nR\n".to_owned(), "in the past"),
        ("B 0 100\nR\n".to_owned(), "in the past"),
        ("E 0 inhibit 1 old bill\nR\n".to_owned(), "in the past"),
        (format!("W {far}9 01\nR\n"), "ahead"),
        (format!("B 600 {far}9\nR\n"), "a break lasts"),
        ("N 500\n".to_owned(), "after that of the turn, 500"),
        ("R\nW 700 01\n".to_owned(), "its turn is over"),
        ("= true\nR\n".to_owned(), "asked nothing"),
        ("L 1\nR\n".to_owned(), "said once"),
        ("hello\nR\n".to_owned(), "a line begins with"),
        ("W 600 xx\nR\n".to_owned(), "two hexadecimal digits"),
        ("\u{1b}[2J\nR\n".to_owned(), "line '\\u{1b}[2J'"),
        (long, "4096 bytes"),
        ("W 600 01 02 03 04\n".repeat(30_000), "in two minutes"),
        (flood, "more than 1048576 bytes"),
    ] {
        let (session, _) = board(&["L 1\n", "N 500\n", &turn]);
        let mut session = session.unwrap();
        let error = all(&mut session, 501).map(|_| ()).unwrap_err().to_string();
        assert!(error.starts_with("the peer 'scripted'"), "{error}");
        let shown = turn.get(..30.min(turn.len())).unwrap_or_default();
        assert!(error.contains(says), "{shown:?}: {error}");
        // Nobody speaks to it any more; time goes on.
        assert_eq!(all(&mut session, 900).unwrap(), []);
        assert_eq!(session.now(), Micros(900));
    }
}

#[test]
fn an_opening_that_is_none_is_refused() {
    for (opening, says) in [
        ("", "ended at"),
        ("T 0\n", "a line begins with"),
        ("R\n", "the first line of a peer is 'L 1'"),
        ("L 2 more=so\n", "version 2"),
        ("L 1 quiet=5001\n", "quiet is 5000"),
    ] {
        let error = board(&[opening]).0.map(|_| ()).unwrap_err().to_string();
        assert!(error.contains(says), "{opening:?}: {error}");
    }
}

#[test]
fn a_question_without_an_answer_is_an_error() {
    let (session, _) = board(&["L 1\n", "N 1000\n", "=\nR\n"]);
    let mut session = session.unwrap();
    all(&mut session, 500).unwrap();
    let asked = [json!({ "do": "select" }), json!({ "do": "select" })];
    let error = session.act(&asked).unwrap_err();
    assert!(matches!(error, PeerError::Unanswered { .. }), "{error}");
}

/// While it hangs it is looked whether the run is to end; nobody waits for long when it is.
#[test]
fn a_peer_that_hangs_is_left_when_the_end_is_asked_for() {
    let written = Written::default();
    let peer = stream(&["L 1\n"], &written, io::ErrorKind::WouldBlock);
    let mut session = Session::open(peer, Source::Master, "changer", 1, || true).unwrap();
    let error = session.step(Micros(1)).map(|_| ()).unwrap_err();
    assert!(matches!(error, PeerError::Stopped { .. }), "{error}");
}

proptest! {
    /// Whatever a peer says, it is read or refused, and time never runs backwards.
    #[test]
    fn any_peer_ends_or_fails(
        turns in proptest::collection::vec(
            proptest::collection::vec(
                prop_oneof![
                    (0u64..20_000, "[0-9A-F]{2}[*]?").prop_map(|(t, w)| format!("W {t} {w}\n")),
                    (0u64..20_000, 0u64..200_000).prop_map(|(t, n)| format!("B {t} {n}\n")),
                    (0u64..20_000).prop_map(|t| format!("E {t} inhibit 1 old bill\n")),
                    (0u64..20_000).prop_map(|t| format!("N {t}\n")),
                    Just("R\n".to_owned()),
                    Just("=\n".to_owned()),
                    ".{0,20}",
                ], 0..6,
            ).prop_map(|lines| lines.concat()), 0..8,
        ),
    ) {
        let turns: Vec<&str> = std::iter::once("L 1\n").chain(turns.iter().map(String::as_str)).collect();
        let mut session = board(&turns).0.unwrap();
        let mut before = Micros::ZERO;
        for until in [5_000, 10_000, 50_000] {
            session.send(words(until, &[Word::plain(1)]));
            loop {
                let stepped = session.step(Micros(until));
                prop_assert!(session.now() >= before);
                before = session.now();
                match stepped {
                    Ok(Some(Happened::Bus(PortEvent::Heard(event)))) => {
                        prop_assert!(event.start() >= Micros::ZERO && event.end() <= before);
                    }
                    Ok(Some(_)) => {}
                    Ok(None) | Err(_) => break,
                }
            }
        }
    }
}
