//! What can be broken (section 6.3, POLL: note 3 of the validator, note 4 of the recycler).

use payrig_mdb::bill::Report;

/// A fault of the validator: reported once, the validator is disabled until it is gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// A motor does not do its work; a bill in the path stops.
    DefectiveMotor,
    /// A sensor does not respond.
    SensorProblem,
    /// The program's checksum is wrong.
    RomChecksum,
    /// A bill, or something else, is stuck in the path.
    Jam,
    /// The cash box is open or gone.
    CashBoxOut,
}

impl Fault {
    pub(super) const fn report(self) -> Report {
        match self {
            Self::DefectiveMotor => Report::DefectiveMotor,
            Self::SensorProblem => Report::SensorProblem,
            Self::RomChecksum => Report::RomChecksumError,
            Self::Jam => Report::ValidatorJammed,
            Self::CashBoxOut => Report::CashBoxOutOfPosition,
        }
    }

    /// True when no bill can move in the path.
    pub(super) const fn blocks_path(self) -> bool {
        matches!(self, Self::DefectiveMotor | Self::Jam)
    }
}

/// A fault of the recycler: reported once, the dispenser is disabled until it is gone. Bills can
/// still be accepted; they go to the stacker.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DispenserFault {
    /// A sensor behaves abnormally.
    DefectiveSensor,
    /// The dispenser did not start.
    Motor,
    /// A payout jammed.
    Jam,
    /// The program's checksum is wrong.
    RomChecksum,
}

impl DispenserFault {
    pub(super) const fn report(self) -> Report {
        match self {
            Self::DefectiveSensor => Report::DefectiveDispenserSensor,
            Self::Motor => Report::DispenserMotorProblem,
            Self::Jam => Report::DispenserJam,
            Self::RomChecksum => Report::DispenserRomChecksumError,
        }
    }
}
