use super::*;
use payrig_mdb::Word;
use payrig_wire::BusEvent;
use std::io::{Read, Write};

fn open(ours: Source, coding: WordCoding) -> PtyPort {
    let clock = Clock::starting_now();
    PtyPort::open(PtyOptions {
        ours,
        coding,
        clock,
    })
    .unwrap()
}

/// A program that opens the path as a serial port.
fn program(port: &PtyPort) -> std::fs::File {
    std::fs::File::options()
        .read(true)
        .write(true)
        .open(port.path())
        .unwrap()
}

/// Waits for events until one is wanted; gives up after ten seconds, long past any stall.
fn until<T>(port: &mut PtyPort, mut wanted: impl FnMut(PortEvent) -> Option<T>) -> T {
    let end = port.clock.now() + Micros::secs(10);
    while port.clock.now() < end {
        if let Some(event) = port.wait(end, None).unwrap()
            && let Some(found) = wanted(event)
        {
            return found;
        }
    }
    panic!("it never came")
}

fn word_heard(event: PortEvent) -> Option<Word> {
    match event {
        PortEvent::Heard(BusEvent::Word(word)) => Some(word.word),
        _ => None,
    }
}

fn attached(event: PortEvent) -> Option<bool> {
    match event {
        PortEvent::Peer { attached, .. } => Some(attached),
        _ => None,
    }
}

fn send(port: &mut PtyPort, words: Vec<Word>) {
    let at = port.clock.now();
    let gap = Micros::ZERO;
    port.send(Transmission::Words { at, words, gap }, Micros::ZERO);
}

#[test]
fn a_program_is_heard_and_answered() {
    let mut port = open(Source::Peripheral, WordCoding::MarkedParity);
    let mut program = program(&port);
    program.write_all(&[0xFF, 0x00, 0x0B, 0x0B]).unwrap();
    assert_eq!(until(&mut port, word_heard), Word::marked(0x0B));
    assert_eq!(until(&mut port, word_heard), Word::plain(0x0B));
    send(&mut port, vec![Word::marked(0x00)]);
    until(&mut port, |e| {
        matches!(e, PortEvent::Sent { .. }).then_some(())
    });
    let mut answer = [0; 3];
    program.read_exact(&mut answer).unwrap();
    assert_eq!(answer, [0xFF, 0x00, 0x00]);
}

#[test]
fn comings_and_goings_are_noticed_and_leave_nothing_behind() {
    let mut port = open(Source::Peripheral, WordCoding::Plain);
    let first = program(&port);
    assert!(until(&mut port, attached));
    drop(first);
    assert!(!until(&mut port, attached));
    send(&mut port, vec![Word::marked(0x55)]);
    until(&mut port, |e| {
        matches!(e, PortEvent::Sent { .. }).then_some(())
    });
    let mut second = program(&port);
    assert!(until(&mut port, attached));
    send(&mut port, vec![Word::marked(0xAA)]);
    until(&mut port, |e| {
        matches!(e, PortEvent::Sent { .. }).then_some(())
    });
    let mut line = [0; 100];
    let count = second.read(&mut line).unwrap();
    let text = std::str::from_utf8(&line[..count]).unwrap();
    assert!(
        text.starts_with("W ") && text.ends_with(" AA*\n"),
        "{text:?}"
    );
    assert_eq!(text.lines().count(), 1, "the 55 was for nobody");
}

#[test]
fn a_program_that_sets_parmrk_still_reads_single_marks() {
    let mut port = open(Source::Peripheral, WordCoding::MarkedParity);
    let mut program = program(&port);
    assert!(until(&mut port, attached));
    let mut settings = tcgetattr(&program).unwrap();
    settings.input_modes |= InputModes::PARMRK | InputModes::INPCK;
    tcsetattr(&program, OptionalActions::Now, &settings).unwrap();
    send(&mut port, vec![Word::marked(0x41), Word::plain(0xFF)]);
    for _ in 0..2 {
        until(&mut port, |e| {
            matches!(e, PortEvent::Sent { .. }).then_some(())
        });
    }
    let mut bytes = [0; 5];
    program.read_exact(&mut bytes).unwrap();
    assert_eq!(bytes, [0xFF, 0x00, 0x41, 0xFF, 0xFF]);
}
