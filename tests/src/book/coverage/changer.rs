//! Section 5.

use super::{Row, Table, bytes, row, rows};
use payrig_mdb::changer::{Command, Report, Response, Status};

fn command(sample: &str) -> Command {
    Command::parse(&bytes(sample).0).expect("a sample")
}

fn response(sample: &str) -> Response {
    let (asked, answer) = bytes(sample);
    let asked = Command::parse(&asked).expect("a sample");
    Response::parse(&asked, &answer).expect("a sample")
}

fn report(sample: &str) -> Report {
    match Response::parse(&Command::Poll, &bytes(sample).0).expect("a sample") {
        Response::Poll(reports) => *reports.first().expect("one report"),
        other => panic!("{other:?} is no report"),
    }
}

fn status(sample: &str) -> Status {
    match report(sample) {
        Report::Status(status) => status,
        other => panic!("{other:?} is no status"),
    }
}

fn commands() -> Vec<(String, Row)> {
    rows!(Command, command;
        Command::Reset => row("08H", "08", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer every_reset_brings_the_power_on_state",
        ]),
        Command::Setup => row("09H", "09", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer tokens_move_no_money",
        ]),
        Command::TubeStatus => row("0AH", "0A", "5.3", "board", "changer", &[
            "tests/tests section_5_6_coin_dispense_sequence_vmc_algorithm",
            "crates/peripherals/src/changer a_defective_tube",
        ]),
        Command::Poll => row("0BH", "0B", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer silence_and_business",
        ]),
        Command::CoinType { .. } => row("0CH", "0C 00 0F 00 0F", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer disabled_coins_come_back",
        ]),
        Command::Dispense { .. } => row("0DH", "0D 12", "5.3", "board", "changer", &[
            "tests/tests section_5_6_coin_dispense_sequence_vmc_algorithm",
            "crates/peripherals/src/changer dispense_three_quarters",
        ]),
        Command::Identification => row("0FH 00H", "0F 00", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer plays_its_part_of_the_capture",
        ]),
        Command::FeatureEnable(_) => row("0FH 01H", "0F 01 00 00 00 02", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer features_have_to_be_enabled",
        ]),
        Command::Payout { .. } => row("0FH 02H", "0F 02 05", "5.3", "board", "changer", &[
            "tests/tests section_5_6_coin_dispense_sequence_alternative_payout",
            "crates/peripherals/src/changer alternative_payout",
        ]),
        Command::PayoutStatus => row("0FH 03H", "0F 03", "5.3", "board", "changer", &[
            "tests/tests section_5_6_coin_dispense_sequence_alternative_payout",
            "crates/peripherals/src/changer alternative_payout",
        ]),
        Command::PayoutValuePoll => row("0FH 04H", "0F 04", "5.3", "board", "changer", &[
            "tests/tests section_5_6_coin_dispense_sequence_alternative_payout",
            "crates/peripherals/src/changer features_have_to_be_enabled",
        ]),
        Command::SendDiagnosticStatus => row("0FH 05H", "0F 05", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer features_have_to_be_enabled",
        ]),
        Command::SendControlledManualFillReport => row("0FH 06H", "0F 06", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer features_have_to_be_enabled",
        ]),
        Command::SendControlledManualPayoutReport => row("0FH 07H", "0F 07", "5.3", "board", "changer", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer features_have_to_be_enabled",
        ]),
        Command::Ftl(_) => row("0FH FAH-FEH", "0F FD 08 00", "5.3, 2.6.4", "board", "changer", &[
            "crates/peripherals/src/changer takes_a_file_and_resets",
            "tests/tests everybody_with_everybody",
        ]),
        Command::Diagnostics(_) => row("0FH FFH", "0F FF 01", "5.3", "board", "changer", &[
            "tests/tests diagnostics_of_every_device",
            "crates/mdb/src/changer lengths",
        ]),
    )
}

fn responses() -> Vec<(String, Row)> {
    rows!(Response, response;
        Response::Setup(_) => row("to 09H", "09;03 18 40 05 02 00 07 01 02 05 14", "5.3", "changer", "board", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer tokens_move_no_money",
        ]),
        Response::TubeStatus(_) => row("to 0AH", "0A;00 00 05 06 07", "5.3", "changer", "board", &[
            "tests/tests section_5_6_coin_dispense_sequence_vmc_algorithm",
            "crates/peripherals/src/changer a_defective_tube",
        ]),
        Response::Poll(_) => row("to 0BH", "0B;0B", "5.3", "changer", "board", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/peripherals/src/changer silence_and_business",
        ]),
        Response::Identification(_) => row("to 0FH 00H", "0F 00;5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 30 31 31 31 31 31 31 31 31 31 31 31 31 01 00 00 00 00 0F", "5.3", "changer", "board", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/mdb/src/changer commands",
        ]),
        Response::PayoutStatus(_) => row("to 0FH 03H", "0F 03;01 00 02", "5.3", "changer", "board", &[
            "tests/tests section_5_6_coin_dispense_sequence_alternative_payout",
            "crates/peripherals/src/changer alternative_payout",
        ]),
        Response::PayoutValue(_) => row("to 0FH 04H", "0F 04;05", "5.3", "changer", "board", &[
            "tests/tests section_5_6_coin_dispense_sequence_alternative_payout",
            "crates/mdb/src/changer expansion_answers",
        ]),
        Response::DiagnosticStatus(_) => row("to 0FH 05H", "0F 05;03 00", "5.3", "changer", "board", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/mdb/src/changer expansion_answers",
        ]),
        Response::ManualFillReport(_) => row("to 0FH 06H", "0F 06;00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00", "5.3", "changer", "board", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/mdb/src/changer expansion_answers",
        ]),
        Response::ManualPayoutReport(_) => row("to 0FH 07H", "0F 07;00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00", "5.3", "changer", "board", &[
            "tests/tests section_5_6_reset_sequence",
            "crates/mdb/src/changer expansion_answers",
        ]),
        Response::Ftl(_) => row("1BH-1FH", "0B;1E 00 08", "5.3, 2.6.4", "changer", "board", &[
            "crates/peripherals/src/changer gives_its_manufacturer_file",
            "tests/tests everybody_with_everybody",
        ]),
        Response::Diagnostics(_) => row("to 0FH FFH", "0F FF 01;01 02", "5.3", "changer", "board", &[
            "tests/tests diagnostics_of_every_device",
            "crates/mdb/src/changer answers_that_parse_are_emitted_again",
        ]),
    )
}

fn reports() -> Vec<(String, Row)> {
    let mut all = rows!(Report, report;
        Report::CoinsDispensedManually { .. } => row("1yyyxxxx zz", "90 05", "5.3", "changer", "board", &[
            "tests/tests section_5_6_manual_dispense_sequence",
            "crates/mdb/src/changer several_reports_in_one_answer",
        ]),
        Report::CoinsDeposited { .. } => row("01yyxxxx zz", "50 05", "5.3", "changer", "board", &[
            "tests/tests section_5_6_the_highest_price_is_reached",
            "crates/mdb/src/changer blocks_of_the_capture",
        ]),
        Report::Slug(_) => row("001xxxxx", "21", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer slugs_are_counted",
        ]),
        Report::Unknown(_) => row("reserved", "0E", "5.3", "-", "board", &[
            "crates/mdb/src/changer reports_round_trip",
        ]),
        // Status codes have rows of their own.
        Report::Status(_) => row("0000xxxx", "0B", "5.3", "changer", "board", &[]),
    );
    all.pop();
    all.extend(rows!(Status, status;
        Status::EscrowRequest => row("01H", "01", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer status_codes",
        ]),
        Status::ChangerPayoutBusy => row("02H", "02", "5.3", "changer", "board", &[
            "tests/tests section_5_6_coin_dispense_sequence_vmc_algorithm",
            "crates/controller/src/drivers/changer what_is_appended_is_new",
        ]),
        Status::NoCredit => row("03H", "03", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer status_codes",
        ]),
        Status::DefectiveTubeSensor => row("04H", "04", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer status_codes",
        ]),
        Status::DoubleArrival => row("05H", "05", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer status_codes",
        ]),
        Status::AcceptorUnplugged => row("06H", "06", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer status_codes",
        ]),
        Status::TubeJam => row("07H", "07", "5.3", "changer", "board", &[
            "tests/tests a_tube_that_jams_in_mid_payout",
        ]),
        Status::RomChecksumError => row("08H", "08", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer status_codes",
        ]),
        Status::CoinRoutingError => row("09H", "09", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer strayed_and_hunted_coins",
        ]),
        Status::ChangerBusy => row("0AH", "0A", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer silence_and_business",
        ]),
        Status::JustReset => row("0BH", "0B", "5.3", "changer", "board", &[
            "tests/tests section_5_6_just_reset_at_any_time",
            "crates/peripherals/src/changer every_reset_brings_the_power_on_state",
        ]),
        Status::CoinJam => row("0CH", "0C", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer status_codes",
        ]),
        Status::PossibleCreditedCoinRemoval => row("0DH", "0D", "5.3", "changer", "board", &[
            "crates/peripherals/src/changer strayed_and_hunted_coins",
        ]),
    ));
    all
}

pub(super) fn tables() -> [Table; 3] {
    [
        Table {
            title: "Coin changer: commands (5)",
            rows: commands(),
        },
        Table {
            title: "Coin changer: responses (5)",
            rows: responses(),
        },
        Table {
            title: "Coin changer: reports to POLL (5)",
            rows: reports(),
        },
    ]
}
