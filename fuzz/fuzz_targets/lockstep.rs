//! Any bytes as what a peer in lock-step says, a turn behind each form feed: never panics, bench time never
//! runs backwards, and a session that has failed stays quiet.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_link::lockstep::{PeerStream, Session, Started};
use payrig_mdb::Word;
use payrig_units::Micros;
use payrig_wire::{Source, Transmission};
use std::collections::VecDeque;
use std::io;

#[derive(Debug)]
struct Said {
    turns: VecDeque<Vec<u8>>,
    now: VecDeque<u8>,
}

impl PeerStream for Said {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = buffer.len().min(self.now.len());
        for (to, from) in buffer.iter_mut().zip(self.now.drain(..count)) {
            *to = from;
        }
        Ok(count)
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        for line in bytes.split(|b| *b == b'\n') {
            if matches!(line.first(), Some(b'L' | b'T')) {
                self.now.extend(self.turns.pop_front().unwrap_or_default());
            }
        }
        Ok(())
    }
}

fuzz_target!(|bytes: &[u8]| {
    let turns = bytes.split(|b| *b == b'\x0C').map(<[u8]>::to_vec).collect();
    let now = VecDeque::new();
    let peer = Started::over("fuzz", Box::new(Said { turns, now }));
    let Ok(mut session) = Session::open(peer, Source::Peripheral, "board", 1, || true) else {
        return;
    };
    let mut before = Micros::ZERO;
    for step in 1..20 {
        session.send(Transmission::Words {
            at: Micros(step * 5_000),
            words: vec![Word::plain(1), Word::marked(2)],
            gap: Micros::ZERO,
        });
        for _ in 0..1_000 {
            let stepped = session.step(Micros(step * 20_000));
            assert!(session.now() >= before);
            before = session.now();
            match stepped {
                Ok(Some(_)) => {}
                Ok(None) => break,
                Err(_) => {
                    assert!(matches!(session.step(before), Ok(None)));
                    return;
                }
            }
        }
        let _ = session.look(&"anything".into());
    }
});
