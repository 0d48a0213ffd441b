//! Tests of [`super::Response`]: bytes of the captures and of section 6.6, and properties.

use super::*;
use crate::bill::command::tests::any_command;
use crate::bill::{EscrowCapability, Routing, identification, setup};
use crate::{CurrencyCode, Scaling};
use proptest::prelude::*;

#[track_caller]
fn round_trip(command: &Command, bytes: &[u8], text: &str) -> Response {
    let response = Response::parse(command, bytes).unwrap();
    assert_eq!(response.emit().bytes(), bytes);
    assert_eq!(response.to_string(), text);
    response
}

/// captures/clean-1.expect.json: every answer of 30H, in order, with its CHK.
#[test]
fn captured_answers() {
    let reset = round_trip(&Command::Poll, &[0x06], "JUST RESET");
    assert_eq!(reset.emit().chk(), 0x06);
    assert_eq!(reset.name(), "JUST RESET");
    let bytes = setup::tests::CAPTURED;
    let answer = Response::parse(&Command::Setup, &bytes).unwrap();
    assert_eq!(
        (answer.emit().bytes(), answer.emit().chk()),
        (&bytes[..], 0x71)
    );
    let bytes = identification::tests::CAPTURED;
    let answer = Response::parse(&Command::Identification, &bytes).unwrap();
    assert_eq!(
        (answer.emit().bytes(), answer.emit().chk()),
        (&bytes[..], 0xB6)
    );
    round_trip(&Command::Stacker, &[0x00, 0x03], "STACKER 3 bills");
    round_trip(&Command::Poll, &[0x90], "ESCROW POSITION type 0");
    round_trip(&Command::Poll, &[0x80], "BILL STACKED type 0");
}

/// Section 6.6: the answers its sequences name, in the bytes section 6.3 gives them.
#[test]
fn sequences_of_section_6_6() {
    // Accept sequence, bill returned; BILL WAITING of the dispense sequence.
    round_trip(&Command::Poll, &[0x91], "ESCROW POSITION type 1");
    round_trip(&Command::Poll, &[0xA1], "BILL RETURNED type 1");
    round_trip(&Command::Poll, &[0x2A], "BILL WAITING");
    // Reset sequence with a recycler.
    round_trip(
        &Command::RecyclerSetup,
        &[0x00, 0x06],
        "RECYCLER SETUP can recycle 1,2",
    );
    // Check stacker after accept sequence, the stacker being full.
    round_trip(&Command::Stacker, &[0x81, 0x90], "STACKER 400 bills, full");
    // Dispense sequence: VALUE PAID, BILLS PAID, DISPENSER STATUS.
    let text = "PAYOUT VALUE POLL paid out 10 since last asked";
    round_trip(&Command::PayoutValuePoll, &[0x00, 0x0A], text);
    round_trip(
        &Command::PayoutStatus,
        &[0, 0, 0, 3],
        "PAYOUT STATUS paid out 3 of type 1",
    );
    round_trip(&Command::PayoutStatus, &[0], "PAYOUT STATUS paid out none");
    round_trip(
        &Command::BillDispenseStatus,
        &[0x00, 0x02, 0, 0, 0, 7],
        "BILL DISPENSE STATUS holds 7 of type 1; full: 1",
    );
}

/// Section 6.3, 33H: several reports, bills and status mixed, up to 16 bytes.
#[test]
fn several_reports_in_one_answer() {
    let text = "BILL REMOVED; BILL RETURNED type 2; ATTEMPTS WHILE DISABLED 5";
    let answer = round_trip(&Command::Poll, &[0x07, 0xA2, 0x45], text);
    assert_eq!(answer.name(), "POLL");
    let Response::Poll(reports) = answer else {
        panic!("not a POLL answer");
    };
    assert_eq!(reports[1], Report::bill(Routing::Returned, 2));
    assert!(Response::parse(&Command::Poll, &[0x80; 16]).is_ok());
    assert_eq!(
        Response::parse(&Command::Poll, &[0x80; 17]),
        Err(ParseError::Long { at: 16, extra: 1 })
    );
}

/// Section 6.3, FTL POLLed responses: RETRY/DENY and REQ TO SEND from the validator.
#[test]
fn ftl_answers() {
    for bytes in [&[0x1C, 0x00, 0x30, 0x05][..], &[0x1F, 0x00, 0x30, 1, 4, 2]] {
        let answer = Response::parse(&Command::Poll, bytes).unwrap();
        assert!(matches!(answer, Response::Ftl(_)), "{answer:?}");
        assert_eq!(answer.emit().bytes(), bytes);
    }
}

/// Section 6.3, 37H-02H: 33 bytes, the options last and most significant first.
#[test]
fn identification_with_options() {
    let mut bytes = identification::tests::CAPTURED.to_vec();
    assert!(Response::parse(&Command::IdentificationWithOptions, &bytes).is_err());
    bytes.extend([0, 0, 0, 3]);
    let text = "EXPANSION IDENTIFICATION WITH OPTION BITS maker ZZZ, serial 000000000042, \
                model TESTUNIT-001, software 01.23, options: FTL, bill recycling";
    round_trip(&Command::IdentificationWithOptions, &bytes, text);
    assert!(Response::parse(&Command::Identification, &bytes).is_err());
}

#[test]
fn data_where_only_ack_is_allowed_is_an_error() {
    let error = Response::parse(&Command::Reset, &[0x06]).unwrap_err();
    assert!(error.to_string().contains("answered by ACK"), "{error}");
    assert!(Response::parse(&Command::Reset, &[]).is_err());
}

fn any_counts() -> impl Strategy<Value = BillCounts> {
    proptest::collection::vec(any::<u16>(), 0..=16).prop_map(|n| BillCounts::new(&n))
}

fn any_setup() -> impl Strategy<Value = Setup> {
    let head = any::<(u8, [u8; 2], u16, u8, u16, u16, bool)>();
    let credits = proptest::collection::vec(any::<u8>(), 0..=16);
    (head, credits).prop_map(|(head, credits)| Setup {
        level: head.0,
        currency: CurrencyCode(head.1),
        scaling: Scaling {
            factor: head.2,
            decimals: head.3,
        },
        stacker_capacity: head.4,
        security: BillTypes(head.5),
        escrow: match head.6 {
            true => EscrowCapability::Capable,
            false => EscrowCapability::None,
        },
        credits,
    })
}

fn any_answer() -> impl Strategy<Value = (Command, Response)> {
    // Not FTL codes: those in front could be read as an FTL response.
    let report = any::<u8>()
        .prop_filter("FTL code", |b| !Message::is_response(*b))
        .prop_map(Report::of);
    let poll = proptest::collection::vec(report, 1..=16);
    let id = any::<([u8; 3], [u8; 12], [u8; 12], [u8; 2])>().prop_map(
        |(manufacturer, serial, model, version)| Identification {
            manufacturer,
            serial,
            model,
            version,
        },
    );
    prop_oneof![
        poll.prop_map(|r| (Command::Poll, Response::Poll(r))),
        any_setup().prop_map(|s| (Command::Setup, Response::Setup(s))),
        (any::<bool>(), 0..=0x7FFFu16).prop_map(|(full, count)| {
            (Command::Stacker, Response::Stacker(Stacker { full, count }))
        }),
        id.clone()
            .prop_map(|id| (Command::Identification, Response::Identification(id))),
        (id, any::<u32>()).prop_map(|(id, n)| {
            let command = Command::IdentificationWithOptions;
            (command, Response::IdentificationWithOptions(id, Options(n)))
        }),
        any::<u16>().prop_map(|n| {
            (
                Command::RecyclerSetup,
                Response::RecyclerSetup(BillTypes(n)),
            )
        }),
        (any::<u16>(), any_counts()).prop_map(|(full, counts)| {
            let full = BillTypes(full);
            let response = Response::BillDispenseStatus { full, counts };
            (Command::BillDispenseStatus, response)
        }),
        any_counts()
            .prop_filter("at least one byte", |c| !c.bytes().is_empty())
            .prop_map(|c| (Command::PayoutStatus, Response::PayoutStatus(c))),
        any::<u16>().prop_map(|n| {
            let value = PayoutValue::Word(n);
            (Command::PayoutValuePoll, Response::PayoutValuePoll(value))
        }),
        proptest::collection::vec(any::<u8>(), 1..=35).prop_map(|data| {
            let command = Command::Diagnostics(Vec::new());
            (command, Response::Diagnostics(data))
        }),
    ]
}

proptest! {
    #[test]
    fn typed_answers_round_trip((command, response) in any_answer()) {
        let block = response.emit();
        prop_assert_eq!(Response::parse(&command, block.bytes()), Ok(response.clone()));
        prop_assert!(!response.to_string().is_empty());
    }

    #[test]
    fn any_bytes_round_trip_or_are_refused(
        command in any_command(),
        bytes in proptest::collection::vec(any::<u8>(), 0..=40),
    ) {
        if let Ok(response) = Response::parse(&command, &bytes) {
            let block = response.emit();
            prop_assert_eq!(block.bytes(), &bytes[..]);
        }
    }
}
