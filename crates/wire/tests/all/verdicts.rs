//! What may be trusted: a recording judged again comes to the verdict of its run; what did not end
//! does not pass; what this tool did itself, or slept through, accuses nobody; noise does not pass.

use payrig_mdb::{Block, Word};
use payrig_units::{Micros, Money, Movement, Place};
use payrig_wire::analysis::{Analyst, Books, Tally, breach, slept};
use payrig_wire::reading::{ReadOptions, Reading, read_file};
use payrig_wire::recording::{Entry, Header, Ours, RecordingWriter, put_in_order, read_recording};
use payrig_wire::{
    BusEvent, Monitor, Origin, RuleName, Source, TimedWord, UNFINISHED_PAUSE, WORD_TIME,
};
use proptest::prelude::*;
use std::path::Path;

use Source::{Master, Peripheral};

fn header() -> Header {
    Header::new("payrig test", "break room, Harbour Loop", None)
}

/// Words one after another from `at`; the end of the last.
fn say(events: &mut Vec<BusEvent>, at: Micros, source: Source, words: &[Word]) -> Micros {
    let mut start = at;
    for word in words {
        let end = start + WORD_TIME;
        events.push(BusEvent::Word(TimedWord {
            start,
            end,
            source,
            word: *word,
            // As on a link that reports with each word how far it may be off.
            uncertainty: Micros(1 + (start.0 % 3) * 150),
        }));
        start = end;
    }
    start
}

/// POLLs of the changer every 100 ms from `at`, answered with ACK after so long each.
fn polls(events: &mut Vec<BusEvent>, mut at: Micros, answers_after: &[Micros]) -> Micros {
    let poll: Vec<Word> = Block::new(&[0x0B]).unwrap().master_words().collect();
    for after in answers_after {
        let end = say(events, at, Master, &poll);
        say(events, end + *after, Peripheral, &[Word::marked(0)]);
        at += Micros::ms(100);
    }
    at
}

/// Runs it as a bench does, and gives its log: blocks, findings, what else there is, the verdict.
fn run(
    ours: Option<Source>,
    events: &[BusEvent],
    asleep: &[(Micros, Micros)],
    more: &[Entry],
) -> Vec<Entry> {
    let mut analyst = Analyst::new().speaking_for(ours);
    let mut log = more.to_vec();
    for entry in more {
        if let Entry::Finding(finding) = entry {
            analyst.count(finding);
        }
    }
    let mut stretches = asleep.iter().peekable();
    for event in events {
        while let Some((from, to)) = stretches.next_if(|(from, _)| *from <= event.start()) {
            for entry in slept(*from, *to) {
                if let Entry::Finding(finding) = &entry {
                    analyst.count(finding);
                }
                log.push(entry);
            }
            analyst.slept(*from, *to);
        }
        log.extend(analyst.event(event));
    }
    let end = events.iter().map(BusEvent::end).max().unwrap_or_default() + Micros::secs(1);
    log.extend(analyst.finish(end));
    if let Some(silence) = Tally::of(&analyst, 0).silence(false, end) {
        analyst.count(&silence);
        log.push(Entry::Finding(silence));
    }
    put_in_order(&mut log);
    log.push(Tally::of(&analyst, 0).verdict(end));
    log
}

fn record(header: &Header, log: &[Entry]) -> Vec<u8> {
    let mut writer = RecordingWriter::start(Vec::new(), header).unwrap();
    for entry in log {
        writer.entry(entry).unwrap();
    }
    writer.into_inner()
}

fn read(bytes: &[u8]) -> Reading {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.recording.jsonl");
    std::fs::write(&path, bytes).unwrap();
    read_file(&path, &ReadOptions::default()).unwrap()
}

fn passed(log: &[Entry]) -> bool {
    let mut verdicts = log.iter().filter_map(|e| match e {
        Entry::Verdict { passed, .. } => Some(*passed),
        _ => None,
    });
    verdicts.next_back().unwrap()
}

/// Findings as they are written, in order.
fn findings(log: &[Entry]) -> Vec<String> {
    let findings = log.iter().filter_map(|e| match e {
        Entry::Finding(f) => Some(serde_json::to_string(f).unwrap()),
        _ => None,
    });
    findings.collect()
}

#[track_caller]
fn assert_reads_as_it_ran(header: &Header, log: &[Entry]) -> bool {
    let reading = read(&record(header, log));
    assert_eq!(findings(&reading.entries), findings(log));
    assert_eq!(reading.passed, passed(log));
    assert_eq!(passed(&reading.entries), passed(log));
    reading.passed
}

const LATE: Micros = Micros(7_000);
const WELL: Micros = Micros(2_000);

#[test]
fn whose_side_was_ours_decides_who_is_accused() {
    for (ours, passes) in [
        (None, false),
        (Some(Master), false),
        (Some(Peripheral), true),
    ] {
        let mut events = Vec::new();
        polls(&mut events, Micros::ms(10), &[WELL, LATE, WELL]);
        let header = header().ours(Ours::default().bus(ours));
        let log = run(ours, &events, &[], &[]);
        assert_eq!(assert_reads_as_it_ran(&header, &log), passes, "{ours:?}");
        assert!(findings(&log)[0].contains("\"response\""));
    }
}

#[test]
fn whose_side_of_a_bus_behind_a_bridge_was_ours_is_kept_too() {
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[WELL, LATE]);
    for (ours, passes) in [(Master, false), (Peripheral, true)] {
        let mut behind = run(Some(ours), &events, &[], &[]);
        let verdict = behind.pop().unwrap();
        behind
            .iter_mut()
            .for_each(|entry| entry.set_bus("old validator"));
        let mut board = Vec::new();
        polls(&mut board, Micros::ms(10), &[WELL]);
        let mut log = run(None, &board, &[], &[]);
        log.pop();
        log.extend(behind);
        log.push(verdict);
        let header = header().ours(Ours::default().bus_behind("old validator", ours));
        let reading = read(&record(&header, &log));
        assert_eq!(reading.passed, passes);
        assert_eq!(findings(&reading.entries), findings(&log));
    }
}

#[test]
fn an_amount_out_of_range_ends_run_and_read_alike() {
    let mut books = Books::new();
    let card = |d: &str| Movement {
        from: Place::Supply,
        to: Place::CardAccount(d.into()),
        amount: Money(i64::MAX),
        why: "two huge cards".into(),
    };
    books.book(Micros::ZERO, None, card("one")).unwrap();
    let error = books.book(Micros::ZERO, None, card("two")).unwrap_err();
    let text = error.to_string();
    let overflow = breach(RuleName::Money, Origin::Ledger, Micros::ZERO, text);
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[WELL; 3]);
    let log = run(None, &events, &[], &[Entry::Finding(overflow)]);
    assert!(!assert_reads_as_it_ran(&header(), &log));
    // As earlier versions wrote it.
    let old = String::from_utf8(record(&header(), &log)).unwrap();
    let old = old.replace("\"the ledger\"", "\"ledger\"");
    assert!(!read(old.as_bytes()).passed);
}

#[test]
fn a_recording_says_whose_it_was_and_when() {
    let ours = Ours::default()
        .bus(Master)
        .bus_behind("bridge", Peripheral)
        .line("old credit");
    let header = header().ours(ours).live("2026-11-29T03:00:00Z");
    let json = serde_json::to_value(&header).unwrap();
    assert_eq!(
        json["ours"],
        serde_json::json!({"bus": "master", "buses": {"bridge": "peripheral"}, "lines": ["old credit"]})
    );
    assert_eq!(
        (&json["live"], &json["started"]),
        (&true.into(), &"2026-11-29T03:00:00Z".into())
    );
    assert_eq!(serde_json::from_value::<Header>(json).unwrap(), header);
    // A simulated bench has no clock, and what earlier versions wrote is still a header.
    let simulated = serde_json::to_string(&Header::new("payrig 0.1.0", "a", Some(7))).unwrap();
    let old =
        r#"{"schema":"payrig-recording","version":1,"tool":"payrig 0.1.0","bench":"a","seed":7}"#;
    assert_eq!(simulated, old);
}

/// Every way in which a writer can be stopped: after any byte.
#[test]
fn a_run_that_did_not_end_does_not_pass_wherever_it_was_cut() {
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[WELL; 4]);
    let log = run(None, &events, &[], &[]);
    let whole = record(&header(), &log);
    assert!(read(&whole).passed);
    let first = whole.iter().position(|b| *b == b'\n').unwrap();
    for cut in first..whole.len() - 1 {
        let reading = read(&whole[..cut]);
        // The last line without its line break is whole all the same.
        let last_is_whole = cut == whole.len() - 1;
        assert_eq!(reading.passed, last_is_whole, "cut at {cut}");
        let says = |f: &&String| f.contains("this run did not end");
        assert_eq!(findings(&reading.entries).iter().filter(says).count(), 1);
    }
    // What has no end of its own is not waited for.
    let parts = record(&header().of_parts(), &log[..log.len() - 1]);
    assert!(read(&parts).passed);
}

#[test]
fn what_the_tool_slept_through_accuses_nobody() {
    let ms = Micros::ms;
    let mut events = Vec::new();
    let after = polls(&mut events, ms(10), &[WELL; 3]);
    // 3 s later what had piled up is read at once, so that its stamps mean nothing: the two sides
    // speak at the same time, with sums and mode bits astray.
    let from = after;
    let to = after + Micros::secs(3);
    for _ in 0..20 {
        say(
            &mut events,
            to - ms(40),
            Peripheral,
            &[Word::plain(0x0B); 3],
        );
        say(&mut events, to - ms(30), Master, &[Word::plain(0x01); 5]);
    }
    polls(&mut events, to + ms(30), &[WELL; 3]);
    events.sort_by_key(BusEvent::start);
    let accused = run(None, &events, &[], &[]);
    assert!(!assert_reads_as_it_ran(&header(), &accused));
    let log = run(None, &events, &[(from, to)], &[]);
    assert!(assert_reads_as_it_ran(&header(), &log));
    let found = findings(&log);
    assert!(!found.iter().any(|f| f.contains("\"limit\"")), "{found:?}");
    let said = &found[0];
    assert!(said.contains("did not look for 3.000000 s"), "{said}");
    // What is wrong outside of it still counts.
    let before = (from - ms(250), from - ms(150));
    assert!(!assert_reads_as_it_ran(
        &header(),
        &run(None, &events, &[before], &[])
    ));
}

#[test]
fn a_command_before_the_stretch_is_not_answered_late_after_it() {
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[Micros::ms(900)]);
    polls(&mut events, Micros::ms(1_100), &[WELL]);
    assert!(!passed(&run(None, &events, &[], &[])));
    let (from, to) = (Micros::ms(20), Micros::ms(900));
    assert!(assert_reads_as_it_ran(
        &header(),
        &run(None, &events, &[(from, to)], &[])
    ));
}

#[test]
fn noise_does_not_pass() {
    // 6 s of random bytes without a pause: an odd generator is random enough.
    let mut state = 0x2545_F491_4F6C_DD1Du64;
    let mut noise = |n: usize| -> Vec<Word> {
        let mut next = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            Word::from_bits((state >> 20) as u16 & 0x1FF)
        };
        (0..n).map(|_| next()).collect()
    };
    for words in [noise(5_235), noise(37), noise(20), vec![Word::marked(0x0B)]] {
        for source in [Master, Peripheral] {
            let mut events = Vec::new();
            say(&mut events, Micros::ms(10), source, &words);
            let log = run(None, &events, &[], &[]);
            assert!(
                !assert_reads_as_it_ran(&header(), &log),
                "{} {source:?}",
                words.len()
            );
        }
    }
    let garbled = [BusEvent::Garbled {
        start: Micros(5),
        end: Micros(900),
        source: Master,
    }];
    assert!(!passed(&run(None, &garbled, &[], &[])));
}

/// A bench that ends in the middle of noise: an over-long block is never "cut".
#[test]
fn an_over_long_block_counts_though_the_bench_ends_in_it() {
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[WELL; 3]);
    let at = Micros::secs(1);
    let end = say(&mut events, at, Master, &[Word::plain(0x55); 60]);
    let mut monitor = Monitor::new();
    for event in &events {
        monitor.push(event);
    }
    monitor.finish(end);
    assert_eq!(monitor.limits_broken(), 3, "length, sum and mode bit");
}

#[test]
fn words_that_come_late_are_put_together_by_their_own_times() {
    let poll: Vec<Word> = Block::new(&[0x0B]).unwrap().master_words().collect();
    let mut events = Vec::new();
    say(&mut events, Micros::ms(10), Master, &poll);
    let blocks = |patience: Micros| {
        let mut monitor = Monitor::new().patient(patience);
        let mut blocks = monitor.push(&events[0]).blocks;
        // The machine was busy: the second word is read 50 ms after it was on the wire.
        blocks.extend(monitor.idle(events[0].end() + Micros::ms(50)).blocks);
        blocks.extend(monitor.push(&events[1]).blocks);
        blocks.extend(monitor.finish(Micros::secs(1)).blocks);
        blocks.len()
    };
    assert_eq!(blocks(Micros::ms(100)), 1);
    assert_eq!(
        blocks(Micros::ZERO),
        2,
        "else there would be nothing to be patient for"
    );
    let monitor = Monitor::new().patient(Micros::ms(100));
    assert_eq!(monitor.next_deadline(), Micros::NEVER);
}

fn some_events() -> impl Strategy<Value = Vec<BusEvent>> {
    let one = (1u64..30_000, any::<bool>(), 0u16..0x200, 1usize..6, 0u8..12);
    proptest::collection::vec(one, 1..40).prop_map(|all| {
        let (mut at, mut events) = (Micros(1), Vec::new());
        for (gap, master, bits, count, kind) in all {
            let source = if master { Master } else { Peripheral };
            let start = at + Micros(gap);
            at = match kind {
                0 => {
                    let end = start + Micros::ms(110);
                    let uncertainty = Micros(1);
                    events.push(BusEvent::Break {
                        start,
                        end,
                        source,
                        uncertainty,
                    });
                    end
                }
                1 => {
                    let end = start + WORD_TIME;
                    events.push(BusEvent::Garbled { start, end, source });
                    end
                }
                2..6 => {
                    let block = Block::new(&[if master { 0x0B } else { bits as u8 }]).unwrap();
                    let words: Vec<Word> = match source {
                        Master => block.master_words().collect(),
                        Peripheral => block.peripheral_words().collect(),
                    };
                    say(&mut events, start, source, &words)
                }
                _ => say(
                    &mut events,
                    start,
                    source,
                    &vec![Word::from_bits(bits); count],
                ),
            };
        }
        events
    })
}

proptest! {
    /// Whatever was on the bus, and whoever spoke for whom.
    #[test]
    fn any_bus_reads_as_it_ran(events in some_events(), ours in 0u8..3, slept_at in 0u64..600_000, slept_for in 0u64..400_000) {
        let ours = [None, Some(Master), Some(Peripheral)][usize::from(ours)];
        let header = header().ours(Ours::default().bus(ours));
        let log = run(ours, &events, &[], &[]);
        assert_reads_as_it_ran(&header, &log);
        let stretch = (Micros(slept_at), Micros(slept_at + slept_for));
        let log = run(ours, &events, &[stretch], &[]);
        assert_reads_as_it_ran(&header, &log);
    }

    /// On a real link each side's words come in their order, but one side may be known later than the
    /// other, and then both seem to speak at once.
    #[test]
    fn a_link_that_holds_one_side_up_reads_as_it_ran(
        events in some_events(),
        ours in 0u8..3,
        by in 0u64..40_000,
        later in proptest::collection::vec(0u64..100_000, 1..40),
    ) {
        let ours = [None, Some(Master), Some(Peripheral)][usize::from(ours)];
        let header = header().ours(Ours::default().bus(ours));
        // The master's words are moved into those of the peripheral.
        let mut known = Vec::new();
        let mut known_by_side = [Micros::ZERO; 2];
        for (i, event) in events.iter().enumerate() {
            let side = usize::from(event.source() == Master);
            let mut event = *event;
            if let (1, BusEvent::Word(TimedWord { start, end, .. })
                | BusEvent::Garbled { start, end, .. }
                | BusEvent::Break { start, end, .. }) = (side, &mut event)
            {
                (*start, *end) = (*start + Micros(by), *end + Micros(by));
            }
            let at = (event.end() + Micros(later[i % later.len()])).max(known_by_side[side]);
            known_by_side[side] = at;
            known.push((at, event));
        }
        known.sort_by_key(|(at, _)| *at);
        let events: Vec<BusEvent> = known.into_iter().map(|(_, event)| event).collect();
        let log = run(ours, &events, &[], &[]);
        assert_reads_as_it_ran(&header, &log);
        let read = read_recording("x", &record(&header, &log)).unwrap();
        prop_assert_eq!(read.events(), events);
    }

    /// A stretch takes findings away and adds none, and none that is left lies in it.
    #[test]
    fn a_stretch_accuses_nobody(events in some_events(), from in 0u64..600_000, length in 0u64..400_000) {
        let (from, to) = (Micros(from), Micros(from + length));
        let watch = |asleep: bool| {
            let mut monitor = Monitor::new();
            if asleep {
                monitor.slept(from, to);
            }
            let mut found = Vec::new();
            for event in &events {
                found.extend(monitor.push(event).findings);
            }
            found.extend(monitor.finish(Micros::secs(100)).findings);
            found.retain(|f| f.is_limit());
            found
        };
        let (all, left) = (watch(false), watch(true));
        for finding in left {
            prop_assert!(all.contains(&finding), "{finding}");
            let of_a_block = finding.at + UNFINISHED_PAUSE;
            prop_assert!(finding.at > to || of_a_block < from || !(from..=to).contains(&finding.at), "{finding}");
        }
    }
}

#[cfg(unix)]
#[test]
fn files_without_end_or_with_holes_are_refused_in_bounded_memory() {
    let folder = tempfile::tempdir().unwrap();
    let options = ReadOptions::default();
    for name in ["hole.csv", "hole.vcd", "hole.recording.jsonl", "hole.bin"] {
        let path = folder.path().join(name);
        let file = std::fs::File::create(&path).unwrap();
        file.set_len(1 << 30).unwrap();
        let error = read_file(&path, &options).unwrap_err().to_string();
        assert!(error.contains(name), "{error}");
        let link = folder.path().join(format!("zero.{name}"));
        std::os::unix::fs::symlink("/dev/zero", &link).unwrap();
        let error = read_file(&link, &options).unwrap_err().to_string();
        assert!(error.contains("zero."), "{error}");
    }
    let error = read_file(Path::new("/dev/zero"), &options).unwrap_err();
    assert!(error.to_string().contains("not a known kind"), "{error}");
}

#[cfg(unix)]
#[test]
fn a_pipe_is_read_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pipe");
    let made = std::process::Command::new("mkfifo").arg(&path).status();
    assert!(made.unwrap().success());
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[WELL; 3]);
    let recording = record(&header(), &run(None, &events, &[], &[]));
    let capture = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../captures/clean-1.vcd");
    for content in [recording, std::fs::read(capture).unwrap()] {
        let to = path.clone();
        let writer = std::thread::spawn(move || std::fs::write(to, content).unwrap());
        assert!(read_file(&path, &ReadOptions::default()).unwrap().passed);
        writer.join().unwrap();
    }
}
