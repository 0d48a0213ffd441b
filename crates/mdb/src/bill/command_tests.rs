//! Tests of [`super::Command`]: bytes of the captures and of section 6.3, and properties.

use super::*;
use crate::Length;
use crate::bill::length;
use crate::ftl;
use proptest::prelude::*;

#[track_caller]
fn round_trip(bytes: &[u8], command: Command, text: &str) {
    assert_eq!(Command::parse(bytes), Ok(command.clone()));
    assert_eq!(command.emit().bytes(), bytes);
    assert_eq!(command.to_string(), text);
}

/// captures/clean-1.expect.json, 805657 us and on: what the master says to 30H.
#[test]
fn captured_commands() {
    round_trip(&[0x33], Command::Poll, "POLL");
    round_trip(&[0x31], Command::Setup, "SETUP");
    let identify = Command::Identification;
    round_trip(&[0x37, 0x00], identify, "EXPANSION IDENTIFICATION");
    round_trip(&[0x36], Command::Stacker, "STACKER");
    let enable = Command::BillType {
        enable: BillTypes(0x000F),
        escrow: BillTypes(0x000F),
    };
    round_trip(
        &[0x34, 0x00, 0x0F, 0x00, 0x0F],
        enable.clone(),
        "BILL TYPE accept 0,1,2,3 escrow 0,1,2,3",
    );
    assert_eq!(enable.emit().chk(), 0x52);
    let stack = Command::Escrow(EscrowStatus::STACK);
    round_trip(&[0x35, 0x01], stack.clone(), "ESCROW stack");
    assert_eq!(stack.emit().chk(), 0x36);
}

/// Section 6.3: the code of every other command, with the layout of its data.
#[test]
fn codes_of_section_6_3() {
    round_trip(&[0x30], Command::Reset, "RESET");
    round_trip(
        &[0x32, 0x80, 0x01],
        Command::Security(BillTypes(0x8001)),
        "SECURITY high 0,15",
    );
    round_trip(
        &[0x35, 0x00],
        Command::Escrow(EscrowStatus(0)),
        "ESCROW return",
    );
    round_trip(
        &[0x35, 0xFF],
        Command::Escrow(EscrowStatus(255)),
        "ESCROW stack",
    );
    round_trip(
        &[0x37, 0x01, 0, 0, 0, 2],
        Command::FeatureEnable(Options::RECYCLING),
        "EXPANSION FEATURE ENABLE bill recycling",
    );
    round_trip(
        &[0x37, 0x02],
        Command::IdentificationWithOptions,
        "EXPANSION IDENTIFICATION WITH OPTION BITS",
    );
    round_trip(&[0x37, 0x03], Command::RecyclerSetup, "RECYCLER SETUP");
    let mut use_for = [RecyclerUse::Disabled; 16];
    use_for[1] = RecyclerUse::All;
    use_for[2] = RecyclerUse::High;
    round_trip(
        &[
            0x37, 0x04, 0, 2, 0, 3, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
        ],
        Command::RecyclerEnable {
            manual_dispense: BillTypes(2),
            use_for,
        },
        "RECYCLER ENABLE manual dispense 1, recycle 1=all, 2=high quality",
    );
    round_trip(
        &[0x37, 0x05],
        Command::BillDispenseStatus,
        "BILL DISPENSE STATUS",
    );
    round_trip(
        &[0x37, 0x06, 0x02, 0x01, 0x00],
        Command::DispenseBill {
            bill_type: 2,
            count: 256,
        },
        "DISPENSE BILL 256 of type 2",
    );
    // The $15.00 example of 37H-07H; the text says "Y1 will equal 15" of a two-byte value.
    round_trip(
        &[0x37, 0x07, 0x00, 0x0F],
        Command::DispenseValue(15),
        "DISPENSE VALUE 15",
    );
    round_trip(&[0x37, 0x08], Command::PayoutStatus, "PAYOUT STATUS");
    round_trip(&[0x37, 0x09], Command::PayoutValuePoll, "PAYOUT VALUE POLL");
    round_trip(&[0x37, 0x0A], Command::PayoutCancel, "PAYOUT CANCEL");
    round_trip(
        &[0x37, 0xFF, 0xAB, 0x01],
        Command::Diagnostics(vec![0xAB, 0x01]),
        "DIAGNOSTICS AB 01",
    );
    let bytes = [0x37, 0xFD, 0x30, 0x00];
    let ok = Message::parse_command(&bytes).unwrap();
    round_trip(&bytes, Command::Ftl(ok), &ok.to_string());
}

#[test]
fn errors_name_the_byte() {
    let error = |bytes: &[u8]| Command::parse(bytes).unwrap_err().to_string();
    assert!(error(&[]).contains("byte 0 is missing"));
    assert!(error(&[0x0B]).contains("byte 0 is 0BH"));
    assert!(error(&[0x34, 0, 1, 0]).contains("Y3-Y4"));
    assert!(error(&[0x33, 0]).contains("1 bytes more"));
    assert!(error(&[0x37, 0x0B]).contains("byte 1 is 0BH"));
    assert!(error(&[0x37, 0x06, 0x10, 0, 1]).contains("byte 2 is 10H"));
}

fn ftl_message() -> impl Strategy<Value = Message> {
    let data = proptest::collection::vec(any::<u8>(), 0..=31);
    (any::<u8>(), data).prop_map(|(block, data)| Message::SendBlock {
        dest: Address::BILL_VALIDATOR,
        block,
        data: ftl::Chunk::new(&data).unwrap(),
    })
}

/// Every command, with any data.
pub(crate) fn any_command() -> impl Strategy<Value = Command> {
    prop_oneof![
        Just(Command::Reset),
        Just(Command::Setup),
        any::<u16>().prop_map(|n| Command::Security(BillTypes(n))),
        Just(Command::Poll),
        any::<(u16, u16)>().prop_map(|(a, b)| Command::BillType {
            enable: BillTypes(a),
            escrow: BillTypes(b),
        }),
        any::<u8>().prop_map(|n| Command::Escrow(EscrowStatus(n))),
        Just(Command::Stacker),
        Just(Command::Identification),
        any::<u32>().prop_map(|n| Command::FeatureEnable(Options(n))),
        Just(Command::IdentificationWithOptions),
        Just(Command::RecyclerSetup),
        any::<(u16, [u8; 16])>().prop_map(|(n, uses)| Command::RecyclerEnable {
            manual_dispense: BillTypes(n),
            use_for: uses.map(RecyclerUse::of),
        }),
        Just(Command::BillDispenseStatus),
        (0..16u8, any::<u16>())
            .prop_map(|(bill_type, count)| Command::DispenseBill { bill_type, count }),
        any::<u16>().prop_map(Command::DispenseValue),
        Just(Command::PayoutStatus),
        Just(Command::PayoutValuePoll),
        Just(Command::PayoutCancel),
        ftl_message().prop_map(Command::Ftl),
        proptest::collection::vec(any::<u8>(), 0..=33).prop_map(Command::Diagnostics),
    ]
}

proptest! {
    #[test]
    fn typed_commands_round_trip(command in any_command()) {
        let block = command.emit();
        prop_assert_eq!(Command::parse(block.bytes()), Ok(command.clone()));
        prop_assert!(command.to_string().starts_with(command.name()));
        match length(block.bytes()) {
            Length::Known(n) => prop_assert_eq!(n, block.bytes().len() + 1),
            other => prop_assert_eq!(other, Length::Unknown),
        }
    }

    #[test]
    fn any_bytes_round_trip_or_are_refused(
        first in 0x30..=0x38u8,
        rest in proptest::collection::vec(prop_oneof![0..12u8, any::<u8>()], 0..=40),
    ) {
        let bytes: Vec<u8> = [first].into_iter().chain(rest).collect();
        let _ = length(&bytes);
        if let Ok(command) = Command::parse(&bytes) {
            let block = command.emit();
            prop_assert_eq!(block.bytes(), &bytes[..]);
        }
    }
}
