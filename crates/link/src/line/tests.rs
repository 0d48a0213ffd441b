use super::*;
use crate::ASSUMED_BREAK;
use payrig_mdb::Block;
use proptest::prelude::*;

fn poll_words() -> Vec<Word> {
    Block::new(&[0x0B]).unwrap().master_words().collect()
}

fn events(line: &mut Line) -> Vec<PortEvent> {
    std::iter::from_fn(|| line.take_event()).collect()
}

fn heard(events: &[PortEvent]) -> Vec<(u64, u64, Word)> {
    let word = |e: &PortEvent| match e {
        PortEvent::Heard(BusEvent::Word(w)) => Some((w.start.0, w.end.0, w.word)),
        _ => None,
    };
    events.iter().filter_map(word).collect()
}

#[test]
fn words_written_at_once_take_their_time_on_the_line() {
    let mut line = Line::new(Source::Peripheral, WordCoding::MarkedParity);
    line.arrived(Micros(1_000), &[0xFF, 0x00, 0x0B, 0x0B]);
    assert_eq!(events(&mut line), vec![]);
    line.advance(Micros(2_146));
    assert_eq!(
        heard(&events(&mut line)),
        [(1_000, 2_146, Word::marked(0x0B))]
    );
    assert_eq!(line.next_deadline(), Micros(3_292));
    line.advance(Micros(3_292));
    assert_eq!(
        heard(&events(&mut line)),
        [(2_146, 3_292, Word::plain(0x0B))]
    );
}

#[test]
fn what_we_send_is_due_when_its_stop_bit_ends() {
    let mut line = Line::new(Source::Master, WordCoding::Plain);
    let (at, gap) = (Micros(1_000), Micros(100));
    let words = poll_words();
    line.send(
        Micros(900),
        Transmission::Words { at, words, gap },
        Micros::ZERO,
    );
    let mut out = BytesMut::new();
    assert!(!line.due(Micros(2_145), &mut out));
    assert!(line.due(Micros(2_150), &mut out));
    assert_eq!(&out[..], b"W 2146 0B*\n");
    line.written(Micros(2_150), Micros(2_160), Micros(7));
    let PortEvent::Sent { event, late } = events(&mut line)[0] else {
        panic!("sent")
    };
    assert_eq!(event.end(), Micros(2_160));
    // Woken 4 us late, 10 us to write of which the processor was ours for 7.
    assert_eq!((late.machine, late.ours), (Micros(4 + 3), Micros(7)));
    assert_eq!(
        line.next_deadline(),
        Micros(2_160 + 100 + 1_146),
        "pushed back, not squeezed"
    );
}

#[test]
fn asked_too_late_is_told_from_woken_too_late() {
    let mut line = Line::new(Source::Peripheral, WordCoding::MarkedParity);
    let (at, gap, words) = (Micros(1_000), Micros(0), vec![Word::marked(0)]);
    line.send(
        Micros(3_000),
        Transmission::Words { at, words, gap },
        Micros(500),
    );
    assert!(line.due(Micros(3_000), &mut BytesMut::new()));
    line.written(Micros::ZERO, Micros(3_005), Micros(5));
    let PortEvent::Sent { late, .. } = events(&mut line)[0] else {
        panic!("sent")
    };
    // 854 us too late, of which our code took 500; 5 us to write.
    assert_eq!((late.machine, late.ours), (Micros(354), Micros(500 + 5)));
}

#[test]
fn a_break_without_a_length_is_a_bus_reset_unless_a_word_comes_sooner() {
    let mut line = Line::new(Source::Peripheral, WordCoding::MarkedParity);
    line.arrived(Micros(5_000), &[0xFF, 0x00, 0x00]);
    let end = line.next_deadline();
    assert_eq!(end, Micros(5_000) - WORD_TIME + ASSUMED_BREAK);
    line.advance(end);
    let [PortEvent::Heard(BusEvent::Break { start, end, .. })] = events(&mut line)[..] else {
        panic!("break")
    };
    assert_eq!(end.since(start), ASSUMED_BREAK);

    line.arrived(Micros(500_000), &[0xFF, 0x00, 0x00]);
    line.arrived(Micros(540_000), &[0xFF, 0x00, 0x0B]);
    line.advance(Micros(600_000));
    let events = events(&mut line);
    let [
        PortEvent::Heard(BusEvent::Break { start, end, .. }),
        PortEvent::Heard(_),
    ] = events[..]
    else {
        panic!("{events:?}")
    };
    assert_eq!(end.since(start), Micros(40_000) + WORD_TIME);
}

#[test]
fn a_break_of_ours_is_told_of_as_a_uart_would_and_holds_the_line() {
    let mut line = Line::new(Source::Master, WordCoding::MarkedParity);
    let (at, length) = (Micros(0), Micros(120_000));
    line.send(Micros(0), Transmission::Break { at, length }, Micros::ZERO);
    let mut out = BytesMut::new();
    assert_eq!(line.next_deadline(), WORD_TIME);
    assert!(line.due(WORD_TIME, &mut out));
    assert_eq!(&out[..], [0xFF, 0x00, 0x00]);
    line.written(WORD_TIME, WORD_TIME, Micros::ZERO);
    assert_eq!(events(&mut line), []);
    out.clear();
    assert!(line.due(Micros(120_000), &mut out) && out.is_empty());
    line.written(Micros(120_000), Micros(120_000), Micros::ZERO);
    let [PortEvent::Sent { event, .. }] = events(&mut line)[..] else {
        panic!("sent")
    };
    assert_eq!((event.start(), event.end()), (at, length));
}

#[test]
fn the_plain_coding_gives_a_break_its_length_and_a_word_its_time() {
    let mut line = Line::new(Source::Peripheral, WordCoding::Plain);
    line.arrived(Micros(10), b"B - 120000\nW 500000 0B*\n");
    line.advance(Micros(600_000));
    let events = events(&mut line);
    let [
        PortEvent::Heard(BusEvent::Break { start, end, .. }),
        PortEvent::Heard(BusEvent::Word(word)),
    ] = events[..]
    else {
        panic!("{events:?}")
    };
    assert_eq!((start, end), (Micros(10), Micros(120_010)));
    assert_eq!(word.start, Micros(500_000));
}

#[test]
fn half_a_code_is_garbage_after_a_while() {
    let mut line = Line::new(Source::Peripheral, WordCoding::MarkedParity);
    line.arrived(Micros(0), &[0xFF]);
    line.advance(line.next_deadline());
    assert_eq!(
        events(&mut line),
        [PortEvent::Garbage {
            at: MIDWAY,
            bytes: 1
        }]
    );
    assert_eq!(line.next_deadline(), Micros::NEVER);
}

proptest! {
    #[test]
    fn events_never_overlap_and_every_deadline_is_used_up(
        plain in any::<bool>(),
        pieces in proptest::collection::vec(
            (0u64..150_000, proptest::collection::vec(prop_oneof![any::<u8>(), Just(0xFF), Just(0)], 0..12)),
            0..40),
    ) {
        let coding = if plain { WordCoding::Plain } else { WordCoding::MarkedParity };
        let mut line = Line::new(Source::Peripheral, coding);
        let (mut now, mut out) = (Micros::ZERO, Vec::new());
        for (pause, bytes) in pieces {
            now += Micros(pause);
            line.arrived(now, &bytes);
        }
        for _ in 0..1_000 {
            let next = line.next_deadline();
            if next == Micros::NEVER {
                break;
            }
            line.advance(next);
        }
        prop_assert_eq!(line.next_deadline(), Micros::NEVER);
        while let Some(event) = line.take_event() {
            if let PortEvent::Heard(event) = event {
                out.push(event);
            }
        }
        for pair in out.windows(2) {
            prop_assert!(pair[0].end() <= pair[1].start());
        }
    }
}

fn uncertainties(line: &mut Line, until: Micros) -> Vec<(u64, u64)> {
    line.advance(until);
    let word = |e: PortEvent| match e {
        PortEvent::Heard(BusEvent::Word(w)) => Some((w.start.0, w.uncertainty.0)),
        _ => None,
    };
    events(line).into_iter().filter_map(word).collect()
}

#[test]
fn a_stamp_ahead_of_its_time_is_exact_and_one_behind_it_bounds_what_is_not_known() {
    let mut line = Line::new(Source::Peripheral, WordCoding::Plain);
    line.set_uncertainty(Micros(8_000));
    // Written 5 ms ahead: it is on the line when its sender says.
    line.arrived(Micros(100_000), b"W 105000 0B*\n");
    // Nobody says when: it came while we were not looking.
    line.arrived(Micros(200_000), b"W - 0B*\n");
    // Not before 297,000, read at 300,000.
    line.arrived(Micros(300_000), b"W 297000 0B*\n");
    assert_eq!(
        uncertainties(&mut line, Micros(400_000)),
        [(105_000, 0), (200_000, 8_000), (297_000, 3_000)]
    );
}

/// Two blocks that are read together, late, are two blocks still.
#[test]
fn what_has_a_time_keeps_its_pauses_however_late_it_is_read() {
    let mut line = Line::new(Source::Peripheral, WordCoding::Plain);
    // The machine kept us from reading for 9 ms.
    line.set_uncertainty(Micros(9_000));
    line.arrived(Micros(109_000), b"W 101000 AA\nW 107500 FF\n");
    assert_eq!(
        uncertainties(&mut line, Micros(109_000)),
        [(101_000, 8_000), (107_500, 1_500)]
    );
    // They cannot have come before they were looked for.
    line.set_uncertainty(Micros(500));
    line.arrived(Micros(209_000), b"W 201000 AA\n");
    assert_eq!(uncertainties(&mut line, Micros(300_000)), [(208_500, 500)]);
}

#[test]
fn a_word_is_no_earlier_than_the_end_of_the_one_before_it() {
    let mut line = Line::new(Source::Peripheral, WordCoding::Plain);
    line.set_uncertainty(Micros(300));
    line.arrived(Micros(100_000), b"W - 0B* 0B\n");
    line.set_uncertainty(Micros(50_000));
    line.arrived(Micros(101_500), b"W - 00\n");
    let end = 100_000 + 2 * WORD_TIME.0;
    assert_eq!(
        uncertainties(&mut line, Micros(400_000)),
        [(100_000, 300), (end - WORD_TIME.0, 300), (end, 300)]
    );
}

proptest! {
    /// Whatever is read in whatever pieces: what comes out is in the order in which it was written, and
    /// nothing overlaps what was before it. Breaks of known length and of unknown, in a pile or not.
    #[test]
    fn what_piled_up_comes_out_in_the_order_in_which_it_was_written(
        plain in any::<bool>(),
        // What is written: a word for small numbers, else a break; and how long after the last it is read.
        written in proptest::collection::vec((0u8..16, prop_oneof![Just(0u64), 0u64..400_000]), 1..80),
    ) {
        let coding = if plain { WordCoding::Plain } else { WordCoding::MarkedParity };
        let mut line = Line::new(Source::Peripheral, coding);
        let (mut now, mut came) = (Micros::ZERO, Vec::new());
        let mut wanted = Vec::new();
        let advance = |line: &mut Line, to: Micros, came: &mut Vec<BusEvent>| {
            while line.next_deadline() <= to {
                line.advance(line.next_deadline());
                came.extend(events(line).into_iter().filter_map(|e| match e {
                    PortEvent::Heard(event) => Some(event),
                    _ => None,
                }));
            }
        };
        for (number, (what, pause)) in written.iter().enumerate() {
            now += Micros(*pause);
            advance(&mut line, now, &mut came);
            let mut bytes = BytesMut::new();
            let symbol = match what {
                // Not 00, which reads as a break with its mode bit.
                0..12 => Symbol::Word(Word { byte: 1 + (number % 200) as u8, mode: what % 2 == 0 }),
                _ => Symbol::Break { length: plain.then_some(Micros::ms(120)) },
            };
            wanted.push(match symbol {
                Symbol::Word(word) => Some(word),
                _ => None,
            });
            // In the coding that has stamps, none: as soon as may be.
            match (plain, symbol) {
                (true, Symbol::Word(word)) => bytes.extend_from_slice(format!("W - {word}\n").as_bytes()),
                (true, _) => bytes.extend_from_slice(b"B - 120000\n"),
                (false, symbol) => Encoder(coding).encode(now, symbol, &mut bytes),
            }
            line.arrived(now, &bytes);
            came.extend(events(&mut line).into_iter().filter_map(|e| match e {
                PortEvent::Heard(event) => Some(event),
                _ => None,
            }));
        }
        advance(&mut line, now + Micros::secs(60), &mut came);
        let heard: Vec<Option<Word>> = came.iter().map(|event| match event {
            BusEvent::Word(word) => Some(word.word),
            _ => None,
        }).collect();
        prop_assert_eq!(heard, wanted);
        for (one, next) in came.iter().zip(came.iter().skip(1)) {
            prop_assert!(one.end() <= next.start(), "{:?} {:?}", one, next);
        }
    }
}
