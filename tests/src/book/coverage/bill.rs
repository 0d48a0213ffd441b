//! Section 6.

use super::{Row, Table, bytes, row, rows};
use payrig_mdb::bill::{Command, Report, Response, Routing};

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

fn commands() -> Vec<(String, Row)> {
    rows!(Command, command;
        Command::Reset => row("30H", "30", "6.3", "board", "validator", &[
            "tests/tests an_order_that_is_not_carried_out_ends_in_a_reset_and_the_bill_comes_back",
            "crates/peripherals/src/bill nothing_is_accepted_before_bill_type",
        ]),
        Command::Setup => row("31H", "31", "6.3", "board", "validator", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill the_recycler_is_silent_until_set_up",
        ]),
        Command::Security(_) => row("32H", "32 00 01", "6.3", "board", "validator", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill security_levels",
        ]),
        Command::Poll => row("33H", "33", "6.3", "board", "validator", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill nothing_is_accepted_before_bill_type",
        ]),
        Command::BillType { .. } => row("34H", "34 00 0F 00 0F", "6.3", "board", "validator", &[
            "tests/tests bills_are_stacked_at_once_where_it_is_configured",
            "tests/tests check_stacker_after_accept_sequence",
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Command::Escrow(_) => row("35H", "35 01", "6.3", "board", "validator", &[
            "tests/tests a_bill_is_credited_when_it_is_stacked_and_not_before",
            "crates/peripherals/src/bill masks_of_bill_type",
        ]),
        Command::Stacker => row("36H", "36", "6.3", "board", "validator", &[
            "tests/tests a_bill_is_credited_when_it_is_stacked_and_not_before",
            "crates/peripherals/src/bill power_cut_while_stacking",
        ]),
        Command::Identification => row("37H 00H", "37 00", "6.3", "board", "validator", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill level_1",
        ]),
        Command::FeatureEnable(_) => row("37H 01H", "37 01 00 00 00 02", "6.3", "board", "validator", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill filling_and_dispensing_by_hand",
        ]),
        Command::IdentificationWithOptions => row("37H 02H", "37 02", "6.3", "board", "validator", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill level_1",
        ]),
        Command::RecyclerSetup => row("37H 03H", "37 03", "6.3", "board", "validator", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill the_recycler_is_silent_until_set_up",
        ]),
        Command::RecyclerEnable { .. } => row("37H 04H", "37 04 00 00 03 03 03 03 03 03 03 03 03 03 03 03 03 03 03 03", "6.3", "board", "validator", &[
            "tests/tests what_the_recycler_takes_is_configured",
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill recycler_enable_by_type",
        ]),
        Command::BillDispenseStatus => row("37H 05H", "37 05", "6.3", "board", "validator", &[
            "tests/tests operation_cancelled",
            "crates/peripherals/src/bill dispense_bill",
        ]),
        Command::DispenseBill { .. } => row("37H 06H", "37 06 01 00 02", "6.3", "board", "validator", &[
            "tests/tests dispense_sequence",
            "crates/peripherals/src/bill dispense_bill",
        ]),
        Command::DispenseValue(_) => row("37H 07H", "37 07 00 05", "6.3", "board", "validator", &[
            "tests/tests a_bill_nobody_takes_ends_in_a_cancelled_payout",
            "crates/peripherals/src/bill dispense_value",
        ]),
        Command::PayoutStatus => row("37H 08H", "37 08", "6.3", "board", "validator", &[
            "tests/tests operation_cancelled",
            "crates/peripherals/src/bill more_than_there_is",
        ]),
        Command::PayoutValuePoll => row("37H 09H", "37 09", "6.3", "board", "validator", &[
            "tests/tests operation_cancelled",
            "crates/peripherals/src/bill dispense_bill",
        ]),
        Command::PayoutCancel => row("37H 0AH", "37 0A", "6.3", "board", "validator", &[
            "tests/tests a_bill_nobody_takes_ends_in_a_cancelled_payout",
            "crates/peripherals/src/bill payout_cancel",
        ]),
        Command::Ftl(_) => row("37H FAH-FEH", "37 FD 30 00", "6.3, 2.6.4", "board", "validator", &[
            "crates/peripherals/src/bill files",
            "tests/tests everybody_with_everybody",
        ]),
        Command::Diagnostics(_) => row("37H FFH", "37 FF 01", "6.3", "board", "validator", &[
            "tests/tests diagnostics_of_every_device",
            "crates/peripherals/src/bill level_1",
            "crates/mdb/src/bill codes_of_section_6_3",
        ]),
    )
}

fn responses() -> Vec<(String, Row)> {
    rows!(Response, response;
        Response::Poll(_) => row("to 33H", "33;06", "6.3", "validator", "board", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill nothing_is_accepted_before_bill_type",
        ]),
        Response::Setup(_) => row("to 31H", "31;01 18 40 00 64 02 01 90 00 00 FF 01 05 0A 14", "6.3", "validator", "board", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill the_recycler_is_silent_until_set_up",
        ]),
        Response::Stacker(_) => row("to 36H", "36;00 05", "6.3", "validator", "board", &[
            "tests/tests a_bill_is_credited_when_it_is_stacked_and_not_before",
            "crates/peripherals/src/bill power_cut_while_stacking",
        ]),
        Response::Identification(_) => row("to 37H 00H", "37 00;5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 30 31 31 31 31 31 31 31 31 31 31 31 31 01 00", "6.3", "validator", "board", &[
            "tests/tests reset_and_enable_sequence",
            "crates/mdb/src/bill captured_commands",
        ]),
        Response::IdentificationWithOptions(..) => row("to 37H 02H", "37 02;5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 30 31 31 31 31 31 31 31 31 31 31 31 31 01 00 00 00 00 03", "6.3", "validator", "board", &[
            "tests/tests reset_and_enable_sequence",
            "crates/mdb/src/bill codes_of_section_6_3",
        ]),
        Response::RecyclerSetup(_) => row("to 37H 03H", "37 03;00 06", "6.3", "validator", "board", &[
            "tests/tests reset_and_enable_sequence",
            "crates/peripherals/src/bill the_recycler_is_silent_until_set_up",
        ]),
        Response::BillDispenseStatus { .. } => row("to 37H 05H", "37 05;00 00 00 00 00 03", "6.3", "validator", "board", &[
            "tests/tests operation_cancelled",
            "crates/mdb/src/bill codes_of_section_6_3",
        ]),
        Response::PayoutStatus(_) => row("to 37H 08H", "37 08;00 00 00 01", "6.3", "validator", "board", &[
            "tests/tests operation_cancelled",
            "crates/peripherals/src/bill more_than_there_is",
        ]),
        Response::PayoutValuePoll(_) => row("to 37H 09H", "37 09;00 05", "6.3", "validator", "board", &[
            "tests/tests operation_cancelled",
            "crates/mdb/src/bill codes_of_section_6_3",
        ]),
        Response::Ftl(_) => row("1BH-1FH", "33;1E 00 30", "6.3, 2.6.4", "validator", "board", &[
            "crates/peripherals/src/bill files",
            "tests/tests everybody_with_everybody",
        ]),
        Response::Diagnostics(_) => row("to 37H FFH", "37 FF 01;01 02", "6.3", "validator", "board", &[
            "tests/tests diagnostics_of_every_device",
            "crates/mdb/src/bill codes_of_section_6_3",
        ]),
    )
}

fn reports() -> Vec<(String, Row)> {
    rows!(Report, report;
        Report::Bill { routing: Routing::Stacked, .. } => row("1000xxxx", "80", "6.3", "validator", "board", &[
            "tests/tests a_report_whose_ack_is_lost_is_credited_once",
            "crates/peripherals/src/bill credit_equals_what_is_stacked",
        ]),
        Report::Bill { routing: Routing::EscrowPosition, .. } => row("1001xxxx", "90", "6.3", "validator", "board", &[
            "tests/tests an_escrow_report_whose_ack_is_lost_is_one_bill",
            "crates/peripherals/src/bill masks_of_bill_type",
        ]),
        Report::Bill { routing: Routing::Returned, .. } => row("1010xxxx", "A0", "6.3", "validator", "board", &[
            "tests/tests the_return_lever_gives_the_same_bill_back",
            "crates/peripherals/src/bill a_jam_on_the_way_to_the_stacker",
        ]),
        Report::Bill { routing: Routing::ToRecycler, .. } => row("1011xxxx", "B0", "6.3", "validator", "board", &[
            "tests/tests a_bill_that_goes_to_the_recycler_is_credit_and_change",
            "crates/peripherals/src/bill accepted_bills_fill_the_recycler",
        ]),
        Report::Bill { routing: Routing::DisabledBillRejected, .. } => row("1100xxxx", "C0", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill masks_of_bill_type",
            "crates/mdb/src/bill routings_of_the_standard",
        ]),
        Report::Bill { routing: Routing::ManualFill, .. } => row("1101xxxx", "D0", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill filling_and_dispensing_by_hand",
        ]),
        Report::Bill { routing: Routing::ManualDispense, .. } => row("1110xxxx", "E0", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill filling_and_dispensing_by_hand",
        ]),
        Report::Bill { routing: Routing::RecyclerToCashbox, .. } => row("1111xxxx", "F0", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill filling_and_dispensing_by_hand",
        ]),
        Report::DefectiveMotor => row("01H", "01", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Report::SensorProblem => row("02H", "02", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Report::ValidatorBusy => row("03H", "03", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill while_a_bill_is_moving",
        ]),
        Report::RomChecksumError => row("04H", "04", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Report::ValidatorJammed => row("05H", "05", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Report::JustReset => row("06H", "06", "6.3", "validator", "board", &[
            "tests/tests a_reset_with_a_bill_in_escrow_gives_it_back",
            "crates/peripherals/src/bill just_reset_is_said_alone",
        ]),
        Report::BillRemoved => row("07H", "07", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill a_bill_pulled_out_of_the_escrow",
        ]),
        Report::CashBoxOutOfPosition => row("08H", "08", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Report::ValidatorDisabled => row("09H", "09", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Report::InvalidEscrowRequest => row("0AH", "0A", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill invalid_escrow_request",
        ]),
        Report::BillRejected => row("0BH", "0B", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill unknown_paper_is_rejected",
        ]),
        Report::PossibleCreditedBillRemoval => row("0CH", "0C", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill fishing_in_the_stacker",
        ]),
        Report::EscrowRequest => row("21H", "21", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill filling_and_dispensing_by_hand",
        ]),
        Report::DispenserPayoutBusy => row("22H", "22", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill dispense_bill",
        ]),
        Report::DispenserBusy => row("23H", "23", "6.3", "validator", "board", &[
            "tests/tests a_dispenser_that_is_busy_is_waited_for",
            "crates/mdb/src/bill any_bytes_round_trip_or_are_refused",
        ]),
        Report::DefectiveDispenserSensor => row("24H", "24", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill dispenser_faults",
        ]),
        Report::DispenserMotorProblem => row("26H", "26", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill dispenser_faults",
        ]),
        Report::DispenserJam => row("27H", "27", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill dispenser_faults",
        ]),
        Report::DispenserRomChecksumError => row("28H", "28", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill dispenser_faults",
        ]),
        Report::DispenserDisabled => row("29H", "29", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill dispenser_faults",
        ]),
        Report::BillWaiting => row("2AH", "2A", "6.3", "validator", "board", &[
            "tests/tests payouts_with_a_bill_in_escrow",
            "crates/peripherals/src/bill dispense_bill",
        ]),
        Report::FilledKeyPressed => row("2FH", "2F", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill filling_and_dispensing_by_hand",
        ]),
        Report::AttemptsWhileDisabled(_) => row("010xxxxx", "41", "6.3", "validator", "board", &[
            "crates/peripherals/src/bill every_fault_is_reported_once_and_disables",
        ]),
        Report::Unknown(_) => row("reserved", "30", "6.3", "-", "board", &[
            "crates/mdb/src/bill any_bytes_round_trip_or_are_refused",
        ]),
    )
}

pub(super) fn tables() -> [Table; 3] {
    [
        Table {
            title: "Bill validator and recycler: commands (6)",
            rows: commands(),
        },
        Table {
            title: "Bill validator and recycler: responses (6)",
            rows: responses(),
        },
        Table {
            title: "Bill validator and recycler: reports to POLL (6)",
            rows: reports(),
        },
    ]
}
