//! Every rule, on both sides of its limit. Sections are those of MDB/ICP 4.3.

use payrig_mdb::{Block, PeripheralFrame, Word};
use payrig_units::Micros;
use payrig_wire::analysis::Analyst;
use payrig_wire::recording::Entry;
use payrig_wire::rules::{Certainty, RULES};
use payrig_wire::uart::{BusLines, IdleLevel, capture_of_bus, decode_bus};
use payrig_wire::{BusEvent, Finding, Monitor, Source, TimedWord, WORD_TIME};
use std::collections::BTreeSet;

/// A bus on which a test says what is sent and when.
#[derive(Clone)]
struct Bus {
    now: Micros,
    uncertainty: Micros,
    events: Vec<BusEvent>,
}

impl Bus {
    fn new() -> Self {
        Self {
            now: Micros::secs(1),
            uncertainty: Micros(1),
            events: Vec::new(),
        }
    }

    fn uncertain(us: u64) -> Self {
        Self {
            uncertainty: Micros(us),
            ..Self::new()
        }
    }

    fn wait(mut self, us: u64) -> Self {
        self.now += Micros(us);
        self
    }

    fn words(mut self, source: Source, words: &[Word], gap: u64) -> Self {
        for (i, word) in words.iter().enumerate() {
            if i > 0 {
                self.now += Micros(gap);
            }
            let start = self.now;
            self.now += WORD_TIME;
            self.events.push(BusEvent::Word(TimedWord {
                start,
                end: self.now,
                source,
                word: *word,
                uncertainty: self.uncertainty,
            }));
        }
        self
    }

    fn command(self, bytes: &[u8]) -> Self {
        let words: Vec<Word> = Block::new(bytes).unwrap().master_words().collect();
        self.words(Source::Master, &words, 50)
    }

    /// The VMC's ACK, NAK or RET, or anything else without mode bit.
    fn master(self, byte: u8) -> Self {
        self.words(Source::Master, &[Word::plain(byte)], 0)
    }

    fn data(self, bytes: &[u8]) -> Self {
        let frame = PeripheralFrame::Data(Block::new(bytes).unwrap());
        self.words(Source::Peripheral, &frame.words(), 50)
    }

    fn ack(self) -> Self {
        self.words(Source::Peripheral, &PeripheralFrame::Ack.words(), 0)
    }

    fn line_break(mut self, length: Micros) -> Self {
        let start = self.now;
        self.now += length;
        self.events.push(BusEvent::Break {
            start,
            end: self.now,
            source: Source::Master,
            uncertainty: self.uncertainty,
        });
        self
    }

    fn garbled(mut self, source: Source) -> Self {
        let start = self.now;
        self.now += Micros(1_300);
        self.events.push(BusEvent::Garbled {
            start,
            end: self.now,
            source,
        });
        self
    }

    fn findings(&self) -> Vec<Finding> {
        let mut monitor = Monitor::new();
        let mut found = Vec::new();
        for event in &self.events {
            found.extend(monitor.push(event).findings);
        }
        found.extend(monitor.finish(self.now + Micros::secs(1)).findings);
        found
    }

    fn limits(&self) -> Vec<Finding> {
        let mut found = self.findings();
        found.retain(Finding::is_limit);
        found
    }

    fn only_limit(&self) -> Finding {
        let limits = self.limits();
        assert_eq!(limits.len(), 1, "{limits:?}");
        limits[0].clone()
    }

    fn advice(&self, rule: &str) -> Finding {
        assert_eq!(self.limits(), [], "wanted advice only");
        let found = self.findings();
        let wanted = found.iter().find(|f| f.rule == rule);
        wanted
            .unwrap_or_else(|| panic!("no {rule} in {found:?}"))
            .clone()
    }
}

const POLL: &[u8] = &[0x0B];

/// Section 2.5, examples A to D: none of them is a fault.
#[test]
fn the_sessions_of_the_standard_are_clean() {
    let sessions = Bus::new()
        .command(POLL)
        .wait(1_000)
        .ack()
        .wait(50_000)
        .command(POLL)
        .wait(1_000)
        .data(&[0x02])
        .wait(500)
        .master(0x00)
        .wait(50_000)
        .command(&[0x0C, 0x00, 0x0F, 0x00, 0x07])
        .wait(1_000)
        .ack()
        .wait(50_000)
        .command(POLL)
        .wait(1_000)
        .data(&[0x02, 0x03])
        .wait(500)
        .master(0xAA)
        .wait(1_000)
        .data(&[0x02, 0x03])
        .wait(500)
        .master(0x00);
    assert_eq!(sessions.findings(), []);
}

#[test]
fn inter_byte_is_at_most_1_ms() {
    let with_gap = |gap| {
        let words: Vec<Word> = Block::new(&[0x0F, 0x00]).unwrap().master_words().collect();
        Bus::new()
            .words(Source::Master, &words, gap)
            .wait(900)
            .ack()
    };
    assert_eq!(with_gap(790).findings(), []);
    let found = with_gap(990).advice("inter-byte-margin");
    assert_eq!(found.measured, Some(Micros(990)));
    let found = with_gap(1_400).only_limit();
    assert_eq!(
        (found.rule.as_ref(), found.origin.as_ref()),
        ("inter-byte", "3.2")
    );
    assert_eq!(
        (found.at, found.measured),
        (Micros::secs(1), Some(Micros(1_400)))
    );
    assert_eq!(found.tolerant_peer_copes, Some(true));
    assert_eq!(
        with_gap(6_000).only_limit().tolerant_peer_copes,
        Some(false)
    );
}

#[test]
fn both_sides_answer_within_5_ms() {
    let peripheral = |after| Bus::new().command(POLL).wait(after).ack();
    assert_eq!(peripheral(3_900).findings(), []);
    assert_eq!(
        peripheral(4_900)
            .advice("response-margin")
            .who
            .unwrap()
            .to_string(),
        "changer"
    );
    let late = peripheral(6_735).only_limit();
    assert_eq!((late.rule.as_ref(), late.at), ("response", Micros::secs(1)));
    assert_eq!(
        (late.measured, late.who),
        (Some(Micros(6_735)), Some("changer".into()))
    );
    assert_eq!(late.tolerant_peer_copes, Some(true));
    assert_eq!(
        peripheral(21_000).only_limit().tolerant_peer_copes,
        Some(false)
    );

    let master = |after| {
        Bus::new()
            .command(POLL)
            .wait(900)
            .data(&[2])
            .wait(after)
            .master(0)
    };
    assert_eq!(master(3_900).findings(), []);
    let late = master(5_500).only_limit();
    let data_start = Micros::secs(1) + WORD_TIME * 2 + Micros(50 + 900);
    assert_eq!((late.rule.as_ref(), late.at), ("response", data_start));
    assert_eq!(late.who.map(|w| w.to_string()).as_deref(), Some("master"));

    let again = Bus::new()
        .command(POLL)
        .wait(900)
        .data(&[2])
        .wait(900)
        .master(0xAA);
    let late = again
        .wait(7_000)
        .data(&[2])
        .wait(900)
        .master(0)
        .only_limit();
    assert_eq!(late.measured, Some(Micros(7_000)));
}

#[test]
fn silence_is_no_breach() {
    let bus = Bus::new()
        .command(POLL)
        .wait(8_000)
        .command(POLL)
        .wait(900)
        .ack();
    assert_eq!(
        bus.advice("silent").who.map(|w| w.to_string()).as_deref(),
        Some("changer")
    );
    let bus = Bus::new().command(POLL).wait(900).data(&[2]).wait(9_000);
    let bus = bus.command(POLL).wait(900).data(&[2]).wait(500).master(0);
    assert_eq!(
        bus.advice("unacknowledged")
            .who
            .map(|w| w.to_string())
            .as_deref(),
        Some("master")
    );
}

#[test]
fn what_nobody_asked_for_is_reported() {
    let bus = Bus::new()
        .command(POLL)
        .wait(900)
        .ack()
        .wait(30_000)
        .data(&[2]);
    bus.advice("unasked");
    let bus = Bus::new().command(POLL).wait(900).ack().wait(900).master(0);
    assert_eq!(
        bus.advice("unasked").who.map(|w| w.to_string()).as_deref(),
        Some("master")
    );
    let mut bus = Bus::new().command(POLL);
    bus.now = bus.now - Micros(500);
    bus.ack().advice("collision");
    let nak = [Word::marked(0xFF)];
    Bus::new()
        .command(POLL)
        .wait(900)
        .words(Source::Peripheral, &nak, 0)
        .advice("nak");
}

#[test]
fn a_wrong_sum_is_a_checksum_fault_on_either_side() {
    let wrong = [Word::marked(0x0B), Word::plain(0x0C)];
    let found = Bus::new().words(Source::Master, &wrong, 50).only_limit();
    assert_eq!(
        (found.rule.as_ref(), found.origin.as_ref()),
        ("checksum", "2.2")
    );
    let wrong = [Word::plain(0x02), Word::plain(0x03), Word::marked(0x06)];
    let bus = Bus::new()
        .command(POLL)
        .wait(900)
        .words(Source::Peripheral, &wrong, 50);
    assert_eq!(bus.only_limit().rule, "checksum");
    for lone in [0x05, 0xAA] {
        let word = [Word::marked(lone)];
        let bus = Bus::new()
            .command(POLL)
            .wait(900)
            .words(Source::Peripheral, &word, 0);
        assert_eq!(bus.only_limit().rule, "checksum");
    }
    let cut_off = Bus::new().words(Source::Master, &[Word::marked(0x0B)], 0);
    assert_eq!(cut_off.only_limit().rule, "checksum");
    let odd = Bus::new()
        .command(POLL)
        .wait(900)
        .data(&[2])
        .wait(900)
        .master(0x01);
    assert_eq!(odd.only_limit().rule, "checksum");
}

#[test]
fn misplaced_mode_bits_keep_the_block_whole() {
    let w = |bits: &[(u8, bool)]| -> Vec<Word> {
        bits.iter()
            .map(|(byte, mode)| Word {
                byte: *byte,
                mode: *mode,
            })
            .collect()
    };
    for (source, words) in [
        // No address byte.
        (Source::Master, w(&[(0x0B, false), (0x0B, false)])),
        // A second one in the middle of a block.
        (
            Source::Master,
            w(&[
                (0x0C, true),
                (0x00, false),
                (0x0F, true),
                (0x00, false),
                (0x07, false),
                (0x22, false),
            ]),
        ),
        // No last byte.
        (Source::Peripheral, w(&[(0x02, false), (0x02, false)])),
        (Source::Peripheral, w(&[(0x00, false)])),
        // Two last bytes.
        (
            Source::Peripheral,
            w(&[(0x02, false), (0x03, true), (0x05, true)]),
        ),
    ] {
        let bus = Bus::new().command(POLL).wait(900);
        let bus = match source {
            Source::Master => Bus::new().command(POLL).wait(900).ack().wait(9_000),
            Source::Peripheral => bus,
        };
        let at = bus.now;
        let bus = bus.words(source, &words, 100).wait(900);
        let found = bus.only_limit();
        assert_eq!(
            (found.rule.as_ref(), found.at),
            ("mode-bit", at),
            "{words:?}"
        );
        assert_eq!(found.origin, "2.1");
    }
}

/// A device that was given up answers late, into the answer of the next: each is whole, and the next is not
/// to blame. More answers than are owed, or bytes that are no answers, are held to their mode bits.
#[test]
fn answers_that_run_together_accuse_nobody_of_mode_bits() {
    let ack = || PeripheralFrame::Ack.words().to_vec();
    let data = |bytes: &[u8]| {
        PeripheralFrame::Data(Block::new(bytes).unwrap())
            .words()
            .to_vec()
    };
    let answered = |given_up: usize, words: Vec<Word>| {
        let mut bus = Bus::new().command(&[0x33]).wait(900).ack().wait(9_000);
        for _ in 0..given_up {
            bus = bus.command(&[0x12]).wait(25_000);
        }
        let bus = bus
            .command(POLL)
            .wait(900)
            .words(Source::Peripheral, &words, 100);
        bus.wait(900).master(0).wait(9_000)
    };
    let rules = |bus: &Bus| {
        let limits = bus.findings().into_iter().filter(|f| f.is_limit());
        limits.map(|f| f.rule.to_string()).collect::<Vec<_>>()
    };
    for (given_up, words) in [
        (1, [ack(), ack()].concat()),
        (1, [ack(), data(&[0x50, 0x14])].concat()),
        (1, [data(&[0x0B]), data(&[0x50, 0x14])].concat()),
        (5, [ack(), ack(), ack(), ack(), ack(), ack()].concat()),
    ] {
        assert_eq!(
            rules(&answered(given_up, words.clone())),
            [""; 0],
            "{words:?}"
        );
        // Nothing is owed.
        assert!(
            rules(&answered(0, words.clone())).contains(&"mode-bit".to_owned()),
            "{words:?}"
        );
        assert!(given_up < 2 || !rules(&answered(given_up - 1, words)).is_empty());
    }
    // Every byte marked: no answers by themselves.
    let every: Vec<Word> = data(&[0x50, 0x14])
        .iter()
        .map(|w| Word::marked(w.byte))
        .collect();
    assert_eq!(rules(&answered(3, every)), ["mode-bit"]);
}

#[test]
fn a_block_has_at_most_36_bytes() {
    let block = |data: usize| {
        let mut words = vec![Word::marked(0x0F), Word::plain(0xFF)];
        words.extend(std::iter::repeat_n(Word::plain(1), data));
        let sum = words.iter().fold(0u8, |sum, w| sum.wrapping_add(w.byte));
        words.push(Word::plain(sum));
        Bus::new().words(Source::Master, &words, 60).wait(900).ack()
    };
    assert_eq!(block(33).findings(), []);
    assert_eq!(block(34).only_limit().rule, "block-length");
    assert_eq!(block(60).only_limit().rule, "block-length");
}

#[test]
fn a_reset_lasts_100_ms_and_is_followed_by_200_ms_of_rest() {
    let reset = |length: u64, rest: u64| {
        let bus = Bus::new().command(POLL).wait(900).ack().wait(9_000);
        bus.line_break(Micros(length))
            .wait(rest)
            .command(POLL)
            .wait(900)
            .ack()
    };
    assert_eq!(reset(100_010, 200_010).findings(), []);
    let short = reset(80_686, 300_000).only_limit();
    assert_eq!(
        (short.rule.as_ref(), short.measured),
        ("break", Some(Micros(80_686)))
    );
    let hasty = reset(130_000, 123_335).only_limit();
    assert_eq!(
        (hasty.rule.as_ref(), hasty.measured),
        ("setup", Some(Micros(123_335)))
    );
    assert_eq!(hasty.tolerant_peer_copes, Some(false));
    // Too short to be a reset: no rest is owed.
    assert_eq!(reset(50_000, 10_000).only_limit().rule, "break");
}

#[test]
fn a_coarse_link_says_that_it_cannot_tell() {
    let bus = Bus::uncertain(2_000).command(POLL).wait(6_000).ack();
    let found = bus.advice("too-close-to-tell");
    assert_eq!(found.certainty, Certainty::CannotTell);
    assert!(found.text.contains("\"response\""), "{}", found.text);
    let surely = Bus::uncertain(2_000).command(POLL).wait(10_000).ack();
    assert_eq!(surely.only_limit().uncertainty, Some(Micros(4_000)));
}

/// Marked parity reports a break but not its length: its uncertainty is its whole length.
#[test]
fn a_break_of_unknown_length_is_not_judged() {
    let length = Micros::ms(100);
    let mut bus = Bus::new().line_break(length);
    if let Some(BusEvent::Break { uncertainty, .. }) = bus.events.last_mut() {
        *uncertainty = length;
    }
    let found = bus.wait(300_000).command(POLL).wait(900).ack();
    let told = found.advice("too-close-to-tell");
    assert_eq!(told.certainty, Certainty::CannotTell);
    assert!(
        told.text
            .contains("a length that this link does not report"),
        "{}",
        told.text
    );
    assert!(!found.findings().iter().any(Finding::is_limit));
}

#[test]
fn garbled_words_are_reported_once() {
    let bus = Bus::new()
        .garbled(Source::Master)
        .wait(50)
        .master(0x0B)
        .wait(900)
        .ack();
    assert_eq!(bus.only_limit().rule, "word-format");
    let mut noisy = Bus::new();
    for _ in 0..100 {
        noisy = noisy.garbled(Source::Master).wait(5_000);
    }
    assert_eq!(noisy.limits().len(), 21);
}

#[test]
fn what_the_end_of_a_capture_cuts_is_not_judged() {
    let bus = Bus::new().command(&[0x0C, 0x00, 0x0F, 0x00, 0x07]);
    let mut monitor = Monitor::new();
    for event in &bus.events[..3] {
        assert!(monitor.push(event).findings.is_empty());
    }
    let seen = monitor.finish(bus.events[2].end() + Micros(100));
    assert_eq!(seen.blocks.len(), 1);
    let rules: Vec<_> = seen.findings.iter().map(|f| f.rule.as_ref()).collect();
    assert_eq!(rules, ["cut"]);

    // The same at the start.
    let mut monitor = Monitor::of_capture(bus.events[2].start() - Micros(40));
    let mut found = Vec::new();
    for event in &bus.events[2..] {
        found.extend(monitor.push(event).findings);
    }
    found.extend(monitor.finish(bus.now + Micros::secs(1)).findings);
    assert!(found.iter().all(|f| !f.is_limit()), "{found:?}");
}

/// A rule that nothing can break is not a rule: one bad bus breaks them all.
#[test]
fn every_rule_can_be_broken() {
    let mut bus = Bus::new();
    for _ in 0..8 {
        bus = bus.command(POLL).wait(900).ack().wait(9_000);
    }
    let two = |a: u8, b: u8| [Word::marked(a), Word::plain(b)];
    let mut too_long = [Word::plain(0x0F); 40];
    too_long[0] = Word::marked(0x0F);
    let bus = bus
        .wait(300_000)
        .words(Source::Master, &two(0x0B, 0x0B), 900)
        .wait(4_500)
        .ack()
        .wait(9_000)
        .words(Source::Master, &two(0x0B, 0x0B), 1_300)
        .wait(6_000)
        .ack()
        .wait(9_000)
        .words(Source::Master, &two(0x0B, 0x0C), 100)
        .wait(9_000)
        .command(POLL)
        .wait(900)
        .words(Source::Peripheral, &[Word::plain(2), Word::plain(2)], 100)
        .wait(9_000)
        .words(Source::Master, &too_long, 100)
        .wait(9_000)
        .command(POLL)
        .wait(900)
        .words(Source::Peripheral, &[Word::marked(0xFF)], 0)
        .wait(30_000)
        .data(&[2])
        .garbled(Source::Peripheral)
        .wait(9_000)
        .line_break(Micros::ms(90))
        .wait(9_000)
        .line_break(Micros::ms(110))
        .wait(9_000)
        .command(POLL);
    let mut early = bus.clone();
    early.now = early.now - Micros(500);
    let mut bus = early.ack().wait(9_000);
    bus.uncertainty = Micros(3_000);
    let bus = bus.command(POLL).wait(5_500).ack();
    let mut broken: BTreeSet<String> = bus.findings().iter().map(|f| f.rule.to_string()).collect();

    // Rules about what messages say: VEND REQUEST of 25, VEND APPROVED of so much (sections 7.4.5, 7.4.6).
    let approved = |amount: u8| {
        let bus = Bus::new()
            .command(&[0x13, 0x00, 0x00, 25, 0x00, 11])
            .wait(900)
            .ack()
            .wait(30_000)
            .command(&[0x12])
            .wait(900)
            .data(&[0x05, 0x00, amount])
            .wait(900)
            .master(0);
        let mut analyst = Analyst::new();
        let entries = bus.events.iter().flat_map(|e| analyst.event(e));
        let mut entries: Vec<Entry> = entries.collect();
        entries.extend(analyst.finish(bus.now + Micros::secs(1)));
        entries.into_iter().filter_map(|entry| match entry {
            Entry::Finding(f) => Some(f.rule.to_string()),
            _ => None,
        })
    };
    broken.extend(approved(26));
    for amount in [24, 25] {
        assert!(approved(amount).all(|rule| rule != "approved-more"));
    }

    // Rules about the lines themselves.
    let sessions = |bus: Bus| {
        (0..9).fold(bus, |b, _| {
            b.command(POLL)
                .wait(900)
                .data(&[2])
                .wait(900)
                .master(0)
                .wait(9_000)
        })
    };
    let good = sessions(Bus::new());
    let mut capture = capture_of_bus("x", &good.events, good.now);
    let mut look = |capture: &payrig_wire::capture::Capture| {
        let decoded = decode_bus(capture, &BusLines::of(capture)).unwrap();
        broken.extend(decoded.findings.iter().map(|f| f.rule.to_string()));
    };
    let mut still = capture.clone();
    still.lines[0].edges.clear();
    look(&still);
    let mut fast = capture.clone();
    for edge in fast.lines.iter_mut().flat_map(|l| &mut l.edges) {
        edge.at = Micros(edge.at.0 / 2);
    }
    look(&fast);
    let mut swapped = capture.clone();
    swapped.lines[0].name = "peripheral".into();
    swapped.lines[1].name = "master".into();
    look(&swapped);
    let mut inverted = capture.clone();
    for line in &mut inverted.lines {
        line.initial = false;
        line.edges.iter_mut().for_each(|e| e.high = !e.high);
    }
    look(&inverted);
    let spike = [(10, false), (20, true)].map(|(at, high)| payrig_wire::Edge {
        at: Micros(at),
        high,
    });
    capture.lines[0].edges.splice(0..0, spike);
    look(&capture);
    assert_eq!(BusLines::of(&capture).idle, IdleLevel::High);

    let mut monitor = Monitor::of_capture(Micros::ZERO);
    monitor.push(&BusEvent::Garbled {
        start: Micros(5),
        end: Micros(9),
        source: Source::Master,
    });
    let end = monitor.finish(Micros(9)).findings;
    broken.extend(end.iter().map(|f| f.rule.to_string()));

    for rule in RULES {
        assert!(
            broken.contains(rule.name.name()),
            "nothing breaks {}",
            rule.name
        );
    }
}
