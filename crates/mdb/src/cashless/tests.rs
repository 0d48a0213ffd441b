//! Real bytes of the standard and of a capture, and round trips of everything.

use super::samples::{fixed_reports, kinds, last_reports, modes};
use super::*;
use crate::prelude::*;
use crate::{Block, CurrencyCode, Length, ParseError};
use proptest::collection::vec;
use proptest::prelude::*;

const L1: Mode = Mode::level(Level::ONE);
const L2: Mode = Mode::level(Level::TWO);

fn options(options: Options) -> Mode {
    Mode {
        options,
        ..Mode::level(Level::THREE)
    }
}

/// Bytes as they travelled, CHK last.
fn wire(text: &str) -> Block {
    let bytes: Vec<u8> = text
        .split_whitespace()
        .map(|b| u8::from_str_radix(b, 16).unwrap())
        .collect();
    Block::from_wire(&bytes).unwrap()
}

fn command(text: &str, mode: &Mode) -> Command {
    let block = wire(text);
    let command = Command::parse(block.bytes(), mode).unwrap();
    assert_eq!(command.emit(mode), block);
    command
}

fn poll() -> Command {
    Command::new(Unit::One, Kind::Poll)
}

fn reports(text: &str, mode: &Mode) -> Vec<Report> {
    let block = wire(text);
    let response = Response::parse(&poll(), block.bytes(), mode).unwrap();
    assert_eq!(response.emit(mode), Some(block));
    response.reports().to_vec()
}

/// 7.3.1: VEND DENIED, MALFUNCTION/ERROR 07H, SESSION CANCEL REQUEST in one block, CHK 1BH.
#[test]
fn multi_message_example_of_the_standard() {
    assert_eq!(
        reports("06 0A 07 04 1B", &L1),
        [
            Report::VendDenied,
            Report::Malfunction(Malfunction(0x07)),
            Report::SessionCancelRequest
        ]
    );
}

/// The cashless part of the capture clean-1 (`captures/clean-1.expect.json`).
#[test]
fn start_up_of_a_capture() {
    assert_eq!(command("12 12", &L1).kind, Kind::Poll);
    assert_eq!(reports("00 00", &L1), [Report::JustReset]);
    let setup = command("11 00 02 10 02 00 25", &L1);
    assert_eq!(
        setup.kind,
        Kind::SetupConfig(VmcConfig {
            level: Level::TWO,
            columns: 16,
            rows: 2,
            display: 0
        })
    );
    let config = ReaderConfig {
        level: Level::TWO,
        currency: CurrencyCode::USD,
        scale: 5,
        decimals: 2,
        response_time: 7,
        misc: ReaderConfig::MULTIVEND,
    };
    assert_eq!(
        reports("01 02 18 40 05 02 07 02 6B", &L1),
        [Report::ReaderConfig(config)]
    );
    assert_eq!(config.non_response_seconds(), 7);
    assert_eq!(config.scaling().to_minor(25), 125);
    assert_eq!(
        command("11 01 00 3C 00 0A 58", &L2).kind,
        Kind::SetupPrices(PriceRange {
            max: Some(60),
            min: 10,
            currency: None
        })
    );
    let id = command(
        "17 00 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 37 54 45 53 54 55 4E 49 54 2D 30 30 31 01 23 CE",
        &L2,
    );
    assert_eq!(
        id.to_string(),
        "EXPANSION REQUEST ID from VMC maker \"ZZZ\", serial \"000000000007\", \
         model \"TESTUNIT-001\", version 01.23"
    );
    let answer = reports(
        "09 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 34 33 54 45 53 54 55 4E 49 54 2D 30 30 31 01 23 C0",
        &L2,
    );
    let [Report::PeripheralId(id)] = answer.as_slice() else {
        panic!("{answer:?}")
    };
    assert_eq!(
        id.id,
        Identification::new("ZZZ", "000000000043", "TESTUNIT-001", [0x01, 0x23])
    );
    assert_eq!(id.options, None);
    assert_eq!(command("14 01 15", &L2).kind, Kind::ReaderEnable);
}

/// Same capture: a sale of 1.25 at scale factor 5, item 4.
#[test]
fn sale_of_a_capture() {
    let request = command("13 00 00 19 00 04 30", &L2);
    assert_eq!(request.to_string(), "VEND REQUEST price 25, item 4");
    assert_eq!(
        reports("05 00 19 1E", &L2),
        [Report::VendApproved {
            amount: Some(25),
            options_amount: None
        }]
    );
    assert_eq!(
        command("13 02 00 04 19", &L2).to_string(),
        "VEND SUCCESS item 4"
    );
    assert_eq!(command("13 04 17", &L2).kind, Kind::SessionComplete);
    assert_eq!(reports("07 07", &L2), [Report::EndSession]);
}

/// Same capture: the reader answers with level 01's BEGIN SESSION after both said level 02.
#[test]
fn begin_session_in_another_levels_form_is_read_and_reported() {
    let bytes = [0x03, 0x00, 0xC8];
    assert!(matches!(
        Response::parse(&poll(), &bytes, &L2),
        Err(ParseError::Short { at: 3, .. })
    ));
    let (response, mode) = Response::parse_any(&poll(), &bytes, &L2).unwrap();
    assert_eq!(mode.level, Level::ONE);
    assert_eq!(response.to_string(), "BEGIN SESSION funds 200");
    // And the other way round: level 02's form at level 01.
    let bytes = [3, 0, 200, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0];
    let (response, mode) = Response::parse_any(&poll(), &bytes, &L1).unwrap();
    assert_eq!(mode.level, Level::TWO);
    assert_eq!(response.reports().len(), 1);
    // PERIPHERAL ID with feature bits at level 02.
    let id = PeripheralId {
        id: Identification::new("ZZZ", "1", "X", [0, 1]),
        options: Some(Options::FTL),
    };
    let long = Response::Poll(vec![Report::PeripheralId(id)])
        .emit(&options(Options::NONE))
        .unwrap();
    let (response, mode) = Response::parse_any(&poll(), long.bytes(), &L2).unwrap();
    assert_eq!(
        (mode.level, response.reports()),
        (Level::THREE, &[Report::PeripheralId(id)][..])
    );
}

/// 7.4.4: forms of BEGIN SESSION; FFFFH means not yet determined.
#[test]
fn begin_session_in_every_form() {
    let full = BeginSession {
        funds: None,
        media: Some(PaymentMedia {
            id: Some(0x0102_0304),
            kind: 0x03,
            data: [0, 20],
        }),
        user: Some(UserSettings {
            language: *b"en",
            currency: Some(CurrencyCode::USD),
            card_options: 0x06,
        }),
    };
    let emit = |mode: &Mode| {
        Response::Poll(vec![Report::BeginSession(full)])
            .emit(mode)
            .unwrap()
            .bytes()
            .to_vec()
    };
    assert_eq!(emit(&L1), [0x03, 0xFF, 0xFF]);
    assert_eq!(emit(&L2), [0x03, 0xFF, 0xFF, 1, 2, 3, 4, 3, 0, 20]);
    for bits in [Options::MONEY_32, Options::MULTI_CURRENCY] {
        assert_eq!(
            emit(&options(bits)),
            [
                0x03, 0xFF, 0xFF, 0xFF, 0xFF, 1, 2, 3, 4, 3, 0, 20, 0x65, 0x6E, 0x18, 0x40, 0x06
            ]
        );
    }
}

/// Funds above the field's range are the largest that means an amount: FFFEH (7.4.4).
#[test]
fn funds_too_large_are_capped_not_unknown() {
    let begin = Report::BeginSession(BeginSession {
        funds: Some(70_000),
        media: None,
        user: None,
    });
    let block = Response::Poll(vec![begin]).emit(&L1).unwrap();
    assert_eq!(block.bytes(), [0x03, 0xFF, 0xFE]);
}

/// Lengths with CHK as the tables of 7.4.3, 7.4.5, 7.4.7, 7.4.8, 7.4.10 and 7.4.11 give them.
#[test]
fn lengths_of_the_optional_forms() {
    let expanded = options(Options::MONEY_32);
    let basket = options(Options::BASKET);
    let enhanced = options(Options::ENHANCED_ITEMS);
    let all = options(Options::DEFINED);
    let modes = [L1, expanded, basket, enhanced, all];
    let rows: [(&[u8], [usize; 5]); 6] = [
        (&[0x11, 1], [7, 13, 7, 7, 13]),
        (&[0x13, 0], [7, 9, 14, 7, 18]),
        (&[0x63, 2], [5, 5, 10, 19, 28]),
        (&[0x13, 3], [3, 3, 11, 3, 15]),
        (&[0x13, 5], [7, 11, 7, 22, 26]),
        (&[0x13, 6], [7, 9, 7, 7, 9]),
    ];
    for (bytes, expected) in rows {
        let lengths = modes.map(|mode| length_in(bytes, &mode));
        assert_eq!(lengths, expected.map(Length::Known), "{bytes:02X?}");
    }
    assert_eq!(length_in(&[0x17, 0xFF], &L1), Length::Unknown);
}

/// Without a mode only what no mode changes is known.
#[test]
fn lengths_without_a_mode() {
    let rows: [(&[u8], Length); 8] = [
        (&[0x10], Length::Known(2)),
        (&[0x11, 0], Length::Known(7)),
        (&[0x11, 1], Length::Unknown),
        (&[0x13], Length::NeedMore),
        (&[0x13, 0], Length::Unknown),
        (&[0x13, 4], Length::Known(3)),
        (&[0x17, 0x02, 0x01], Length::NeedMore),
        (&[0x16], Length::Unknown),
    ];
    for (bytes, expected) in rows {
        assert_eq!(length(bytes), expected, "{bytes:02X?}");
    }
}

/// 7.7, example 24: a sale of 2.00 paid with cashless 1, reported to cashless 2, and its CASH SALE
/// flags.
#[test]
fn cash_sale_of_example_24() {
    let mode = options(Options::ENHANCED_ITEMS);
    let block = Block::new(&[
        0x63, 0x05, 0x00, 0xC8, 0x00, 0x01, 0x00, 0x01, b'C', b'1', b' ', b' ', b' ', b' ', b'C',
        b'1', b' ', b' ', b' ', b' ', 0b010,
    ])
    .unwrap();
    let sale = Command::parse(block.bytes(), &mode).unwrap();
    assert_eq!(sale.unit, Unit::Two);
    assert_eq!(
        sale.to_string(),
        "CASH SALE price 200, item 1, dispensed item 1, paid with cashless 1"
    );
    assert_eq!(sale.emit(&mode), block);
}

/// 7.4.10: b15 to b12 of the item number.
#[test]
fn item_number_conventions() {
    let sale = |item| CashSale {
        price: 0,
        item,
        currency: None,
        detail: None,
    };
    assert!(sale(0x8004).is(CashSale::FREE));
    assert!(sale(0x4004).is(CashSale::TEST));
    assert!(sale(0x2004).is(CashSale::NEGATIVE));
    assert!(sale(0x1004).is(CashSale::TOKEN));
    assert_eq!(sale(0x8004).item_number(), Some(4));
    assert_eq!(sale(0xFFFF).item_number(), None);
    assert!(!sale(0xFFFF).is(CashSale::FREE));
}

/// 7.4.4: one byte at level 01, with the state from level 02 on.
#[test]
fn out_of_sequence_in_both_forms() {
    assert_eq!(reports("0B 0B", &L1), [Report::OutOfSequence(None)]);
    assert_eq!(
        reports("0B 05 10", &L2),
        [Report::OutOfSequence(Some(State::Vend))]
    );
}

#[test]
fn errors_say_what_was_expected() {
    let text = |bytes: &[u8], mode: &Mode| Command::parse(bytes, mode).unwrap_err().to_string();
    assert!(text(&[0x13, 0x00, 0x00], &L1).contains("byte 3 is missing: item price"));
    assert!(text(&[0x30], &L1).contains("10H-17H or 60H-67H"));
    assert!(text(&[0x13, 0x09], &L1).contains("byte 1 is 09H"));
    assert!(text(&[0x12, 0x00], &L1).contains("1 bytes more"));
}

#[test]
fn reports_that_do_not_fit_are_left_for_later() {
    let text = vec![b'X'; 32];
    let response = Response::Poll(vec![
        Report::VendDenied,
        Report::DisplayRequest { time: 10, text },
        Report::SessionCancelRequest,
    ]);
    assert_eq!(response.fitting(&L1), 2);
    assert_eq!(response.emit(&L1).unwrap().bytes().len(), 35);
}

#[test]
fn negotiation_takes_the_lower_level_and_drops_options_at_reset() {
    let mut n = Negotiation::new();
    n.command(&command("11 00 03 10 02 00 26", &L1));
    n.response(&Response::parse(&poll(), &[1, 3, 0x18, 0x40, 5, 2, 7, 2], &n.mode()).unwrap());
    assert_eq!(n.mode().display, 32);
    let enable = Kind::EnableOptions(Options::MONEY_32 | Options::BASKET);
    n.command(&Command::new(Unit::One, enable));
    assert!(n.mode().expanded() && n.mode().has(Options::BASKET));
    n.command(&Command::new(Unit::One, Kind::Reset));
    assert_eq!(n.mode().money_bits(), 16);
    n.response(&Response::parse(&poll(), &[1, 1, 0x18, 0x40, 5, 2, 7, 2], &n.mode()).unwrap());
    assert_eq!(n.mode().level, Level::ONE);
}

fn mode_and_command() -> impl Strategy<Value = (Mode, Command)> {
    (modes(), prop_oneof![Just(Unit::One), Just(Unit::Two)]).prop_flat_map(|(mode, unit)| {
        kinds(mode).prop_map(move |kind| (mode, Command::new(unit, kind)))
    })
}

fn mode_and_response() -> impl Strategy<Value = (Mode, Response)> {
    modes().prop_flat_map(|mode| {
        (
            vec(fixed_reports(mode), 0..4),
            proptest::option::of(last_reports(mode)),
        )
            .prop_filter("not empty", |(fixed, last)| {
                !fixed.is_empty() || last.is_some()
            })
            .prop_map(move |(mut all, last)| {
                all.extend(last);
                let n = Response::Poll(all.clone()).fitting(&mode).min(all.len());
                all.truncate(n);
                (mode, Response::Poll(all))
            })
    })
}

proptest! {
    #[test]
    fn commands_round_trip((mode, command) in mode_and_command()) {
        let block = command.emit(&mode);
        prop_assert_eq!(Command::parse(block.bytes(), &mode), Ok(command.clone()));
        prop_assert!(command.to_string().starts_with(command.name()));
        prop_assert!([length_in(block.bytes(), &mode), Length::Unknown].contains(&length(block.bytes())));
        let whole = block.bytes().len() + 1;
        for n in 0..=block.bytes().len() {
            match length_in(&block.bytes()[..n], &mode) {
                Length::NeedMore => prop_assert!(n < block.bytes().len()),
                Length::Known(len) => prop_assert_eq!(len, whole),
                Length::Unknown => prop_assert!(matches!(command.kind, Kind::Ftl(_) | Kind::Diagnostics(_))),
            }
        }
    }

    #[test]
    fn responses_round_trip((mode, response) in mode_and_response()) {
        let block = response.emit(&mode).unwrap();
        prop_assert_eq!(Response::parse(&poll(), block.bytes(), &mode), Ok(response.clone()));
        prop_assert!(response.to_string().starts_with(response.name()));
    }

    #[test]
    fn any_command_bytes_parse_or_say_why(mode in modes(), bytes in vec(any::<u8>(), 0..=35), near in 0usize..16) {
        let mut bytes = bytes;
        if let Some(first) = bytes.first_mut() {
            *first = [0x10, 0x60][near % 2] + (near / 2) as u8;
        }
        let _ = (length(&bytes), length_in(&bytes, &mode));
        if let Ok(command) = Command::parse(&bytes, &mode) {
            prop_assert_eq!(command.emit(&mode), Block::new(&bytes).unwrap());
        }
        if let Ok((command, form)) = Command::parse_any(&bytes, &mode) {
            prop_assert_eq!(command.emit(&form), Block::new(&bytes).unwrap());
        }
    }

    #[test]
    fn any_response_bytes_parse_or_say_why(mode in modes(), bytes in vec(prop_oneof![0u8..0x20, any::<u8>()], 1..=35)) {
        if let Ok(response) = Response::parse(&poll(), &bytes, &mode) {
            prop_assert_eq!(response.emit(&mode), Block::new(&bytes).ok());
        }
        if let Ok((response, form)) = Response::parse_any(&poll(), &bytes, &mode) {
            prop_assert_eq!(response.emit(&form), Block::new(&bytes).ok());
            prop_assert!(!response.to_string().is_empty());
        }
    }
}
