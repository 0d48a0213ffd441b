//! What the VMC says to a bill validator (sections 6.2 and 6.3).

use super::{BillTypes, EscrowStatus, Options, RecyclerUse};
use crate::ftl::Message;
use crate::prelude::*;
use crate::{Address, Block, MAX_BLOCK, ParseError, Reader};
use core::fmt;

const RESET: u8 = 0x30;
const SETUP: u8 = 0x31;
const SECURITY: u8 = 0x32;
const POLL: u8 = 0x33;
const BILL_TYPE: u8 = 0x34;
const ESCROW: u8 = 0x35;
const STACKER: u8 = 0x36;
const EXPANSION: u8 = 0x37;

/// Bytes of open data that fit beside address byte, sub-command and CHK (section 2.2).
const OPEN_DATA: usize = MAX_BLOCK - 3;

/// A command of section 6.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// 30H: back to the default operating mode.
    Reset,
    /// 31H: what are you? (STATUS in versions 1.0 and 2.0.)
    Setup,
    /// 32H: these types at the high security level, the others at the low one.
    Security(BillTypes),
    /// 33H: what happened?
    Poll,
    /// 34H: which types to accept, and which of them to hold in escrow.
    BillType {
        /// Y1-Y2; none disables the validator.
        enable: BillTypes,
        /// Y3-Y4.
        escrow: BillTypes,
    },
    /// 35H: stack or return the bill in escrow.
    Escrow(EscrowStatus),
    /// 36H: is the stacker full, and how many bills are in it?
    Stacker,
    /// 37H-00H: identification without option bits.
    Identification,
    /// 37H-01H (level 2): the options to use from now on, the others being off.
    FeatureEnable(Options),
    /// 37H-02H (level 2): identification with option bits.
    IdentificationWithOptions,
    /// 37H-03H (recycler): which types can go to the recycler?
    RecyclerSetup,
    /// 37H-04H (recycler): which types are to go there. The heading of the standard counts 19 data
    /// bytes; Y1-Y18 are defined, and 18 it is here.
    RecyclerEnable {
        /// Y1-Y2: types that may be dispensed by hand at the recycler.
        manual_dispense: BillTypes,
        /// Y3-Y18: per type.
        use_for: [RecyclerUse; 16],
    },
    /// 37H-05H (recycler): how many bills are in the recycler?
    BillDispenseStatus,
    /// 37H-06H (recycler): pay out bills of one type.
    DispenseBill {
        /// Y1: 0-15; higher bits are dropped when emitted.
        bill_type: u8,
        /// Y2-Y3: how many.
        count: u16,
    },
    /// 37H-07H (recycler): pay out a value, in counts of the scaling factor.
    DispenseValue(u16),
    /// 37H-08H (recycler): what was paid out, by type?
    PayoutStatus,
    /// 37H-09H (recycler): what was paid out since last asked?
    PayoutValuePoll,
    /// 37H-0AH (recycler): stop paying out.
    PayoutCancel,
    /// 37H-FAH to 37H-FEH: file transport layer (section 2.6).
    Ftl(Message),
    /// 37H-FFH: manufacturer-specific data after the sub-command; cut to the 33 bytes that fit.
    Diagnostics(Vec<u8>),
}

impl Command {
    /// Reads a block without its CHK, address byte first.
    ///
    /// # Errors
    /// When a byte is missing, left over, or not defined in section 6.
    pub fn parse(bytes: &[u8]) -> Result<Self, ParseError> {
        let mut r = Reader::new(bytes);
        let first = r.u8("a command of the bill validator, 30H-37H")?;
        let command = match first {
            RESET => Self::Reset,
            SETUP => Self::Setup,
            SECURITY => Self::Security(BillTypes(r.u16("Y1-Y2, types of high security")?)),
            POLL => Self::Poll,
            BILL_TYPE => Self::BillType {
                enable: BillTypes(r.u16("Y1-Y2, types to accept")?),
                escrow: BillTypes(r.u16("Y3-Y4, types to hold in escrow")?),
            },
            ESCROW => Self::Escrow(EscrowStatus(r.u8("Y1, the escrow status")?)),
            STACKER => Self::Stacker,
            EXPANSION => Self::expansion(bytes, &mut r)?,
            n => return Err(r.bad(n, "a command of the bill validator, 30H-37H")),
        };
        r.end()?;
        Ok(command)
    }

    fn expansion(bytes: &[u8], r: &mut Reader<'_>) -> Result<Self, ParseError> {
        Ok(match r.u8("a sub-command of EXPANSION")? {
            0x00 => Self::Identification,
            0x01 => Self::FeatureEnable(Options(r.u32("Y1-Y4, the options to enable")?)),
            0x02 => Self::IdentificationWithOptions,
            0x03 => Self::RecyclerSetup,
            0x04 => Self::RecyclerEnable {
                manual_dispense: BillTypes(r.u16("Y1-Y2, types for manual dispense")?),
                use_for: r
                    .array("Y3-Y18, the use of each type for the recycler")?
                    .map(RecyclerUse::of),
            },
            0x05 => Self::BillDispenseStatus,
            0x06 => Self::DispenseBill {
                bill_type: match r.u8("Y1, the bill type to dispense")? {
                    t @ 0..=15 => t,
                    n => return Err(r.bad(n, "a bill type, 00H-0FH")),
                },
                count: r.u16("Y2-Y3, how many bills to dispense")?,
            },
            0x07 => Self::DispenseValue(r.u16("Y1-Y2, the value to dispense")?),
            0x08 => Self::PayoutStatus,
            0x09 => Self::PayoutValuePoll,
            0x0A => Self::PayoutCancel,
            0xFA..=0xFE => {
                r.take_rest();
                Self::Ftl(Message::parse_command(bytes)?)
            }
            0xFF => {
                let at = r.at() + OPEN_DATA;
                let data = r.take_rest();
                match data.len().saturating_sub(OPEN_DATA) {
                    0 => Self::Diagnostics(data.to_vec()),
                    extra => return Err(ParseError::Long { at, extra }),
                }
            }
            n => return Err(r.bad(n, "a sub-command of EXPANSION: 00H-0AH or FAH-FFH")),
        })
    }

    /// The block, address byte first.
    #[must_use]
    pub fn emit(&self) -> Block {
        let mut out = Vec::with_capacity(MAX_BLOCK);
        match self {
            Self::Reset => out.push(RESET),
            Self::Setup => out.push(SETUP),
            Self::Security(types) => {
                out.push(SECURITY);
                out.extend(types.0.to_be_bytes());
            }
            Self::Poll => out.push(POLL),
            Self::BillType { enable, escrow } => {
                out.push(BILL_TYPE);
                out.extend(enable.0.to_be_bytes());
                out.extend(escrow.0.to_be_bytes());
            }
            Self::Escrow(status) => out.extend([ESCROW, status.0]),
            Self::Stacker => out.push(STACKER),
            Self::Identification => out.extend([EXPANSION, 0x00]),
            Self::FeatureEnable(options) => {
                out.extend([EXPANSION, 0x01]);
                out.extend(options.0.to_be_bytes());
            }
            Self::IdentificationWithOptions => out.extend([EXPANSION, 0x02]),
            Self::RecyclerSetup => out.extend([EXPANSION, 0x03]),
            Self::RecyclerEnable {
                manual_dispense,
                use_for,
            } => {
                out.extend([EXPANSION, 0x04]);
                out.extend(manual_dispense.0.to_be_bytes());
                out.extend(use_for.iter().map(|u| u.byte()));
            }
            Self::BillDispenseStatus => out.extend([EXPANSION, 0x05]),
            Self::DispenseBill { bill_type, count } => {
                out.extend([EXPANSION, 0x06, bill_type & 0x0F]);
                out.extend(count.to_be_bytes());
            }
            Self::DispenseValue(value) => {
                out.extend([EXPANSION, 0x07]);
                out.extend(value.to_be_bytes());
            }
            Self::PayoutStatus => out.extend([EXPANSION, 0x08]),
            Self::PayoutValuePoll => out.extend([EXPANSION, 0x09]),
            Self::PayoutCancel => out.extend([EXPANSION, 0x0A]),
            Self::Ftl(message) => return message.emit_command(Address::BILL_VALIDATOR),
            Self::Diagnostics(data) => {
                out.extend([EXPANSION, 0xFF]);
                out.extend(data);
            }
        }
        Block::truncated(&out)
    }

    /// The command in the standard's words.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Reset => "RESET",
            Self::Setup => "SETUP",
            Self::Security(_) => "SECURITY",
            Self::Poll => "POLL",
            Self::BillType { .. } => "BILL TYPE",
            Self::Escrow(_) => "ESCROW",
            Self::Stacker => "STACKER",
            Self::Identification => "EXPANSION IDENTIFICATION",
            Self::FeatureEnable(_) => "EXPANSION FEATURE ENABLE",
            Self::IdentificationWithOptions => "EXPANSION IDENTIFICATION WITH OPTION BITS",
            Self::RecyclerSetup => "RECYCLER SETUP",
            Self::RecyclerEnable { .. } => "RECYCLER ENABLE",
            Self::BillDispenseStatus => "BILL DISPENSE STATUS",
            Self::DispenseBill { .. } => "DISPENSE BILL",
            Self::DispenseValue(_) => "DISPENSE VALUE",
            Self::PayoutStatus => "PAYOUT STATUS",
            Self::PayoutValuePoll => "PAYOUT VALUE POLL",
            Self::PayoutCancel => "PAYOUT CANCEL",
            Self::Ftl(message) => message.name(),
            Self::Diagnostics(_) => "DIAGNOSTICS",
        }
    }
}

impl fmt::Display for Command {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Self::Ftl(message) = self {
            return message.fmt(f);
        }
        f.write_str(self.name())?;
        match self {
            Self::Security(types) => write!(f, " high {types}"),
            Self::BillType { enable, escrow } => write!(f, " accept {enable} escrow {escrow}"),
            Self::Escrow(status) => write!(f, " {status}"),
            Self::FeatureEnable(options) => write!(f, " {options}"),
            Self::RecyclerEnable {
                manual_dispense,
                use_for,
            } => {
                write!(f, " manual dispense {manual_dispense}, recycle")?;
                let mut any = false;
                for (bill_type, used) in use_for.iter().enumerate() {
                    if *used != RecyclerUse::Disabled {
                        write!(f, "{} {bill_type}={used}", if any { "," } else { "" })?;
                        any = true;
                    }
                }
                f.write_str(if any { "" } else { " none" })
            }
            Self::DispenseBill { bill_type, count } => write!(f, " {count} of type {bill_type}"),
            Self::DispenseValue(value) => write!(f, " {value}"),
            Self::Diagnostics(data) => data.iter().try_for_each(|byte| write!(f, " {byte:02X}")),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
#[path = "command_tests.rs"]
pub(super) mod tests;
