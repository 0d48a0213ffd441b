//! Any words at any times: blocks, findings and messages never panic, and no word is lost.
//!
//! Three bytes make a word: the pause before it, flags (source, mode bit, kind), the data bits.

#![no_main]

use libfuzzer_sys::fuzz_target;
use payrig_mdb::{Dialogue, Word};
use payrig_units::Micros;
use payrig_wire::{BlockBuilder, BusEvent, Monitor, Source, TimedWord, WORD_TIME};

fuzz_target!(|bytes: &[u8]| {
    let mut monitor = Monitor::new();
    let mut eager = BlockBuilder::eager();
    let mut dialogue = Dialogue::new();
    let mut now = Micros(1_000);
    let (mut sent, mut told, mut told_eager) = (0, 0, 0);
    for three in bytes.chunks_exact(3) {
        let &[pause, flags, byte] = three else { return };
        // Squares reach from no pause to more than any limit that ends a block.
        now += Micros(u64::from(pause) * u64::from(pause));
        let source = if flags & 1 == 0 {
            Source::Master
        } else {
            Source::Peripheral
        };
        let start = now;
        now += WORD_TIME;
        let event = match flags >> 4 {
            0xF => {
                now += Micros::ms(u64::from(byte));
                dialogue.bus_reset();
                BusEvent::Break {
                    start,
                    end: now,
                    source,
                    uncertainty: Micros(1),
                }
            }
            0xE => BusEvent::Garbled {
                start,
                end: now,
                source,
            },
            _ => {
                sent += 1;
                let word = Word {
                    byte,
                    mode: flags & 2 != 0,
                };
                BusEvent::Word(TimedWord {
                    start,
                    end: now,
                    source,
                    word,
                    uncertainty: Micros(1),
                })
            }
        };
        told_eager += eager
            .push(&event)
            .iter()
            .map(|b| b.words.len())
            .sum::<usize>();
        for block in monitor.push(&event).blocks {
            told += block.words.len();
            let decoded = match (block.source, block.master_frame(), block.peripheral_frame()) {
                (Source::Master, Ok(frame), _) => dialogue.master(&frame),
                (Source::Master, ..) => dialogue.master_bytes(&block.bytes()),
                (Source::Peripheral, _, Ok(frame)) => dialogue.peripheral(&frame),
                (Source::Peripheral, ..) => dialogue.peripheral_bytes(&block.bytes()),
            };
            assert!(!decoded.text().contains('\n'), "a message is one line");
        }
    }
    told += monitor
        .finish(now)
        .blocks
        .iter()
        .map(|b| b.words.len())
        .sum::<usize>();
    told_eager += eager.flush().map_or(0, |b| b.words.len());
    assert_eq!((told, told_eager), (sent, sent), "a word was lost");
});
