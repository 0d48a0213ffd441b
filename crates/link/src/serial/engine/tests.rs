use super::super::simulated::{Adapter, Did};
use super::*;
use proptest::prelude::*;

fn port(ours: Source) -> SerialPort<Adapter> {
    SerialPort::new(
        Adapter::good(),
        Clock::starting_now(),
        ours,
        Micros(300),
        Looking::default(),
    )
    .unwrap()
}

fn words(port: &mut SerialPort<Adapter>, at: u64, words: &[Word], gap: u64) {
    let (at, words, gap) = (Micros(at), words.to_vec(), Micros(gap));
    let order = Transmission::Words { at, words, gap };
    port.send(order, Micros::ZERO);
}

fn next(port: &mut SerialPort<Adapter>) -> PortEvent {
    port.wait(Micros::secs(100), None).unwrap().unwrap()
}

/// A master's block: the address with the mode bit, the rest without (MDB/ICP 4.3, 2.1).
#[test]
fn the_mode_bit_is_sent_by_switching_parity_after_a_drain() {
    let mut port = port(Source::Master);
    port.wire.log.clear();
    let block = [Word::marked(0x0F), Word::plain(0x00), Word::plain(0x0F)];
    words(&mut port, 1_000, &block, 60);
    for expected in block {
        let PortEvent::Sent {
            event: BusEvent::Word(word),
            ..
        } = next(&mut port)
        else {
            panic!("sent")
        };
        assert_eq!((word.word, word.source), (expected, Source::Master));
    }
    assert_eq!(
        port.wire.log,
        [
            Did::Ninth(true),
            Did::Write(vec![0x0F]),
            Did::Drain,
            Did::Ninth(false),
            Did::Write(vec![0x00, 0x0F]),
            Did::Drain,
        ]
    );
}

/// A peripheral's block ends with the mode bit set; after it the port listens with it clear.
#[test]
fn the_last_word_is_marked_and_then_it_listens_again() {
    let mut port = port(Source::Peripheral);
    port.wire.log.clear();
    words(&mut port, 0, &[Word::plain(0x0B), Word::marked(0x0B)], 0);
    next(&mut port);
    assert_eq!(port.wire.log.last(), Some(&Did::Ninth(false)));
    assert_eq!(port.wire.sent, [Word::plain(0x0B), Word::marked(0x0B)]);
}

#[test]
fn a_driver_that_drains_too_soon_does_not_spoil_the_word() {
    let mut adapter = Adapter::good();
    adapter.drain_waits = false;
    let clock = Clock::starting_now();
    let mut port = SerialPort::new(
        adapter,
        clock,
        Source::Master,
        Micros(300),
        Looking::default(),
    )
    .unwrap();
    words(&mut port, 0, &[Word::marked(0x0B), Word::plain(0x0B)], 0);
    next(&mut port);
    assert_eq!(port.wire.sent, [Word::marked(0x0B), Word::plain(0x0B)]);
}

#[test]
fn a_long_pause_is_made_word_by_word() {
    let mut port = port(Source::Peripheral);
    words(&mut port, 0, &[Word::plain(1), Word::plain(2)], 6_000);
    let (first, second) = (next(&mut port), next(&mut port));
    let (PortEvent::Sent { event: a, .. }, PortEvent::Sent { event: b, .. }) = (first, second)
    else {
        panic!("sent")
    };
    assert!(b.start().since(a.end()) >= Micros(6_000));
}

#[test]
fn marked_bytes_are_heard_with_the_uncertainty_of_the_adapter() {
    let mut port = port(Source::Peripheral);
    port.wire.receive(Micros(5_000), &[0xFF, 0x00, 0x0B, 0x0B]);
    let (first, second) = (next(&mut port), next(&mut port));
    let (PortEvent::Heard(BusEvent::Word(first)), PortEvent::Heard(BusEvent::Word(second))) =
        (first, second)
    else {
        panic!("heard")
    };
    assert_eq!(
        (first.word, second.word),
        (Word::marked(0x0B), Word::plain(0x0B))
    );
    assert_eq!(second.end, Micros(5_000));
    assert_eq!(first.end, second.start);
    assert_eq!(second.uncertainty, Micros(300));
}

#[test]
fn a_break_is_sent_and_heard() {
    let mut master = port(Source::Master);
    let (at, length) = (Micros(500), Micros::ms(120));
    master.send(Transmission::Break { at, length }, Micros::ZERO);
    let PortEvent::Sent {
        event: BusEvent::Break { start, end, .. },
        ..
    } = next(&mut master)
    else {
        panic!("break")
    };
    assert!(end.since(start) >= length);
    assert!(
        master
            .wire
            .log
            .ends_with(&[Did::Break(true), Did::Break(false)])
    );

    let mut peripheral = port(Source::Peripheral);
    peripheral.wire.receive(Micros(5_000), &[0xFF, 0x00, 0x00]);
    let PortEvent::Heard(BusEvent::Break { start, end, .. }) = next(&mut peripheral) else {
        panic!("break")
    };
    assert_eq!(end.since(start), crate::ASSUMED_BREAK);
}

#[test]
fn an_adapter_without_mark_and_space_is_refused_and_a_lost_one_has_vanished() {
    let mut adapter = Adapter::good();
    adapter.takes_ninth = false;
    let clock = Clock::starting_now();
    let error = SerialPort::new(
        adapter,
        clock,
        Source::Master,
        Micros(1),
        Looking::default(),
    )
    .unwrap_err();
    assert!(matches!(error, LinkError::Incapable { .. }), "{error}");
    let mut port = port(Source::Master);
    port.wire.unplugged = true;
    assert!(port.wait(Micros::secs(1), None).unwrap_err().is_vanished());
}

proptest! {
    #[test]
    fn any_bytes_at_any_times_never_panic_and_never_overlap(
        pieces in proptest::collection::vec(
            (0u64..200_000, proptest::collection::vec(prop_oneof![any::<u8>(), Just(0xFF), Just(0)], 1..9)),
            0..30),
        master in any::<bool>(),
    ) {
        let mut port = port(if master { Source::Master } else { Source::Peripheral });
        let mut at = Micros::ZERO;
        for (pause, bytes) in pieces {
            at += Micros(pause);
            port.wire.receive(at, &bytes);
        }
        let mut ended = Micros::ZERO;
        while let Some(event) = port.wait(Micros::secs(100), None).unwrap() {
            if let PortEvent::Heard(event) = event {
                prop_assert!(event.start() >= ended, "{event:?} overlaps what ended at {ended}");
                prop_assert!(event.end() >= event.start());
                ended = event.end();
            }
        }
    }
}
