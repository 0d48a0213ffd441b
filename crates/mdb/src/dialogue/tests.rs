use super::*;
use crate::prelude::*;
use crate::{ACK, NAK, RET};
use proptest::prelude::*;

/// Lets the dialogue hear a block as it travelled: `m` or `p`, then bytes in hex with CHK.
fn hear(dialogue: &mut Dialogue, line: &str) -> Decoded {
    let (side, hex) = line.split_at(2);
    let bytes: Vec<u8> = hex
        .split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect();
    match (side, bytes.as_slice()) {
        ("m ", [ACK]) => dialogue.master(&MasterFrame::Ack),
        ("m ", [NAK]) => dialogue.master(&MasterFrame::Nak),
        ("m ", [RET]) => dialogue.master(&MasterFrame::Ret),
        ("p ", [ACK]) => dialogue.peripheral(&PeripheralFrame::Ack),
        ("p ", [NAK]) => dialogue.peripheral(&PeripheralFrame::Nak),
        ("m ", bytes) => dialogue.master_bytes(bytes),
        ("p ", bytes) => dialogue.peripheral_bytes(bytes),
        _ => panic!("{line}"),
    }
}

/// As `hear`, CHK left out of the line and added here.
fn say(dialogue: &mut Dialogue, line: &str) -> Decoded {
    let sum = line
        .split_whitespace()
        .skip(1)
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .fold(0u8, u8::wrapping_add);
    hear(dialogue, &format!("{line} {sum:02X}"))
}

/// Every block of the house capture `clean-1`, which was encoded from the standard (sections 5 to
/// 7) by a program that shares no code with payrig: who is spoken to, and the name.
#[rustfmt::skip]
const CLEAN_1: [(&str, u8, &str); 80] = [
    ("m 0B 0B", 0x08, "POLL"),
    ("p 0B 0B", 0x08, "JUST RESET"),
    ("m 00", 0x08, "ACK"),
    ("m 09 09", 0x08, "SETUP"),
    ("p 03 18 40 05 02 00 07 01 02 05 14 00 00 00 00 00 00 00 00 00 00 00 00 85", 0x08, "SETUP"),
    ("m 00", 0x08, "ACK"),
    ("m 0F 00 0F", 0x08, "IDENTIFICATION"),
    ("p 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 34 31 54 45 53 54 55 4E 49 54 2D 30 30 31 01 23 00 00 00 03 B8", 0x08, "IDENTIFICATION"),
    ("m 00", 0x08, "ACK"),
    ("m 0F 01 00 00 00 03 13", 0x08, "FEATURE ENABLE"),
    ("p 00", 0x08, "ACK"),
    ("m 0A 0A", 0x08, "TUBE STATUS"),
    ("p 00 00 0C 1E 19 00 00 00 00 00 00 00 00 00 00 00 00 00 43", 0x08, "TUBE STATUS"),
    ("m 00", 0x08, "ACK"),
    ("m 0C 00 0F 00 07 22", 0x08, "COIN TYPE"),
    ("p 00", 0x08, "ACK"),
    ("m 33 33", 0x30, "POLL"),
    ("p 06 06", 0x30, "JUST RESET"),
    ("m 00", 0x30, "ACK"),
    ("m 31 31", 0x30, "SETUP"),
    ("p 01 18 40 00 64 02 01 90 FF FF FF 01 05 0A 14 00 00 00 00 00 00 00 00 00 00 00 00 71", 0x30, "SETUP"),
    ("m 00", 0x30, "ACK"),
    ("m 37 00 37", 0x30, "EXPANSION IDENTIFICATION"),
    ("p 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 34 32 54 45 53 54 55 4E 49 54 2D 30 30 31 01 23 B6", 0x30, "EXPANSION IDENTIFICATION"),
    ("m 00", 0x30, "ACK"),
    ("m 36 36", 0x30, "STACKER"),
    ("p 00 03 03", 0x30, "STACKER"),
    ("m 00", 0x30, "ACK"),
    ("m 34 00 0F 00 0F 52", 0x30, "BILL TYPE"),
    ("p 00", 0x30, "ACK"),
    ("m 12 12", 0x10, "POLL"),
    ("p 00 00", 0x10, "JUST RESET"),
    ("m 00", 0x10, "ACK"),
    ("m 11 00 02 10 02 00 25", 0x10, "SETUP CONFIG DATA"),
    ("p 01 02 18 40 05 02 07 02 6B", 0x10, "READER CONFIG DATA"),
    ("m 00", 0x10, "ACK"),
    ("m 11 01 00 3C 00 0A 58", 0x10, "SETUP MAX/MIN PRICES"),
    ("p 00", 0x10, "ACK"),
    ("m 17 00 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 37 54 45 53 54 55 4E 49 54 2D 30 30 31 01 23 CE", 0x10, "EXPANSION REQUEST ID"),
    ("p 09 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 34 33 54 45 53 54 55 4E 49 54 2D 30 30 31 01 23 C0", 0x10, "PERIPHERAL ID"),
    ("m 00", 0x10, "ACK"),
    ("m 14 01 15", 0x10, "READER ENABLE"),
    ("p 00", 0x10, "ACK"),
    ("m 0B 0B", 0x08, "POLL"),
    ("p 00", 0x08, "ACK"),
    ("m 33 33", 0x30, "POLL"),
    ("p 90 90", 0x30, "ESCROW POSITION"),
    ("m 00", 0x30, "ACK"),
    ("m 35 01 36", 0x30, "ESCROW"),
    ("p 00", 0x30, "ACK"),
    ("m 33 33", 0x30, "POLL"),
    ("p 80 80", 0x30, "BILL STACKED"),
    ("m 00", 0x30, "ACK"),
    ("m 0B 0B", 0x08, "POLL"),
    ("p 52 1A 6C", 0x08, "COINS DEPOSITED"),
    ("m 00", 0x08, "ACK"),
    ("m 0D 12 1F", 0x08, "DISPENSE"),
    ("p 00", 0x08, "ACK"),
    ("m 0B 0B", 0x08, "POLL"),
    ("p 02 02", 0x08, "CHANGER PAYOUT BUSY"),
    ("m 00", 0x08, "ACK"),
    ("m 0B 0B", 0x08, "POLL"),
    ("p 00", 0x08, "ACK"),
    ("m 12 12", 0x10, "POLL"),
    ("p 03 00 C8 CB", 0x10, "BEGIN SESSION"),
    ("m 00", 0x10, "ACK"),
    ("m 13 00 00 19 00 04 30", 0x10, "VEND REQUEST"),
    ("p 05 00 19 1E", 0x10, "VEND APPROVED"),
    ("m 00", 0x10, "ACK"),
    ("m 13 02 00 04 19", 0x10, "VEND SUCCESS"),
    ("p 00", 0x10, "ACK"),
    ("m 13 04 17", 0x10, "SESSION COMPLETE"),
    ("p 07 07", 0x10, "END SESSION"),
    ("m 00", 0x10, "ACK"),
    ("m 0B 0B", 0x08, "POLL"),
    ("p 00", 0x08, "ACK"),
    ("m 33 33", 0x30, "POLL"),
    ("p 00", 0x30, "ACK"),
    ("m 12 12", 0x10, "POLL"),
    ("p 00", 0x10, "ACK"),
];

#[test]
fn every_block_of_clean_1_is_typed() {
    let mut dialogue = Dialogue::new();
    for (line, address, name) in CLEAN_1 {
        let decoded = hear(&mut dialogue, line);
        assert_eq!(decoded.address, Some(Address::of(address)), "{line}");
        assert_eq!(decoded.name(), name, "{line}: {decoded}");
        assert!(decoded.typed.is_some(), "{line}: {decoded}");
        assert!(!decoded.text().is_empty() && !decoded.text().contains('\n'));
    }
}

/// Sections 7.4.2, 7.4.4 and 7.4.24: level 03, then 32 bit money, change the form of what follows;
/// RESET and bus reset put it back.
#[test]
fn level_and_options_are_learned_from_the_traffic() {
    let mut dialogue = Dialogue::new();
    let d = &mut dialogue;
    let prices = "m 61 01 00 00 01 F4 00 00 00 32 18 40";
    assert_eq!(d.mode(Unit::Two).money_bits(), 16);
    say(d, "m 61 00 03 10 02 00");
    say(d, "p 01 03 18 40 01 02 05 00");
    say(d, "m 67 04 00 00 00 02");
    hear(d, "p FF");
    assert_eq!(
        d.mode(Unit::Two).money_bits(),
        16,
        "a refused command counts for nothing"
    );
    assert_eq!(d.command_length(&[0x61, 0x01]), Length::Known(7));
    assert_eq!(command_length(&[0x61, 0x01]), Length::Unknown);
    say(d, "m 67 04 00 00 00 02");
    hear(d, "p 00");
    assert_eq!(d.mode(Unit::Two).money_bits(), 32);
    assert_eq!(d.mode(Unit::One).money_bits(), 16);
    assert_eq!(d.command_length(&[0x61, 0x01]), Length::Known(13));
    let decoded = say(d, prices);
    assert_eq!(decoded.name(), "SETUP MAX/MIN PRICES");
    assert!(
        decoded.text().contains("maximum 500") && !decoded.text().contains("form"),
        "{decoded}"
    );

    d.bus_reset();
    assert_eq!(d.mode(Unit::Two).money_bits(), 16);
    let decoded = say(d, prices);
    assert!(
        decoded.text().contains("(in the form of level 03"),
        "{decoded}"
    );

    say(d, "m 67 04 00 00 00 02");
    hear(d, "p 00");
    say(d, "m 60");
    hear(d, "p 00");
    assert_eq!(d.mode(Unit::Two).money_bits(), 16);
}

/// Section 2.5: after RET the same answer comes again, and belongs to the same command.
#[test]
fn an_answer_repeated_after_ret_is_read_alike() {
    let mut d = Dialogue::new();
    say(&mut d, "m 0A");
    let first = say(&mut d, "p 00 00 0C 1E 19");
    assert_eq!(hear(&mut d, "m AA").name(), "RET");
    assert_eq!(say(&mut d, "p 00 00 0C 1E 19"), first);
    assert_eq!(first.name(), "TUBE STATUS");
    assert_eq!(hear(&mut d, "m FF").typed, Some(Typed::Nak));
}

/// Section 2.6.3: what was asked for may come at a later POLL.
#[test]
fn an_answer_may_come_at_a_later_poll() {
    let mut d = Dialogue::new();
    let id = "p 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 34 32 \
              54 45 53 54 55 4E 49 54 2D 30 30 31 01 23";
    say(&mut d, "m 37 00");
    hear(&mut d, "p 00");
    say(&mut d, "m 33");
    let decoded = say(&mut d, id);
    assert_eq!(decoded.name(), "EXPANSION IDENTIFICATION");
    assert!(
        decoded.text().ends_with("(late: asked before this POLL)"),
        "{decoded}"
    );
    say(&mut d, "m 33");
    assert_eq!(say(&mut d, id).name(), "RAW", "asked once, answered once");
}

/// Sections 2.6.4 and 7.4.25 to 7.4.29: the file transport layer at every device's EXPANSION.
#[test]
fn file_transport_is_read_at_every_device() {
    for (address, command, poll) in [
        ("08", "0F", "0B"),
        ("30", "37", "33"),
        ("10", "17", "12"),
        ("60", "67", "62"),
        ("18", "1F", "1A"),
        ("40", "47", "42"),
        ("58", "5F", "5B"),
        ("68", "6F", "6A"),
    ] {
        let mut d = Dialogue::new();
        let offer = say(&mut d, &format!("m {command} FE {address} 00 01 03 02"));
        assert!(
            offer.text().contains("REQ TO SEND file 01H (DTS) from VMC"),
            "{offer}"
        );
        hear(&mut d, "p 00");
        say(&mut d, &format!("m {poll}"));
        let ready = say(&mut d, &format!("p 1E 00 {address}"));
        assert!(ready.text().contains("OK TO SEND"), "{ready}");
        assert!(ready.typed.is_some());
    }
}

#[test]
fn what_cannot_be_typed_is_shown_raw_with_the_reason() {
    let mut d = Dialogue::new();
    let decoded = say(&mut d, "p 52 1A");
    assert_eq!(decoded.text(), "raw 52 1A (no command was heard before it)");
    assert_eq!((decoded.address, decoded.typed), (None, None));

    let decoded = hear(&mut d, "m 0B 0C");
    assert!(
        decoded.text().starts_with("raw 0B 0C (CHK is 0CH"),
        "{decoded}"
    );
    assert_eq!(decoded.address, Some(Address::CHANGER));
    let decoded = say(&mut d, "p 52 1A");
    assert!(decoded.text().contains("could not be read"), "{decoded}");

    let decoded = say(&mut d, "m 0E 01");
    assert!(
        decoded.text().starts_with("raw 0E 01 (byte 0 is 0EH"),
        "{decoded}"
    );
    let decoded = d.master_bytes(&[0x0F; 40]);
    assert!(decoded.text().contains("at most 36"), "{decoded}");
    say(&mut d, "m 0A");
    let decoded = say(&mut d, "p 00");
    assert!(
        decoded.text().starts_with("raw 00 (byte 1 is missing"),
        "{decoded}"
    );
    let decoded = hear(&mut d, "p 00 00 0C 00");
    assert_eq!(decoded.address, Some(Address::CHANGER));
    assert!(decoded.text().contains("CHK is 00H"), "{decoded}");
}

/// Section 2.3: devices that are not emulated, and addresses nobody has.
#[test]
fn other_addresses_are_named() {
    let mut d = Dialogue::new();
    let decoded = say(&mut d, "m 5D 00 02 00 05");
    assert_eq!(
        (decoded.address.unwrap().to_string(), decoded.name()),
        ("coin hopper 1".into(), "DISPENSE COINS")
    );
    let decoded = say(&mut d, "m 3A 01");
    assert_eq!(decoded.address.unwrap().to_string(), "reserved 38H");
    assert_eq!(decoded.text(), "COMMAND 2 01");
    assert!(matches!(decoded.typed, Some(Typed::OtherCommand(_))));
}

fn some_block() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        proptest::collection::vec(any::<u8>(), 0..=40),
        (0usize..CLEAN_1.len(), any::<u8>(), 0usize..40).prop_map(|(n, byte, at)| {
            let mut bytes: Vec<u8> = CLEAN_1[n]
                .0
                .split_whitespace()
                .skip(1)
                .map(|hex| u8::from_str_radix(hex, 16).unwrap())
                .collect();
            if let Some(place) = bytes.get_mut(at) {
                *place = byte;
            }
            bytes
        }),
    ]
}

proptest! {
    /// Any bytes to any address, with right and wrong CHK, in any order.
    #[test]
    fn nothing_panics_and_everything_has_a_text(
        blocks in proptest::collection::vec((any::<bool>(), any::<bool>(), some_block()), 1..30),
    ) {
        let mut d = Dialogue::new();
        for (master, repair, bytes) in blocks {
            let _ = command_length(&bytes);
            let _ = d.command_length(&bytes);
            let decoded = match (master, repair, Block::new(&bytes)) {
                (true, true, Ok(block)) => d.master(&MasterFrame::Command(block)),
                (false, true, Ok(block)) => d.peripheral(&PeripheralFrame::Data(block)),
                (true, _, _) => d.master_bytes(&bytes),
                (false, _, _) => d.peripheral_bytes(&bytes),
            };
            prop_assert!(!decoded.text().is_empty() && !decoded.text().contains('\n'), "{:?}", decoded);
            prop_assert_eq!(decoded.typed.is_none(), decoded.name() == "RAW");
        }
    }

    /// A command that is typed is as long as its first bytes say.
    #[test]
    fn lengths_agree_with_what_parses(
        command in prop_oneof![0x08u8..=0x0F, 0x10u8..=0x17, 0x30u8..=0x37, 0x60u8..=0x67],
        sub in prop_oneof![0x00u8..=0x0A, 0xFAu8..=0xFF],
        rest in proptest::collection::vec(any::<u8>(), 30),
    ) {
        let mut bytes = vec![command, sub];
        bytes.extend(rest);
        let mut d = Dialogue::new();
        for len in 1..=bytes.len() {
            let block = Block::new(&bytes[..len]).unwrap();
            let decoded = d.master(&MasterFrame::Command(block));
            let other_form = decoded.text().contains("in the form of");
            if decoded.typed.is_some() && !other_form {
                for known in 1..=len {
                    match d.command_length(&bytes[..known]) {
                        Length::Known(n) => prop_assert_eq!(n, len + 1, "{}", decoded),
                        Length::NeedMore => prop_assert!(known < len, "{}", decoded),
                        Length::Unknown => {}
                    }
                }
            }
        }
    }
}
