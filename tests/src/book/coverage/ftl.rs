//! Section 2.6.

use super::{Table, bytes, row, rows};
use payrig_mdb::ftl::Message;

fn read(sample: &str) -> Message {
    Message::parse_command(&bytes(sample).0).expect("a sample")
}

pub(super) fn messages() -> Table {
    let rows = rows!(Message, read;
        Message::ReqToSend { .. } => row("FEH / 1FH", "0F FE 08 00 F0 01 02", "2.6.4", "board and devices", "board and devices", &[
            "tests/tests successful_transfer_vmc_to_a",
            "tests/tests successful_and_denied_transfer_a_to_b",
        ]),
        Message::OkToSend { .. } => row("FDH / 1EH", "0F FD 08 00", "2.6.4", "board and devices", "board and devices", &[
            "tests/tests successful_transfer_vmc_to_a",
            "tests/tests successful_and_denied_transfer_a_to_b",
        ]),
        Message::SendBlock { .. } => row("FCH / 1DH", "0F FC 08 00 41", "2.6.4", "board and devices", "board and devices", &[
            "tests/tests successful_transfer_vmc_to_a",
            "tests/tests successful_and_denied_transfer_a_to_b",
        ]),
        Message::RetryDeny { .. } => row("FBH / 1CH", "0F FB 08 00 00", "2.6.4", "board and devices", "board and devices", &[
            "tests/tests denied_transfer_vmc_to_a",
            "tests/tests a_to_b_aborted_by_b",
        ]),
        Message::ReqToRcv { .. } => row("FAH / 1BH", "0F FA 08 00 00 01 02", "2.6.4", "board and devices", "board and devices", &[
            "tests/tests successful_and_denied_request_vmc_to_a",
            "tests/tests successful_and_denied_request_a_to_b",
        ]),
    );
    Table {
        title: "File transport layer: sub-command and response (2.6.4)",
        rows,
    }
}
