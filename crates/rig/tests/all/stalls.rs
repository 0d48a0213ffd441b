//! A tool that is stopped, or that the machine keeps from running, accuses nobody: what had piled up
//! meanwhile is read with times that mean nothing.

use payrig_bench::{Bench, BusAt, Outbound};
use payrig_mdb::{ACK, Block, Word};
use payrig_units::Micros;
use payrig_wire::port::Lateness;
use payrig_wire::reading::{ReadOptions, read_file};
use payrig_wire::recording::{Entry, Header, Ours, RecordingWriter};
use payrig_wire::{BusEvent, RuleName, Source, TimedWord, Transmission, WORD_TIME};
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::path::Path;

const RIG: &str = "[bench]\nname = \"stalled\"\n[link]\nport = \"pty\"\n[board]\nkind = \"outside\"\n\
                   [[device]]\nkind = \"changer\"\nname = \"changer\"\n";

/// How long the board resets the bus (section 2.2: 100 ms at the least).
const RESET: Micros = Micros::ms(120);

/// From one POLL to the next (MDB/ICP 4.3, section 2.4.3: 25 to 200 ms).
const PACE: Micros = Micros::ms(50);

/// A board outside that polls the changer at a steady pace and acknowledges what it says, and the
/// bench of the changer, whose driver looks at the port or does not.
struct Link {
    bench: Bench,
    entries: Vec<Entry>,
    /// What happened and was not handed to the bench yet; true for what is ours.
    coming: Vec<(BusEvent, bool)>,
    /// Our words become known so much after they were on the wire.
    ours_late: Micros,
}

fn word(start: Micros, source: Source, word: Word) -> BusEvent {
    BusEvent::Word(TimedWord {
        start,
        end: start + WORD_TIME,
        source,
        word,
        uncertainty: Micros(100),
    })
}

impl Link {
    fn new() -> Self {
        let plan = payrig_rig::parse(Path::new("stalled.toml"), RIG).unwrap();
        let bench = Bench::live(&plan, &[]);
        Self {
            bench,
            entries: Vec::new(),
            coming: Vec::new(),
            ours_late: Micros::ZERO,
        }
    }

    /// When the next thing becomes known.
    fn next(&mut self) -> Option<Micros> {
        let late = self.ours_late;
        let known = |(event, ours): &(BusEvent, bool)| match ours {
            true => event.end() + late,
            false => event.end(),
        };
        self.coming.sort_by_key(known);
        self.coming.first().map(known)
    }

    fn board_says(&mut self, at: Micros, words: &[Word]) {
        let mut start = at;
        for &one in words {
            self.coming.push((word(start, Source::Master, one), false));
            start += WORD_TIME;
        }
    }

    /// The driver looks, until bench time `to`.
    fn run(&mut self, to: Micros) {
        loop {
            self.send();
            let next = self.next().filter(|at| *at <= to).unwrap_or(to);
            while self.bench.next_deadline() < next && !self.bench.ended() {
                self.bench.advance(self.bench.next_deadline());
                self.send();
            }
            if self.next().is_none_or(|at| at > next) {
                if next < to {
                    continue;
                }
                self.bench.advance(to);
                self.entries.extend(self.bench.take_entries());
                return;
            }
            let (event, ours) = self.coming.remove(0);
            self.bench.move_on(next);
            match ours {
                true => {
                    let on_time = Lateness::default();
                    self.bench.sent_on_link(&BusAt::Board, &event, on_time);
                    // A whole answer with data is acknowledged (section 2.2).
                    if let BusEvent::Word(heard) = event
                        && heard.word.mode
                        && heard.word.byte != ACK
                    {
                        self.board_says(event.end() + Micros(600), &[Word::plain(ACK)]);
                    }
                }
                false => self.bench.heard_on_link(&BusAt::Board, &event),
            }
            self.bench.advance(self.bench.now());
        }
    }

    fn send(&mut self) {
        while let Some(out) = self.bench.take_outbound() {
            let Outbound::Words {
                sent: Transmission::Words { at, words, gap },
                ..
            } = out
            else {
                continue;
            };
            let mut start = at.max(self.bench.now());
            for one in words {
                self.coming
                    .push((word(start, Source::Peripheral, one), true));
                start += WORD_TIME + gap;
            }
        }
    }

    /// The board polls at its pace from `from` until `to`; the driver looks all the time.
    fn polls(&mut self, from: Micros, to: Micros) {
        let poll: Vec<Word> = Block::new(&[0x0B]).unwrap().master_words().collect();
        let mut at = from;
        while at < to {
            self.board_says(at, &poll);
            at += PACE;
            self.run(at.min(to));
        }
    }

    /// The board goes on polling, and nobody looks: what piled up is there at once. Where `reset` says so,
    /// the board resets the bus after so many of its POLLs.
    fn nobody_looks(
        &mut self,
        (from, to): (Micros, Micros),
        read_late: Micros,
        reset: Option<u64>,
        marked: bool,
    ) -> Micros {
        let poll: Vec<Word> = Block::new(&[0x0B]).unwrap().master_words().collect();
        let count = to.since(from).as_us() / PACE.as_us();
        if marked {
            self.bench.slept(from, to);
        }
        let mut read = to + read_late;
        for number in 0..count {
            if reset == Some(number) {
                let (start, end) = (read, read + RESET);
                let (source, uncertainty) = (Source::Master, Micros(100));
                let event = BusEvent::Break {
                    start,
                    end,
                    source,
                    uncertainty,
                };
                self.coming.push((event, false));
                read = end;
            }
            self.board_says(read, &poll);
            read += WORD_TIME * poll.len() as u64;
        }
        self.run(read + Micros::ms(8));
        read
    }
}

/// A bench whose driver does not look from `from` for so long. The limits that were found broken, and
/// all entries.
fn stalled(
    from: Micros,
    length: Micros,
    read_late: Micros,
    reset: Option<u64>,
    marked: bool,
) -> (u64, Vec<Entry>) {
    let mut link = Link::new();
    link.polls(Micros::ms(30), from);
    // The board does not speak while what piled up is read: it is the same wire.
    let read = link.nobody_looks((from, from + length), read_late, reset, marked);
    let again = read + PACE;
    link.polls(again, again + Micros::secs(1));
    link.bench.finish_now();
    link.entries.extend(link.bench.take_entries());
    (link.bench.tally().limits, link.entries)
}

/// What is found in the recording of it.
fn found_again(entries: &[Entry]) -> Vec<String> {
    let ours = Ours::default().bus(Some(Source::Peripheral));
    let header = Header::new("payrig test", "stalled", None).ours(ours);
    let mut writer = RecordingWriter::start(Vec::new(), &header).unwrap();
    for entry in entries {
        writer.entry(entry).unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("stalled.recording.jsonl");
    std::fs::write(&path, writer.into_inner()).unwrap();
    found(&read_file(&path, &ReadOptions::default()).unwrap().entries)
}

/// Findings in words.
fn found(entries: &[Entry]) -> Vec<String> {
    let findings = entries.iter().filter_map(|entry| match entry {
        Entry::Finding(f) => Some(f.to_string()),
        _ => None,
    });
    let mut findings: Vec<String> = findings.collect();
    findings.sort_unstable();
    findings
}

fn rules(entries: &[Entry]) -> BTreeSet<String> {
    let findings = entries.iter().filter_map(|entry| match entry {
        Entry::Finding(f) => Some(f.rule.to_string()),
        _ => None,
    });
    findings.collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Wherever and for however long the driver did not look, nobody is accused, the stretch is in
    /// the log once, and it reaches to the last word that had piled up, over a bus reset among them too.
    #[test]
    fn a_stall_accuses_nobody(
        from in 200u64..1_200,
        length in 60u64..3_500,
        late in 0u64..45,
        reset in proptest::option::of(0u64..100),
    ) {
        let (from, length) = (Micros::ms(from), Micros::ms(length));
        // The thread of the port gets to read a little later than the driver wakes.
        let late = Micros::ms(late);
        let (limits, entries) = stalled(from, length, late, reset, true);
        prop_assert_eq!(limits, 0, "{:?}", rules(&entries));
        prop_assert_eq!(found_again(&entries), found(&entries));
        let slept: Vec<(Micros, Micros)> = entries
            .iter()
            .filter_map(|entry| match entry {
                Entry::Slept { from_us, to_us } => Some((*from_us, *to_us)),
                _ => None,
            })
            .collect();
        let piled = length.as_us() / PACE.as_us();
        let reset = reset.filter(|number| *number < piled);
        let held = reset.map_or(Micros::ZERO, |_| RESET);
        let read = from + length + late + WORD_TIME * (2 * piled) + held;
        prop_assert_eq!(slept, vec![(from, read)]);
        let said = entries.iter().any(|e| matches!(e, Entry::Finding(f) if f.rule == RuleName::Slept));
        prop_assert!(said, "and it is reported");
        let mut without = Link::new();
        without.polls(Micros::ms(30), Micros::secs(2));
        without.bench.finish_now();
        without.entries.extend(without.bench.take_entries());
        let mut usual = rules(&without.entries);
        usual.insert(RuleName::Slept.to_string());
        prop_assert_eq!(rules(&entries), usual, "nor is there advice that it gives rise to");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Where the link holds up what we say until the board has spoken again, and where a stall is not
    /// marked, there is much to be found; a recording of it says the same.
    #[test]
    fn a_link_that_holds_words_up_reads_as_it_ran(
        late in 0u64..120_000,
        from in 200u64..1_200,
        length in 0u64..1_500,
        reset in proptest::option::of(0u64..100),
    ) {
        let mut link = Link::new();
        link.ours_late = Micros(late);
        let from = Micros::ms(from);
        link.polls(Micros::ms(30), from);
        let read = link.nobody_looks((from, from + Micros::ms(length)), Micros::ZERO, reset, false);
        link.polls(read + PACE, read + Micros::secs(1));
        link.bench.finish_now();
        link.entries.extend(link.bench.take_entries());
        prop_assert_eq!(found_again(&link.entries), found(&link.entries));
    }
}

/// Not marked, the same stretch breaks limits: else the property above would hold of anything.
#[test]
fn an_unmarked_stall_would_be_held_against_the_board() {
    let (limits, entries) = stalled(Micros::ms(500), Micros::secs(1), Micros::ZERO, None, false);
    assert!(limits > 0, "{:?}", rules(&entries));
}
