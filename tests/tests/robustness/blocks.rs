//! Any bytes and any words, to everything that reads them.

use super::machines::{changer, reader, validator};
use payrig_controller::{Controller, ExpectedKind};
use payrig_mdb::cashless::Unit;
use payrig_mdb::{ACK, Address, Block, Decoded, Dialogue, MAX_BLOCK, Word};
use payrig_peripherals::cashless::Answers;
use payrig_peripherals::{BREAK_MIN, BusPeripheral, Port, PortTiming};
use payrig_tests::board;
use payrig_units::Micros;
use payrig_wire::{Source, TimedWord, Transmission, WORD_TIME};
use proptest::collection::vec;
use proptest::prelude::*;

/// Typed, or raw with its bytes; in one line either way.
#[track_caller]
fn assert_told(decoded: &Decoded, bytes: &[u8]) {
    assert!(!decoded.text().is_empty() && !decoded.text().contains('\n'));
    assert!(!decoded.name().is_empty());
    if decoded.typed.is_none() {
        let told = |bytes: &[u8]| {
            let said: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
            decoded.text().contains(&said.join(" "))
        };
        // A CHK that is right is left out.
        let without_chk = bytes.split_last().map_or(bytes, |(_, rest)| rest);
        assert!(
            told(bytes) || told(without_chk),
            "{decoded} of {bytes:02X?}"
        );
    }
}

fn with_chk(bytes: &[u8]) -> Vec<u8> {
    let sum = bytes.iter().fold(0u8, |sum, b| sum.wrapping_add(*b));
    [bytes, &[sum]].concat()
}

/// Every address, every command, every sub-command, alone and with data that go on for ever.
#[test]
fn every_start_of_a_command_and_of_an_answer() {
    for first in 0..=255u8 {
        for second in 0..=255u8 {
            let mut dialogue = Dialogue::new();
            for length in [1, 2, 3, 6, 35] {
                let mut bytes = vec![first, second];
                bytes.resize(length, second);
                let command = with_chk(&bytes);
                assert_told(&dialogue.master_bytes(&command), &command);
                let answer = with_chk(&vec![second; length]);
                assert_told(&dialogue.peripheral_bytes(&answer), &answer);
            }
        }
    }
}

fn any_block() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        vec(any::<u8>(), 0..=MAX_BLOCK),
        vec(any::<u8>(), 1..MAX_BLOCK).prop_map(|bytes| with_chk(&bytes)),
    ]
}

fn words(bytes: &[u8], mark: usize) -> impl Iterator<Item = Word> + '_ {
    bytes.iter().enumerate().map(move |(n, byte)| Word {
        byte: *byte,
        mode: n == mark,
    })
}

/// A word or a break of the master, and the pause before it.
#[derive(Clone, Debug)]
enum Said {
    Block(Vec<u8>, u64),
    Word(u16, u64),
    Break(u64),
    Power(usize, bool),
}

fn said() -> impl Strategy<Value = Said> {
    let addresses: Vec<u8> = (0..32).map(|a| a << 3).collect();
    let to_ours = (
        proptest::sample::select(vec![0x08u8, 0x10, 0x30, 0x60]),
        0..8u8,
        vec(any::<u8>(), 0..MAX_BLOCK - 1),
    );
    prop_oneof![
        8 => (to_ours, 0..2_000u64).prop_map(|((address, command, rest), pause)| {
            Said::Block(with_chk(&[&[address | command], &rest[..]].concat()), pause)
        }),
        // POLLs and short commands: they get further.
        8 => (proptest::sample::select(addresses), 0..8u8, vec(0..4u8, 0..4), 0..2_000u64).prop_map(
            |(address, command, rest, pause)| {
                Said::Block(with_chk(&[&[address | command], &rest[..]].concat()), pause)
            }
        ),
        2 => (any_block(), 0..30_000u64).prop_map(|(block, pause)| Said::Block(block, pause)),
        4 => (0..0x200u16, 0..30_000u64).prop_map(|(bits, pause)| Said::Word(bits, pause)),
        1 => (0..300_000u64).prop_map(Said::Break),
        1 => (0..4usize, any::<bool>()).prop_map(|(n, on)| Said::Power(n, on)),
    ]
}

/// What a peripheral sent is a frame of section 2.2: one byte, or a block with its CHK; the mode
/// bit on the last word and nowhere else.
fn assert_frame(sent: &Transmission) {
    let Transmission::Words { words, .. } = sent else {
        panic!("a peripheral sends no break");
    };
    assert!((1..=MAX_BLOCK).contains(&words.len()));
    let (last, rest) = words.split_last().unwrap();
    assert!(last.mode && rest.iter().all(|w| !w.mode));
    let bytes: Vec<u8> = words.iter().map(|w| w.byte).collect();
    let single = matches!(bytes[..], [ACK]);
    assert!(single || Block::from_wire(&bytes).is_ok(), "{bytes:02X?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(400)))]

    /// Every block to every address, in a conversation that may have set any mode before.
    #[test]
    fn every_block_is_typed_or_raw(
        blocks in vec((any_block(), any_block()), 1..12),
    ) {
        let mut dialogue = Dialogue::new();
        for (command, answer) in &blocks {
            assert_told(&dialogue.master_bytes(command), command);
            assert_told(&dialogue.peripheral_bytes(answer), answer);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(payrig_tests::cases(100)))]

    /// Every device hears any words at any times, and what it says is a frame.
    #[test]
    fn every_device_tolerates_any_words(all in vec(said(), 1..60)) {
        let timing = PortTiming::default();
        let mut ports: Vec<Box<dyn BusPeripheral>> = vec![
            Box::new(Port::new(changer(), timing)),
            Box::new(Port::new(validator(), timing)),
            Box::new(Port::new(reader(Unit::One, 3, Answers::Straight), timing)),
            Box::new(Port::new(reader(Unit::Two, 2, Answers::AtPoll), timing)),
        ];
        let mut now = Micros::secs(1);
        for one in &all {
            let spoken: Vec<Word> = match one {
                Said::Block(bytes, pause) => {
                    now += Micros(*pause);
                    words(bytes, 0).collect()
                }
                Said::Word(bits, pause) => {
                    now += Micros(*pause);
                    vec![Word::from_bits(*bits)]
                }
                Said::Break(length) => {
                    let start = now;
                    now += Micros(*length) + BREAK_MIN;
                    ports.iter_mut().for_each(|p| p.heard_break(start, now));
                    continue;
                }
                Said::Power(n, on) => {
                    ports[*n].power(now, *on);
                    continue;
                }
            };
            for word in spoken {
                let start = now;
                now += WORD_TIME;
                let heard = TimedWord {
                    start,
                    end: now,
                    source: Source::Master,
                    word,
                    uncertainty: Micros::ZERO,
                };
                ports.iter_mut().for_each(|p| p.heard(&heard));
                now += Micros(100);
            }
            now += Micros::ms(3);
            for port in &mut ports {
                port.wake(now);
                let mut speaks = 0;
                while let Some(sent) = port.take_transmission() {
                    assert_frame(&sent);
                    speaks += 1;
                }
                prop_assert!(speaks <= 1, "one answer to one command");
                port.take_notes();
                port.take_movements();
            }
        }
    }

    /// The board hears any words at any times, keeps to frames of its own, and goes on.
    #[test]
    fn the_board_tolerates_any_words(
        heard in vec((0..0x200u16, 0..40_000u64), 1..400),
    ) {
        let config = board(&[
            ("changer", ExpectedKind::Changer),
            ("bill", ExpectedKind::BillValidator),
            ("card 1", ExpectedKind::Cashless(Unit::One)),
            ("card 2", ExpectedKind::Cashless(Unit::Two)),
        ]);
        let mut board = Controller::new(config, Micros::ZERO);
        let mut now = Micros::ZERO;
        let mut commands = 0;
        for (bits, pause) in heard {
            let until = now + Micros(pause);
            while board.next_deadline() <= until {
                now = now.max(board.next_deadline());
                board.wake(now);
                while let Some(sent) = board.take_transmission() {
                    let Transmission::Words { words, .. } = sent else { continue };
                    let bytes: Vec<u8> = words.iter().map(|w| w.byte).collect();
                    if words[0].mode {
                        commands += 1;
                        let block = Block::from_wire(&bytes).unwrap();
                        let address = Address::of(block.bytes()[0]);
                        prop_assert!([0x08, 0x10, 0x30, 0x60].contains(&address.byte()));
                        prop_assert!(words[1..].iter().all(|w| !w.mode));
                    } else {
                        prop_assert!(matches!(bytes[..], [0x00 | 0xAA | 0xFF]));
                    }
                }
            }
            let start = until.max(now);
            now = start + WORD_TIME;
            board.heard(&TimedWord {
                start,
                end: now,
                source: Source::Peripheral,
                word: Word::from_bits(bits),
                uncertainty: Micros::ZERO,
            });
        }
        let _ = commands;
        // Random words hardly ever make a block with the right CHK, and no credit.
        prop_assert_eq!(board.vending().credit().as_minor(), 0);
        for _ in 0..200 {
            now = now.max(board.next_deadline());
            board.wake(now);
            while board.take_transmission().is_some() { commands += 1; }
        }
        prop_assert!(commands > 0, "it goes on");
    }
}
