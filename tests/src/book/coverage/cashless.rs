//! Section 7.

use super::{Row, Table, bytes, row, rows};
use payrig_mdb::cashless::{Command, Kind, Level, Mode, Options, Report, Response, Unit};

/// Level 03, 16 bit money, a display of two lines of sixteen characters.
const MODE: Mode = Mode {
    level: Level::THREE,
    options: Options::NONE,
    display: 32,
};

/// The name of a command belongs to the whole of it, address included.
trait Name {
    fn name(&self) -> &'static str;
}

impl Name for Kind {
    fn name(&self) -> &'static str {
        Command::new(Unit::One, self.clone()).name()
    }
}

fn command(sample: &str) -> Kind {
    let command = Command::parse(&bytes(sample).0, &MODE).expect("a sample");
    command.kind
}

fn report(sample: &str) -> Report {
    let response = Response::parse(
        &Command::new(Unit::One, Kind::Poll),
        &bytes(sample).0,
        &MODE,
    );
    let response = response.expect("a sample");
    response.reports().first().expect("one report").clone()
}

fn commands() -> Vec<(String, Row)> {
    rows!(Kind, command;
        Kind::Reset => row("10H", "10", "7.4.1", "board", "reader", &[
            "tests/tests end_session_missing_is_answered_with_reset",
            "crates/peripherals/src/cashless reset_during_a_vend",
        ]),
        Kind::SetupConfig(_) => row("11H 00H", "11 00 03 10 02 00", "7.4.2", "board", "reader", &[
            "tests/tests the_display_in_setup",
            "tests/tests example_7_command_out_of_sequence",
            "crates/peripherals/src/cashless states_before_a_session",
        ]),
        Kind::SetupPrices(_) => row("11H 01H", "11 01 00 0A 00 01", "7.4.3", "board", "reader", &[
            "tests/tests prices_known_and_unknown_in_both_forms",
            "tests/tests prices_that_change_are_announced_again",
            "tests/tests example_7_command_out_of_sequence",
            "crates/peripherals/src/cashless states_before_a_session",
        ]),
        Kind::Poll => row("12H", "12", "7.4.4", "board", "reader", &[
            "tests/tests example_1_valid_single_vend",
            "crates/peripherals/src/cashless example_1",
        ]),
        Kind::VendRequest(_) => row("13H 00H", "13 00 00 0A 00 01", "7.4.5", "board", "reader", &[
            "tests/tests every_form_of_the_vend_commands",
            "tests/tests options_price",
            "tests/tests example_1_valid_single_vend",
            "crates/peripherals/src/cashless example_1",
        ]),
        Kind::VendCancel => row("13H 01H", "13 01", "7.4.6", "board", "reader", &[
            "tests/tests never_answered_vend_request_is_cancelled_in_time",
            "crates/peripherals/src/cashless example_4b",
        ]),
        Kind::VendSuccess(_) => row("13H 02H", "13 02 00 01", "7.4.7", "board", "reader", &[
            "tests/tests every_form_of_the_vend_commands",
            "tests/tests example_1_valid_single_vend",
            "crates/peripherals/src/cashless example_1",
        ]),
        Kind::VendFailure(_) => row("13H 03H", "13 03", "7.4.8", "board", "reader", &[
            "tests/tests reasons_of_vend_failure",
            "tests/tests example_5_product_not_dispensed_refund_positive",
            "crates/peripherals/src/cashless example_5",
        ]),
        Kind::SessionComplete => row("13H 04H", "13 04", "7.4.9", "board", "reader", &[
            "tests/tests example_1_valid_single_vend",
            "crates/peripherals/src/cashless example_1",
        ]),
        Kind::CashSale(_) => row("13H 05H", "13 05 00 0A 00 01", "7.4.10", "board", "reader", &[
            "tests/tests item_number_conventions",
            "tests/tests a_sale_for_a_token",
            "tests/tests example_23_coupon_and_cash",
            "crates/peripherals/src/cashless harmless_commands_during_a_vend",
        ]),
        Kind::NegativeVendRequest { .. } => row("13H 06H", "13 06 00 0A 00 01", "7.4.11", "board", "reader", &[
            "tests/tests example_10_single_negative_vend",
            "crates/peripherals/src/cashless negative_vend",
        ]),
        Kind::SelectionDenied { .. } => row("13H 07H", "13 07 00 01 0A", "7.4.12", "board", "reader", &[
            "tests/tests reasons_of_selection_denied",
            "tests/tests example_18_remote_vend_from_enabled",
            "crates/peripherals/src/cashless example_18",
        ]),
        Kind::CouponReply(_) => row("13H 08H", "13 08 01 00 01 00 0A", "7.4.13", "board", "reader", &[
            "tests/tests example_22_coupon_refused_because_of_cash",
            "crates/peripherals/src/cashless coupons",
        ]),
        Kind::ReaderDisable => row("14H 00H", "14 00", "7.4.14", "board", "reader", &[
            "tests/tests readers_are_disabled_in_service",
            "tests/tests disabled_readers_take_no_cards",
            "crates/peripherals/src/cashless disable_during_a_session",
        ]),
        Kind::ReaderEnable => row("14H 01H", "14 01", "7.4.15", "board", "reader", &[
            "tests/tests example_7_command_out_of_sequence",
            "crates/peripherals/src/cashless states_before_a_session",
        ]),
        Kind::ReaderCancel => row("14H 02H", "14 02", "7.4.16", "board", "reader", &[
            "tests/tests example_9_reader_cancel_before_begin_session",
            "crates/peripherals/src/cashless reader_cancel",
        ]),
        Kind::DataEntryResponse(_) => row("14H 03H", "14 03 31 00 00 00 00 00 00 00", "7.4.17", "board", "reader", &[
            "tests/tests data_entry_keys_that_wait_go_together",
            "crates/peripherals/src/cashless data_entry",
        ]),
        Kind::RevalueRequest(_) => row("15H 00H", "15 00 00 0A", "7.4.18", "board", "reader", &[
            "tests/tests a_bill_goes_onto_the_card",
            "crates/peripherals/src/cashless coupons",
        ]),
        Kind::RevalueLimitRequest => row("15H 01H", "15 01", "7.4.19", "board", "reader", &[
            "tests/tests a_bill_goes_onto_the_card",
            "crates/peripherals/src/cashless revalue",
        ]),
        Kind::RequestId(_) => row("17H 00H", "17 00 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 30 31 31 31 31 31 31 31 31 31 31 31 31 01 00", "7.4.20", "board", "reader", &[
            "tests/tests example_7_command_out_of_sequence",
            "crates/peripherals/src/cashless example_7",
        ]),
        Kind::ReadUserFile(_) => row("17H 01H", "17 01 00", "7.4.21", "board", "reader", &[
            "tests/tests user_files_are_written_and_read_at_level_2_only",
            "crates/peripherals/src/cashless user_files",
        ]),
        Kind::WriteUserFile { .. } => row("17H 02H", "17 02 00 01 41", "7.4.22", "board", "reader", &[
            "tests/tests user_files_are_written_and_read_at_level_2_only",
            "crates/peripherals/src/cashless user_files",
        ]),
        Kind::WriteTimeDate(_) => row("17H 03H", "17 03 25 11 25 02 00 00 02 47 00 00", "7.4.23", "board", "reader", &[
            "tests/tests weekday_week_summertime_and_holiday",
            "tests/tests the_time_is_sent_when_asked_for",
            "crates/peripherals/src/cashless display_and_time_requests",
        ]),
        Kind::EnableOptions(_) => row("17H 04H", "17 04 00 00 00 02", "7.4.24", "board", "reader", &[
            "tests/tests example_7_command_out_of_sequence",
            "crates/peripherals/src/cashless nothing_breaks_it",
        ]),
        Kind::Ftl(_) => row("17H FAH-FEH", "17 FD 10 00", "7.4.25-29", "board", "reader", &[
            "crates/peripherals/src/cashless file_transfers_are_denied",
            "tests/tests everybody_with_everybody",
        ]),
        Kind::Diagnostics(_) => row("17H FFH", "17 FF 01", "7.4.30", "board", "reader", &[
            "tests/tests diagnostics_of_every_device",
            "crates/mdb/src/cashless lengths_of_the_optional_forms",
        ]),
    )
}

fn reports() -> Vec<(String, Row)> {
    rows!(Report, report;
        Report::JustReset => row("00H", "00", "7.4.4", "reader", "board", &[
            "tests/tests example_7_command_out_of_sequence",
            "crates/mdb/src/cashless start_up_of_a_capture",
        ]),
        Report::ReaderConfig(_) => row("01H", "01 03 18 40 05 02 07 0F", "7.4.2", "reader", "board", &[
            "crates/mdb/src/cashless start_up_of_a_capture",
        ]),
        Report::DisplayRequest { .. } => row("02H", "02 0A 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41", "7.4.4", "reader", "board", &[
            "tests/tests data_entry_1_three_keys_with_prompt_and_asterisks",
            "crates/mdb/src/cashless reports_that_do_not_fit_are_left_for_later",
        ]),
        Report::BeginSession(_) => row("03H", "03 00 64 00 00 00 01 00 00 00", "7.4.4", "reader", "board", &[
            "tests/tests prices_by_list_group_and_percentage",
            "tests/tests a_session_in_a_foreign_currency",
            "tests/tests example_1_valid_single_vend",
            "crates/peripherals/src/cashless example_1",
        ]),
        Report::SessionCancelRequest => row("04H", "04", "7.4.4", "reader", "board", &[
            "tests/tests example_3_cancelled_with_the_readers_return_button",
            "crates/mdb/src/cashless multi_message_example_of_the_standard",
        ]),
        Report::VendApproved { .. } => row("05H", "05 00 0A", "7.4.5", "reader", "board", &[
            "tests/tests example_1_valid_single_vend",
            "crates/peripherals/src/cashless example_1",
        ]),
        Report::VendDenied => row("06H", "06", "7.4.5", "reader", "board", &[
            "tests/tests example_6_vend_denied_by_the_reader",
            "crates/peripherals/src/cashless example_6",
        ]),
        Report::EndSession => row("07H", "07", "7.4.9", "reader", "board", &[
            "tests/tests example_1_valid_single_vend",
            "crates/peripherals/src/cashless example_1",
        ]),
        Report::Cancelled => row("08H", "08", "7.4.16", "reader", "board", &[
            "tests/tests example_9_reader_cancel_before_begin_session",
        ]),
        Report::PeripheralId(_) => row("09H", "09 5A 5A 5A 30 30 30 30 30 30 30 30 30 30 30 30 31 31 31 31 31 31 31 31 31 31 31 31 01 00 00 00 00 02", "7.4.20", "reader", "board", &[
            "crates/mdb/src/cashless start_up_of_a_capture",
            "tests/tests example_7_command_out_of_sequence",
        ]),
        Report::Malfunction(_) => row("0AH", "0A 00", "7.4.4", "reader", "board", &[
            "tests/tests example_5a_product_not_dispensed_refund_fails",
            "crates/peripherals/src/cashless malfunctions",
        ]),
        Report::OutOfSequence(_) => row("0BH", "0B 04", "7.4.4", "reader", "board", &[
            "tests/tests example_7_command_out_of_sequence",
            "crates/peripherals/src/cashless options_not_offered_are_refused",
        ]),
        Report::RevalueApproved => row("0DH", "0D", "7.4.18", "reader", "board", &[
            "crates/peripherals/src/cashless revalue",
        ]),
        Report::RevalueDenied => row("0EH", "0E", "7.4.18", "reader", "board", &[
            "tests/tests a_reader_that_does_not_revalue",
        ]),
        Report::RevalueLimit(_) => row("0FH", "0F 00 10", "7.4.19", "reader", "board", &[
            "tests/tests a_bill_goes_onto_the_card",
        ]),
        Report::UserFile { .. } => row("10H", "10 00 01 41", "7.4.21", "reader", "board", &[
            "tests/tests user_files_are_written_and_read_at_level_2_only",
            "crates/peripherals/src/cashless user_files",
        ]),
        Report::TimeDateRequest => row("11H", "11", "7.4.4", "reader", "board", &[
            "tests/tests the_time_is_sent_when_asked_for",
        ]),
        Report::DataEntryRequest(_) => row("12H", "12 01", "7.4.4", "reader", "board", &[
            "tests/tests data_entry_1_three_keys_with_prompt_and_asterisks",
            "crates/peripherals/src/cashless data_entry",
        ]),
        Report::DataEntryCancel => row("13H", "13", "7.4.4", "reader", "board", &[
            "tests/tests data_entry_2_cancelled_by_the_reader",
        ]),
        Report::SelectionRequest(_) => row("14H", "14 00 64 00 00 00 01 00 00 00 00 0B 00 00 00 00", "7.4.4", "reader", "board", &[
            "tests/tests item_options_of_a_remote_vend",
            "tests/tests example_18_remote_vend_from_enabled",
            "crates/peripherals/src/cashless example_18",
        ]),
        Report::CouponReport(_) => row("15H", "15 00 0B 00 00 0A 00 00 00 07", "7.4.4", "reader", "board", &[
            "tests/tests example_21_coupon_and_cashless",
            "crates/peripherals/src/cashless coupons",
        ]),
        Report::Ftl(_) => row("1BH-1FH", "1E 00 10", "7.4.4, 2.6.4", "reader", "board", &[
            "crates/peripherals/src/cashless file_transfers_are_denied",
            "tests/tests everybody_with_everybody",
        ]),
        Report::Diagnostics(_) => row("FFH", "FF 01", "7.4.30", "reader", "board", &[
            "tests/tests diagnostics_of_every_device",
            "crates/mdb/src/cashless commands_round_trip",
        ]),
        Report::Unknown(_) => row("reserved", "16 01", "7.4.4", "-", "board", &[
            "crates/mdb/src/cashless lengths_of_the_optional_forms",
        ]),
    )
}

pub(super) fn tables() -> [Table; 2] {
    [
        Table {
            title: "Cashless devices: commands to 10H; those to 60H alike (7)",
            rows: commands(),
        },
        Table {
            title: "Cashless devices: responses (7)",
            rows: reports(),
        },
    ]
}
