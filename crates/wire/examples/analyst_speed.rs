//! How fast a bus is analysed, and written down: blocks a second, without and with a recording.
//!
//! ```text
//! cargo run --release -p payrig-wire --example analyst_speed [MILLIONS OF BLOCKS]
//! ```
//! For instructions per block, give few blocks and run it under callgrind with
//! `--toggle-collect='*analyse*'` or `'*write_down*'`.

use payrig_mdb::{Block, Word};
use payrig_units::Micros;
use payrig_wire::analysis::Analyst;
use payrig_wire::recording::{Entry, Header, RecordingWriter};
use payrig_wire::{BusEvent, Source, TimedWord, WORD_TIME};
use std::hint::black_box;
use std::io::{self, Write};
use std::time::Instant;

/// Counts bytes, and keeps none.
#[derive(Default)]
struct Count(u64);

impl Write for Count {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0 += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What one round of POLLs puts on the bus: four devices, one of which reports a coin.
fn round(at: &mut Micros, events: &mut Vec<BusEvent>) {
    let mut say = |source: Source, words: &[Word]| {
        for word in words {
            let end = *at + WORD_TIME;
            events.push(BusEvent::Word(TimedWord {
                start: *at,
                end,
                source,
                word: *word,
                uncertainty: Micros(1),
            }));
            *at = end;
        }
        *at += Micros::ms(2);
    };
    for poll in [0x0B_u8, 0x33, 0x12, 0x62] {
        let Ok(block) = Block::new(&[poll]) else {
            return;
        };
        let words: Vec<Word> = block.master_words().collect();
        say(Source::Master, &words);
        match (poll, Block::new(&[0x52, 0x1A])) {
            (0x0B, Ok(coin)) => {
                let words: Vec<Word> = coin.peripheral_words().collect();
                say(Source::Peripheral, &words);
                say(Source::Master, &[Word::plain(0)]);
            }
            _ => say(Source::Peripheral, &[Word::marked(0)]),
        }
    }
    *at += Micros::ms(20);
}

#[inline(never)]
fn analyse(analyst: &mut Analyst, events: &[BusEvent], entries: &mut Vec<Entry>) {
    for event in events {
        if analyst.next_deadline() <= event.start() {
            analyst.idle_to(event.start(), entries);
        }
        analyst.event_to(event, entries);
    }
}

#[inline(never)]
fn write_down(writer: &mut RecordingWriter<Count>, entries: &[Entry]) -> io::Result<()> {
    entries.iter().try_for_each(|entry| writer.entry(entry))
}

fn main() -> io::Result<()> {
    let millions: f64 = std::env::args()
        .nth(1)
        .and_then(|text| text.parse().ok())
        .unwrap_or(1.0);
    let rounds = (millions * 1e6 / 9.0) as u64;
    for recorded in [false, true] {
        let header = Header::new("analyst_speed", "Harbour Loop", None);
        let mut writer = RecordingWriter::start(Count::default(), &header)?;
        let mut analyst = Analyst::new();
        let (mut at, mut events, mut entries) = (Micros::ms(1), Vec::new(), Vec::new());
        let begun = Instant::now();
        for _ in 0..rounds {
            events.clear();
            round(&mut at, &mut events);
            analyse(&mut analyst, &events, &mut entries);
            if recorded {
                write_down(&mut writer, &entries)?;
            }
            black_box(&entries);
            entries.clear();
        }
        let took = begun.elapsed().as_secs_f64();
        let blocks = analyst.blocks();
        let bytes = writer.into_inner().0;
        println!(
            "{blocks} blocks in {took:.3} s: {:.0} a second, {bytes} bytes written",
            blocks as f64 / took
        );
    }
    Ok(())
}
