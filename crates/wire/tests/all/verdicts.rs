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
    let header = Header::new("payrig 0.1.0", "a", Some(7));
    let simulated = serde_json::to_string(&header).unwrap();
    let fields = r#""tool":"payrig 0.1.0","bench":"a","seed":7}"#;
    let now = format!(r#"{{"type":"header","schema":"payrig-recording","version":2,{fields}"#);
    assert_eq!(simulated, now);
    let old = format!(r#"{{"schema":"payrig-recording","version":1,{fields}"#);
    let read: Header = serde_json::from_str(&old).unwrap();
    assert_eq!(
        (read.version, &read.bench, read.seed),
        (1, &header.bench, Some(7))
    );
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

/// Two commands are given up, and their answers come late and in one, with a third's, which is well. That the
/// tool slept through a command, or through both, accuses nobody who is not accused otherwise.
#[test]
fn answers_that_run_together_accuse_nobody_though_their_commands_were_slept_through() {
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[WELL, WELL]);
    for at in [300, 330] {
        say(&mut events, Micros::ms(at), Master, &POLL);
    }
    let end = say(&mut events, Micros::ms(360), Master, &POLL);
    let said = [
        Word::marked(0),
        Word::plain(3),
        Word::marked(3),
        Word::marked(0),
    ];
    say(&mut events, end + WELL, Peripheral, &said);
    polls(&mut events, Micros::ms(700), &[WELL, WELL]);
    let end = |from: u64, to: u64| vec![(Micros::ms(from), Micros::ms(to))];
    for asleep in [vec![], end(290, 310), end(290, 350), end(320, 350)] {
        let log = run(Some(Master), &events, &asleep, &[]);
        assert!(passed(&log), "{asleep:?}: {:#?}", findings(&log));
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

/// Words one after another from `at`, each so long after the one before it.
fn words_of(at: u64, pause: u64, source: Source, words: &[Word]) -> Vec<BusEvent> {
    let mut events = Vec::new();
    for (number, word) in words.iter().enumerate() {
        let start = at + number as u64 * (WORD_TIME.as_us() + pause);
        say(&mut events, Micros(start), source, &[*word]);
    }
    events
}

/// What was said on both lines, in the order in which each word ended, as a bench hears it; before that and
/// after it all is well.
fn both(first: Vec<BusEvent>, second: Vec<BusEvent>) -> Vec<BusEvent> {
    let mut events = Vec::new();
    polls(&mut events, Micros::ms(10), &[WELL, WELL]);
    let mut said = [first, second].concat();
    said.sort_by_key(BusEvent::end);
    events.extend(said);
    polls(&mut events, Micros::ms(700), &[WELL, WELL]);
    events
}

const SPOKEN_AT: u64 = 500_000;

fn data(length: u8) -> Vec<Word> {
    let data: Vec<u8> = (1..length).collect();
    Block::new(&data).unwrap().peripheral_words().collect()
}

/// Whether it passes, the same when its recording is read; what was accused, and how often it is said that
/// this tool spoke too soon.
fn judged(ours: Option<Source>, events: &[BusEvent]) -> (bool, Vec<String>, usize) {
    let mut header = header();
    header.ours.bus = ours;
    let log = run(ours, events, &[], &[]);
    let passes = assert_reads_as_it_ran(&header, &log);
    let (mut accused, mut spoke_over) = (Vec::new(), 0);
    for entry in &log {
        if let Entry::Finding(finding) = entry {
            spoke_over += usize::from(finding.rule == RuleName::SpokeOver);
            if finding.is_limit() {
                accused.push(finding.to_string());
            }
        }
    }
    (passes, accused, spoke_over)
}

const POLL: [Word; 2] = [Word::marked(0x0B), Word::plain(0x0B)];
const RETRANSMIT: [Word; 1] = [Word::plain(0xAA)];

proptest! {
    /// Wherever in their block our words begin, whatever they are: nobody is accused. On a bus that is only
    /// watched, nobody is spared.
    #[test]
    fn a_block_that_this_tool_spoke_into_accuses_nobody(
        length in 3u8..=36, into in 0u64..1_000, pause in prop_oneof![Just(0), 1u64..1_000],
        ours_first in 1usize..=2, device_is_ours: bool, goes_on: bool,
    ) {
        let word = WORD_TIME.as_us() + pause;
        let (theirs, ours, said, told): (_, _, Vec<Word>, Vec<Word>) = match device_is_ours {
            // Our answer, meant for a command before it, into a command of 19 bytes.
            true => {
                let command: Vec<u8> = [0x17, 0x00].into_iter().chain(1..=length).collect();
                let command = Block::new(&command[..command.len().min(19)]).unwrap();
                let command = command.master_words().collect();
                (Master, Peripheral, command, [Word::plain(6), Word::marked(6)][2 - ours_first..].to_vec())
            }
            false => {
                let ours = if ours_first == 1 { RETRANSMIT.to_vec() } else { POLL.to_vec() };
                (Peripheral, Master, data(length), ours)
            }
        };
        // Before its last word begins, so that what was heard of it has not ended.
        let at = SPOKEN_AT + 1 + into * (word * (said.len() as u64 - 1) - pause - 1) / 1_000;
        let cut_off = 1 + (at - SPOKEN_AT) as usize / word as usize;
        let said = if goes_on { said } else { said[..cut_off.min(said.len() - 1)].to_vec() };
        let events = both(
            words_of(SPOKEN_AT, pause, theirs, &said),
            words_of(at, 0, ours, &told),
        );
        let (passes, accused, spoke_over) = judged(Some(ours), &events);
        prop_assert!(passes && spoke_over == 1, "{spoke_over}: {accused:#?}");
        prop_assert!(!judged(None, &events).0);
    }
}

/// A RET that this tool meant for a block that it took for broken comes into the block, and the other side
/// answers it after what it was saying, so soon that both seem one block: its mode bit within it, too long, with
/// too long a pause.
#[test]
fn what_answers_a_ret_that_was_spoken_into_a_block_accuses_nobody() {
    for (length, after) in [28, 36]
        .into_iter()
        .flat_map(|l| (0..5_000).step_by(150).map(move |a| (l, a)))
    {
        let before = u64::from(length) * WORD_TIME.as_us();
        let ret = words_of(SPOKEN_AT + before - 5_000, 0, Master, &RETRANSMIT);
        let answer = words_of(SPOKEN_AT + before + after, 0, Peripheral, &data(length));
        let theirs = [words_of(SPOKEN_AT, 0, Peripheral, &data(length)), answer].concat();
        let (passes, accused, spoke_over) = judged(Some(Master), &both(theirs, ret));
        assert_eq!(
            (passes, spoke_over),
            (true, 1),
            "{length}, {after}: {accused:#?}"
        );
    }
}

/// A side that gave this tool reason to speak, and a master that speaks into our block, are accused as ever.
#[test]
fn whoever_ends_a_block_badly_or_speaks_into_ours_is_accused() {
    let word = WORD_TIME.as_us();
    let marked_early: Vec<Word> = {
        let mut words = data(8);
        words[2].mode = true;
        words
    };
    let unmarked = |length: u8| -> Vec<Word> {
        let words = data(length).into_iter();
        words
            .map(|word| Word {
                mode: false,
                ..word
            })
            .collect()
    };
    let too_long: Vec<Word> = (0..38).map(Word::plain).collect();
    let mut wrong_sum = data(8);
    wrong_sum[7].byte ^= 1;
    for (ours, said, at) in [
        // It seemed to have ended with the third word; our ACK comes into the fourth.
        (Master, marked_early, 3 * word + 600),
        // It never says that it ends: given up after 6 ms, or after more bytes than there may be.
        (Master, unmarked(8), 8 * word + 6_000),
        (Master, too_long, 38 * word + 600),
        (Master, wrong_sum, 8 * word + 600),
    ] {
        let reply = words_of(SPOKEN_AT + at, 0, ours, &RETRANSMIT);
        let events = both(words_of(SPOKEN_AT, 0, Peripheral, &said), reply);
        let (passes, accused, spoke_over) = judged(Some(ours), &events);
        assert_eq!((passes, spoke_over), (false, 0), "{said:?}: {accused:#?}");
        let theirs = |text: &String| text.contains("checksum") || text.contains("mode-bit");
        assert!(accused.iter().any(theirs), "{accused:#?}");
    }
    // A master outside that gives its next command while ours is still answering.
    for at in (word / 2..9 * word).step_by(400) {
        let command = words_of(SPOKEN_AT + at, 0, Master, &POLL);
        let events = both(words_of(SPOKEN_AT, 0, Peripheral, &data(12)), command);
        let (passes, accused, spoke_over) = judged(Some(Peripheral), &events);
        assert_eq!((passes, spoke_over), (false, 0), "{at}: {accused:#?}");
        assert!(
            accused.iter().all(|text| text.contains("(master)")),
            "{accused:#?}"
        );
    }
}
