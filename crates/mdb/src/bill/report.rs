//! What a validator reports when polled: one byte each, up to 16 in one answer (section 6.3, 33H).

use core::fmt;

/// The most reports one POLL is answered with (section 6.3, 33H).
pub const MAX_REPORTS: usize = 16;

/// Where a bill went: bits yyy of 1yyyxxxx (section 6.3, 33H). The first four add or subtract
/// credit, the last four are for audit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Routing {
    /// 000: in the stacker. From here on it is secure (note 2).
    Stacked,
    /// 001: held in escrow; not secure yet.
    EscrowPosition,
    /// 010: given back.
    Returned,
    /// 011: in the recycler; secure.
    ToRecycler,
    /// 100: a bill whose type is disabled was given back.
    DisabledBillRejected,
    /// 101: into the recycler by manual fill; not credit.
    ManualFill,
    /// 110: out of the recycler by manual dispense.
    ManualDispense,
    /// 111: from the recycler to the cash box.
    RecyclerToCashbox,
}

impl Routing {
    /// From bits yyy (0-7; higher bits are ignored).
    #[must_use]
    pub const fn of(bits: u8) -> Self {
        match bits & 7 {
            0 => Self::Stacked,
            1 => Self::EscrowPosition,
            2 => Self::Returned,
            3 => Self::ToRecycler,
            4 => Self::DisabledBillRejected,
            5 => Self::ManualFill,
            6 => Self::ManualDispense,
            _ => Self::RecyclerToCashbox,
        }
    }

    /// Bits yyy, 0-7.
    #[must_use]
    pub const fn bits(self) -> u8 {
        match self {
            Self::Stacked => 0,
            Self::EscrowPosition => 1,
            Self::Returned => 2,
            Self::ToRecycler => 3,
            Self::DisabledBillRejected => 4,
            Self::ManualFill => 5,
            Self::ManualDispense => 6,
            Self::RecyclerToCashbox => 7,
        }
    }

    /// True for the routings after which a bill is the machine's (note 2): stacked or recycled.
    #[must_use]
    pub const fn is_secure(self) -> bool {
        matches!(self, Self::Stacked | Self::ToRecycler)
    }

    /// The routing in the standard's words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Stacked => "BILL STACKED",
            Self::EscrowPosition => "ESCROW POSITION",
            Self::Returned => "BILL RETURNED",
            Self::ToRecycler => "BILL TO RECYCLER",
            Self::DisabledBillRejected => "DISABLED BILL REJECTED",
            Self::ManualFill => "BILL TO RECYCLER - MANUAL FILL",
            Self::ManualDispense => "MANUAL DISPENSE",
            Self::RecyclerToCashbox => "TRANSFERRED FROM RECYCLER TO CASHBOX",
        }
    }
}

/// One byte of activity. [`Report::of`] and [`Report::byte`] are inverse over all bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Report {
    /// 1yyyxxxx.
    Bill {
        /// Where it went.
        routing: Routing,
        /// 0-15; higher bits are dropped when emitted.
        bill_type: u8,
    },
    /// 01H; sent once, the validator is then disabled until repaired.
    DefectiveMotor,
    /// 02H; sent once, the validator is then disabled until repaired.
    SensorProblem,
    /// 03H; sent at each POLL.
    ValidatorBusy,
    /// 04H; sent once, the validator is then disabled until repaired.
    RomChecksumError,
    /// 05H; sent once, the validator is then disabled until cleared.
    ValidatorJammed,
    /// 06H: the validator was reset since the last POLL; sent once.
    JustReset,
    /// 07H: a bill left the escrow by unknown means; sent once, with a BILL RETURNED.
    BillRemoved,
    /// 08H; sent once, the validator is then disabled until the cash box is back.
    CashBoxOutOfPosition,
    /// 09H; sent at each POLL.
    ValidatorDisabled,
    /// 0AH: ESCROW was ordered, but no bill was there; sent once.
    InvalidEscrowRequest,
    /// 0BH: a bill could not be identified and was given back; sent once.
    BillRejected,
    /// 0CH: somebody tried to take out a stacked bill; sent once.
    PossibleCreditedBillRemoval,
    /// 010xxxxx: attempts to put in a bill while the validator was disabled, 0-31 (higher bits are
    /// dropped when emitted); sent once.
    AttemptsWhileDisabled(u8),
    /// 21H: the escrow lever or button; sent once.
    EscrowRequest,
    /// 22H: paying out; sent at each POLL.
    DispenserPayoutBusy,
    /// 23H: no detailed answer now; sent at each POLL.
    DispenserBusy,
    /// 24H; sent once, the dispenser is then disabled until repaired.
    DefectiveDispenserSensor,
    /// 26H: did not start, or motor problem; sent once, the dispenser is then disabled.
    DispenserMotorProblem,
    /// 27H; sent once, the dispenser is then disabled until cleared.
    DispenserJam,
    /// 28H; sent once, the dispenser is then disabled.
    DispenserRomChecksumError,
    /// 29H: because of an error or of a bill in escrow.
    DispenserDisabled,
    /// 2AH: a bill waits in the inlet for the customer; sent at each POLL.
    BillWaiting,
    /// 2FH: the filled key was pressed, the VMC should ask for the dispenser status; sent once.
    FilledKeyPressed,
    /// Any byte the standard does not define here.
    Unknown(u8),
}

impl Report {
    /// A bill's routing.
    #[must_use]
    pub const fn bill(routing: Routing, bill_type: u8) -> Self {
        Self::Bill {
            routing,
            bill_type: bill_type & 0x0F,
        }
    }

    /// From its byte.
    #[must_use]
    pub const fn of(byte: u8) -> Self {
        match byte {
            0x01 => Self::DefectiveMotor,
            0x02 => Self::SensorProblem,
            0x03 => Self::ValidatorBusy,
            0x04 => Self::RomChecksumError,
            0x05 => Self::ValidatorJammed,
            0x06 => Self::JustReset,
            0x07 => Self::BillRemoved,
            0x08 => Self::CashBoxOutOfPosition,
            0x09 => Self::ValidatorDisabled,
            0x0A => Self::InvalidEscrowRequest,
            0x0B => Self::BillRejected,
            0x0C => Self::PossibleCreditedBillRemoval,
            0x21 => Self::EscrowRequest,
            0x22 => Self::DispenserPayoutBusy,
            0x23 => Self::DispenserBusy,
            0x24 => Self::DefectiveDispenserSensor,
            0x26 => Self::DispenserMotorProblem,
            0x27 => Self::DispenserJam,
            0x28 => Self::DispenserRomChecksumError,
            0x29 => Self::DispenserDisabled,
            0x2A => Self::BillWaiting,
            0x2F => Self::FilledKeyPressed,
            0x40..=0x5F => Self::AttemptsWhileDisabled(byte & 0x1F),
            0x80..=0xFF => Self::bill(Routing::of(byte >> 4), byte),
            n => Self::Unknown(n),
        }
    }

    /// Its byte.
    #[must_use]
    pub const fn byte(self) -> u8 {
        match self {
            Self::Bill { routing, bill_type } => 0x80 | routing.bits() << 4 | bill_type & 0x0F,
            Self::DefectiveMotor => 0x01,
            Self::SensorProblem => 0x02,
            Self::ValidatorBusy => 0x03,
            Self::RomChecksumError => 0x04,
            Self::ValidatorJammed => 0x05,
            Self::JustReset => 0x06,
            Self::BillRemoved => 0x07,
            Self::CashBoxOutOfPosition => 0x08,
            Self::ValidatorDisabled => 0x09,
            Self::InvalidEscrowRequest => 0x0A,
            Self::BillRejected => 0x0B,
            Self::PossibleCreditedBillRemoval => 0x0C,
            Self::AttemptsWhileDisabled(n) => 0x40 | n & 0x1F,
            Self::EscrowRequest => 0x21,
            Self::DispenserPayoutBusy => 0x22,
            Self::DispenserBusy => 0x23,
            Self::DefectiveDispenserSensor => 0x24,
            Self::DispenserMotorProblem => 0x26,
            Self::DispenserJam => 0x27,
            Self::DispenserRomChecksumError => 0x28,
            Self::DispenserDisabled => 0x29,
            Self::BillWaiting => 0x2A,
            Self::FilledKeyPressed => 0x2F,
            Self::Unknown(n) => n,
        }
    }

    /// True for what only a recycler may report, once its commands are enabled and RECYCLER SETUP
    /// (37H-03H) or RECYCLER ENABLE (37H-04H) was sent (section 6.3, 33H, notes).
    #[must_use]
    pub const fn needs_recycler(self) -> bool {
        match self {
            Self::Bill { routing, .. } => matches!(
                routing,
                Routing::ToRecycler
                    | Routing::ManualFill
                    | Routing::ManualDispense
                    | Routing::RecyclerToCashbox
            ),
            other => matches!(other.byte(), 0x21..=0x2F),
        }
    }

    /// The report in the standard's words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Bill { routing, .. } => routing.name(),
            Self::DefectiveMotor => "DEFECTIVE MOTOR",
            Self::SensorProblem => "SENSOR PROBLEM",
            Self::ValidatorBusy => "VALIDATOR BUSY",
            Self::RomChecksumError => "ROM CHECKSUM ERROR",
            Self::ValidatorJammed => "VALIDATOR JAMMED",
            Self::JustReset => "JUST RESET",
            Self::BillRemoved => "BILL REMOVED",
            Self::CashBoxOutOfPosition => "CASH BOX OUT OF POSITION",
            Self::ValidatorDisabled => "VALIDATOR DISABLED",
            Self::InvalidEscrowRequest => "INVALID ESCROW REQUEST",
            Self::BillRejected => "BILL REJECTED",
            Self::PossibleCreditedBillRemoval => "POSSIBLE CREDITED BILL REMOVAL",
            Self::AttemptsWhileDisabled(_) => "ATTEMPTS WHILE DISABLED",
            Self::EscrowRequest => "ESCROW REQUEST",
            Self::DispenserPayoutBusy => "DISPENSER PAYOUT BUSY",
            Self::DispenserBusy => "DISPENSER BUSY",
            Self::DefectiveDispenserSensor => "DEFECTIVE DISPENSER SENSOR",
            Self::DispenserMotorProblem => "DISPENSER MOTOR PROBLEM",
            Self::DispenserJam => "DISPENSER JAM",
            Self::DispenserRomChecksumError => "DISPENSER ROM CHECKSUM ERROR",
            Self::DispenserDisabled => "DISPENSER DISABLED",
            Self::BillWaiting => "BILL WAITING",
            Self::FilledKeyPressed => "FILLED KEY PRESSED",
            Self::Unknown(_) => "UNKNOWN",
        }
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())?;
        match self {
            Self::Bill { bill_type, .. } => write!(f, " type {bill_type}"),
            Self::AttemptsWhileDisabled(n) => write!(f, " {n}"),
            Self::Unknown(n) => write!(f, " {n:02X}H"),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prelude::*;

    #[test]
    fn every_byte_round_trips() {
        for byte in 0..=255 {
            assert_eq!(Report::of(byte).byte(), byte);
            assert_eq!(Report::of(Report::of(byte).byte()), Report::of(byte));
        }
    }

    /// Section 6.3, 33H: the table of routings, for bill type 5.
    #[test]
    fn routings_of_the_standard() {
        let expected = [
            (0x85, "BILL STACKED type 5"),
            (0x95, "ESCROW POSITION type 5"),
            (0xA5, "BILL RETURNED type 5"),
            (0xB5, "BILL TO RECYCLER type 5"),
            (0xC5, "DISABLED BILL REJECTED type 5"),
            (0xD5, "BILL TO RECYCLER - MANUAL FILL type 5"),
            (0xE5, "MANUAL DISPENSE type 5"),
            (0xF5, "TRANSFERRED FROM RECYCLER TO CASHBOX type 5"),
        ];
        for (byte, text) in expected {
            assert_eq!(Report::of(byte).to_string(), text);
        }
        assert_eq!(Report::of(0x43), Report::AttemptsWhileDisabled(3));
        assert_eq!(Report::of(0x06), Report::JustReset);
    }

    /// Section 6.3, 33H: "Not used" bytes and gaps of the tables are kept as they are.
    #[test]
    fn what_is_not_defined_is_unknown() {
        for byte in [0x00, 0x0D, 0x20, 0x25, 0x2B, 0x2E, 0x30, 0x60, 0x7F] {
            assert_eq!(Report::of(byte), Report::Unknown(byte));
        }
    }

    #[test]
    fn what_only_a_recycler_says() {
        for byte in [0xB0, 0xD0, 0xE0, 0xF0, 0x21, 0x22, 0x2A, 0x2F] {
            assert!(Report::of(byte).needs_recycler(), "{byte:02X}");
        }
        for byte in [0x80, 0x90, 0xA0, 0xC0, 0x01, 0x06, 0x0C, 0x41] {
            assert!(!Report::of(byte).needs_recycler(), "{byte:02X}");
        }
    }
}
