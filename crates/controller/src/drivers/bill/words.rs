//! A validator's reports in plain words, for whoever stands at the machine.

use payrig_mdb::bill::{Report, Routing};
use payrig_units::words;

/// What a report means; `None` for bills that add or take credit, which are reported otherwise, and for
/// what is reported at every POLL.
pub(super) fn plain(report: Report) -> Option<String> {
    let text = match report {
        Report::Bill { routing, bill_type } => return audit(routing, bill_type),
        Report::DefectiveMotor => "a motor is defective: no bills until it is repaired",
        Report::SensorProblem => "a sensor is defective: no bills until it is repaired",
        Report::RomChecksumError => "its program is damaged: no bills until it is repaired",
        Report::ValidatorJammed => "a bill is jammed: no bills until the jam is cleared",
        Report::BillRemoved => "the bill was taken out of the escrow position: not credited",
        Report::CashBoxOutOfPosition => "the cash box is open or out: no bills until it is back",
        Report::InvalidEscrowRequest => {
            "there was no bill in the escrow position to stack or return"
        }
        Report::BillRejected => "a bill was not recognised and went back",
        Report::PossibleCreditedBillRemoval => {
            "somebody tried to pull out a credited bill: count the cash box"
        }
        Report::AttemptsWhileDisabled(1) => "somebody tried to put in a bill while it was disabled",
        Report::AttemptsWhileDisabled(n) => {
            return Some(format!(
                "somebody tried {} to put in a bill while it was disabled",
                words::times(n)
            ));
        }
        Report::DefectiveDispenserSensor => {
            "recycler: a sensor is defective: it pays nothing until repaired"
        }
        Report::DispenserMotorProblem => {
            "recycler: a motor does not run: it pays nothing until repaired"
        }
        Report::DispenserJam => "recycler: jammed: it pays nothing until the jam is cleared",
        Report::DispenserRomChecksumError => {
            "recycler: its program is damaged: it pays nothing until repaired"
        }
        Report::FilledKeyPressed => "recycler: the filled key was pressed: counted anew",
        Report::Unknown(byte) => {
            return Some(format!(
                "reports {byte:02X}H, which section 6.3 does not define"
            ));
        }
        Report::JustReset
        | Report::EscrowRequest
        | Report::ValidatorBusy
        | Report::ValidatorDisabled
        | Report::DispenserPayoutBusy
        | Report::DispenserBusy
        | Report::DispenserDisabled
        | Report::BillWaiting => return None,
    };
    Some(text.to_owned())
}

/// The routings that are "for audit information" (section 6.3, 33H).
fn audit(routing: Routing, bill_type: u8) -> Option<String> {
    match routing {
        Routing::DisabledBillRejected => Some(format!(
            "a bill of type {bill_type}, which is disabled, went back"
        )),
        Routing::ManualFill => Some(format!(
            "a bill of type {bill_type} was filled into the recycler by hand"
        )),
        Routing::ManualDispense => Some(format!(
            "a bill of type {bill_type} was taken out of the recycler by hand"
        )),
        Routing::RecyclerToCashbox => Some(format!(
            "a bill of type {bill_type} moved from the recycler to the cash box"
        )),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Section 6.3, 33H: conditions are reported at each POLL and are no news; the first four routings
    /// are credit.
    #[test]
    fn every_report_that_is_news_has_words() {
        for byte in 0..=255u8 {
            let report = Report::of(byte);
            let silent = super::super::guard::is_condition(report)
                || matches!(byte, 0x06 | 0x21 | 0x80..=0xBF);
            assert_eq!(plain(report).is_none(), silent, "{report}");
        }
        let three = plain(Report::AttemptsWhileDisabled(3)).unwrap();
        assert!(three.contains("3 times"));
    }
}
