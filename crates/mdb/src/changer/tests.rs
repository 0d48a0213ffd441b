//! Real bytes of all changer messages.

use super::*;
use crate::prelude::*;
use crate::{Address, CurrencyCode, Length, ParseError, ftl};
use payrig_units::Money;

fn t(n: u8) -> CoinType {
    CoinType::of(n)
}

fn types(list: &[u8]) -> CoinTypes {
    list.iter().map(|n| t(*n)).collect()
}

/// Both ways, its length and its words.
fn command(bytes: &[u8], expected: Command, words: &str) {
    assert_eq!(Command::parse(bytes), Ok(expected.clone()));
    assert_eq!(expected.emit().bytes(), bytes);
    assert_eq!(length(bytes), Length::Known(bytes.len() + 1), "{words}");
    assert_eq!(expected.to_string(), words);
    assert!(words.contains(expected.name()));
}

fn response(to: &Command, bytes: &[u8], expected: &Response, words: &str) {
    assert_eq!(Response::parse(to, bytes).as_ref(), Ok(expected));
    assert_eq!(expected.emit().bytes(), bytes);
    assert_eq!(expected.to_string(), words);
}

/// Section 5.2: the table of commands; 5.3: their data.
#[test]
fn commands() {
    command(&[0x08], Command::Reset, "RESET");
    command(&[0x09], Command::Setup, "SETUP");
    command(&[0x0A], Command::TubeStatus, "TUBE STATUS");
    command(&[0x0B], Command::Poll, "POLL");
    command(
        &[0x0C, 0x80, 0x40, 0x00, 0x04],
        Command::CoinType {
            accept: types(&[6, 15]),
            manual_dispense: types(&[2]),
        },
        "COIN TYPE accept 6,15; manual dispense 2",
    );
    command(
        &[0x0D, 0x3F],
        Command::Dispense {
            coin_type: t(15),
            coins: DispenseCount::saturating(3),
        },
        "DISPENSE 3 of coin type 15",
    );
    command(&[0x0F, 0x00], Command::Identification, "IDENTIFICATION");
    command(
        &[0x0F, 0x01, 0, 0, 0, 0x06],
        Command::FeatureEnable(Features::EXTENDED_DIAGNOSTIC.with(Features::MANUAL_FILL_PAYOUT)),
        "FEATURE ENABLE extended diagnostic, controlled manual fill and payout",
    );
    // 5.3, PAYOUT: 75 cents with scaling factor 5 are 15 counts.
    command(
        &[0x0F, 0x02, 15],
        Command::Payout { value: 15 },
        "PAYOUT 15 counts",
    );
    command(&[0x0F, 0x03], Command::PayoutStatus, "PAYOUT STATUS");
    command(&[0x0F, 0x04], Command::PayoutValuePoll, "PAYOUT VALUE POLL");
    command(
        &[0x0F, 0x05],
        Command::SendDiagnosticStatus,
        "SEND DIAGNOSTIC STATUS",
    );
    command(
        &[0x0F, 0x06],
        Command::SendControlledManualFillReport,
        "SEND CONTROLLED MANUAL FILL REPORT",
    );
    command(
        &[0x0F, 0x07],
        Command::SendControlledManualPayoutReport,
        "SEND CONTROLLED MANUAL PAYOUT REPORT",
    );
    // 5.3, page 5-22, and 2.6.4.
    command(
        &[0x0F, 0xFD, 0x08, 0x00],
        Command::Ftl(ftl::Message::OkToSend {
            dest: Address::CHANGER,
            src: Address::VMC,
        }),
        "FTL OK TO SEND VMC is ready for changer",
    );
}

#[test]
fn lengths() {
    assert_eq!(length(&[]), Length::NeedMore);
    assert_eq!(length(&[0x0F]), Length::NeedMore);
    assert_eq!(length(&[0x0C]), Length::Known(6));
    assert_eq!(length(&[0x0F, 0xFE]), Length::Known(8));
    assert_eq!(length(&[0x0F, 0xFC, 0x08]), Length::Unknown);
    assert_eq!(length(&[0x0F, 0xFF]), Length::Unknown);
    assert_eq!(length(&[0x0E]), Length::Unknown);
    assert_eq!(length(&[0x33]), Length::Unknown);
}

/// Section 2.2: the worked example of a STATUS (SETUP) answer.
#[test]
fn setup_of_section_2_2() {
    let bytes = [
        0x02, 0x00, 0x01, 0x05, 0x02, 0x00, 0x07, 0x01, 0x02, 0x05, 0x14, 0xFF,
    ];
    let setup = Setup {
        level: 2,
        currency: CurrencyCode([0x00, 0x01]),
        scaling_factor: 5,
        decimals: 2,
        routing: types(&[0, 1, 2]),
        credits: PerType::new(&[1, 2, 5, 20, 0xFF]),
    };
    assert_eq!(setup.credit(t(0)), CoinCredit::Worth(Money(5)));
    assert_eq!(setup.credit(t(3)), CoinCredit::Worth(Money(100)));
    assert_eq!(setup.credit(t(4)), CoinCredit::Token);
    assert_eq!(setup.credit(t(5)), CoinCredit::Unused);
    response(
        &Command::Setup,
        &bytes,
        &Response::Setup(setup),
        "SETUP level 2, telephone code 1, scaling factor 5, 2 decimals, \
         tubes for coin types 0,1,2, credits 0: 1, 1: 2, 2: 5, 3: 20, 4: token",
    );
}

/// The changer's blocks of the house capture `clean-1`, encoded from the standard by a program
/// that shares no code with this crate.
#[test]
fn blocks_of_the_capture() {
    command(
        &[0x0C, 0x00, 0x0F, 0x00, 0x07],
        Command::CoinType {
            accept: types(&[0, 1, 2, 3]),
            manual_dispense: types(&[0, 1, 2]),
        },
        "COIN TYPE accept 0,1,2,3; manual dispense 0,1,2",
    );
    command(
        &[0x0D, 0x12],
        Command::Dispense {
            coin_type: t(2),
            coins: DispenseCount::saturating(1),
        },
        "DISPENSE 1 of coin type 2",
    );
    let mut setup = vec![0x03, 0x18, 0x40, 0x05, 0x02, 0x00, 0x07, 1, 2, 5, 20];
    setup.resize(23, 0);
    let expected = Response::Setup(Setup {
        level: 3,
        currency: CurrencyCode::USD,
        scaling_factor: 5,
        decimals: 2,
        routing: types(&[0, 1, 2]),
        credits: PerType::full([1, 2, 5, 20, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]),
    });
    assert_eq!(
        Response::parse(&Command::Setup, &setup),
        Ok(expected.clone())
    );
    assert_eq!(expected.emit().bytes(), setup);
    assert_eq!(expected.emit().chk(), 0x85);

    let id = Response::Identification(Identification::new(
        "ZZZ",
        "000000000041",
        "TESTUNIT-001",
        [0x01, 0x23],
        Features(3),
    ));
    let mut bytes = b"ZZZ000000000041TESTUNIT-001".to_vec();
    bytes.extend([0x01, 0x23, 0, 0, 0, 3]);
    response(
        &Command::Identification,
        &bytes,
        &id,
        "IDENTIFICATION maker ZZZ, serial 000000000041, model TESTUNIT-001, version 0123, \
         offers alternative payout, extended diagnostic",
    );
    assert_eq!(id.emit().chk(), 0xB8);

    let mut tubes = vec![0x00, 0x00, 12, 30, 25];
    tubes.resize(18, 0);
    let status = TubeStatus {
        full: CoinTypes::NONE,
        counts: PerType::full([12, 30, 25, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]),
    };
    response(
        &Command::TubeStatus,
        &tubes,
        &Response::TubeStatus(status),
        "TUBE STATUS coins in tubes 0: 12, 1: 30, 2: 25, full none",
    );
    response(
        &Command::Poll,
        &[0x0B],
        &Response::Poll(vec![Report::JUST_RESET]),
        "JUST RESET",
    );
    response(
        &Command::Poll,
        &[0x02],
        &Response::Poll(vec![Report::Status(Status::ChangerPayoutBusy)]),
        "CHANGER PAYOUT BUSY",
    );
    response(
        &Command::Poll,
        &[0x52, 0x1A],
        &Response::Poll(vec![Report::CoinsDeposited {
            coin_type: t(2),
            routing: Routing::Tubes,
            in_tube: 26,
        }]),
        "COINS DEPOSITED coin type 2 to its tube, 26 in tube",
    );
}

/// Section 5.3, POLL: several activities in one answer, each of its own shape.
#[test]
fn several_reports_in_one_answer() {
    let bytes = [0x01, 0x43, 0x00, 0x71, 0x05, 0xB2, 0x11, 0x27, 0x0D, 0x0E];
    let reports = vec![
        Report::Status(Status::EscrowRequest),
        Report::CoinsDeposited {
            coin_type: t(3),
            routing: Routing::CashBox,
            in_tube: 0,
        },
        Report::CoinsDeposited {
            coin_type: t(1),
            routing: Routing::Reject,
            in_tube: 5,
        },
        Report::CoinsDispensedManually {
            coin_type: t(2),
            coins: ManualCount::saturating(3),
            in_tube: 17,
        },
        Report::Slug(SlugCount::saturating(7)),
        Report::Status(Status::PossibleCreditedCoinRemoval),
        Report::Unknown(0x0E),
    ];
    response(
        &Command::Poll,
        &bytes,
        &Response::Poll(reports),
        "ESCROW REQUEST; COINS DEPOSITED coin type 3 to the cash box, 0 in tube; \
         COINS DEPOSITED coin type 1 rejected, 5 in tube; \
         COINS DISPENSED MANUALLY 3 of coin type 2, 17 in tube; SLUG 7; \
         POSSIBLE CREDITED COIN REMOVAL; UNKNOWN ACTIVITY 0EH",
    );
}

/// Section 5.3, POLL: at most 16 bytes.
#[test]
fn a_poll_answer_is_cut_at_a_whole_report() {
    let coin = Report::CoinsDeposited {
        coin_type: t(0),
        routing: Routing::Tubes,
        in_tube: 1,
    };
    let mut reports = vec![Report::Status(Status::EscrowRequest)];
    reports.extend([coin; 8]);
    assert_eq!(Response::Poll(reports).emit().bytes().len(), 15);
    assert_eq!(
        Response::parse(&Command::Poll, &[0x01; 17]),
        Err(ParseError::Long { at: 16, extra: 1 })
    );
}

/// Section 5.3, TUBE STATUS, note: full, yet empty, means defective.
#[test]
fn a_defective_tube() {
    response(
        &Command::TubeStatus,
        &[0x00, 0x05, 0x00, 0x08, 0x40],
        &Response::TubeStatus(TubeStatus {
            full: types(&[0, 2]),
            counts: PerType::new(&[0, 8, 64]),
        }),
        "TUBE STATUS coins in tubes 1: 8, 2: 64, full 2, defective 0",
    );
}

/// Section 5.3, 0FH 03H to 07H.
#[test]
fn expansion_answers() {
    response(
        &Command::PayoutStatus,
        &[0x00],
        &Response::PayoutStatus(PerType::new(&[0])),
        "PAYOUT STATUS coins paid out none",
    );
    response(
        &Command::PayoutValuePoll,
        &[0x05],
        &Response::PayoutValue(5),
        "PAYOUT VALUE POLL 5 counts since the last",
    );
    response(
        &Command::SendDiagnosticStatus,
        &[0x03, 0x00],
        &Response::DiagnosticStatus(vec![DiagnosticCode::OK]),
        "SEND DIAGNOSTIC STATUS 03/00 OK, ready for coins",
    );
    response(
        &Command::SendControlledManualFillReport,
        &[0x00, 0x0A, 0x14],
        &Response::ManualFillReport(PerType::new(&[0, 10, 20])),
        "SEND CONTROLLED MANUAL FILL REPORT coins put in 1: 10, 2: 20",
    );
    response(
        &Command::SendControlledManualPayoutReport,
        &[0xFF],
        &Response::ManualPayoutReport(PerType::new(&[255])),
        "SEND CONTROLLED MANUAL PAYOUT REPORT coins paid out 0: 255",
    );
    let deny = ftl::Message::RetryDeny {
        dest: Address::VMC,
        src: Address::CHANGER,
        delay: 0,
    };
    response(
        &Command::Poll,
        &[0x1C, 0x00, 0x08, 0x00],
        &Response::Ftl(deny),
        "FTL RETRY/DENY changer to VMC: never",
    );
}

#[test]
fn errors_say_what_was_expected() {
    let error = |bytes: &[u8]| Command::parse(bytes).unwrap_err().to_string();
    assert!(error(&[0x0E]).contains("08H to 0DH or 0FH"));
    assert!(error(&[0x0F, 0x08]).contains("00H to 07H or FAH to FFH"));
    assert!(error(&[0x0D]).contains("byte 1 is missing"));
    assert!(error(&[0x0B, 0x00]).contains("1 bytes more"));
    assert!(error(&[0x37, 0xFD, 0x08, 0x00]).contains("byte 0 is 37H"));
    assert!(Response::parse(&Command::Poll, &[0x52]).is_err());
    assert!(Response::parse(&Command::Poll, &[]).is_err());
    assert!(Response::parse(&Command::Reset, &[0x01]).is_err());
    assert!(Response::parse(&Command::SendDiagnosticStatus, &[0x03]).is_err());
}
